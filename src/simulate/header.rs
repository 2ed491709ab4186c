//! The cards of a simulated frame, in one of two common spellings.
//!
//! The keywords are the de facto ones of the trade. A scenario's own cards replace them, add to
//! them or take them away. It knows no pixels.

use std::collections::BTreeMap;

use super::exact::cos_deg;
use super::scenario::{Rig, Run, Spelling};
use super::schedule::Exposure;
use super::sky;
use crate::facts::{Card, Kind, Value};

fn text(value: &str) -> Value {
    Value::Text(value.to_owned())
}

/// A number with so many decimals, as capture programs print them.
fn rounded(value: f64, decimals: i32) -> Value {
    let mut scale = 1.0;
    for _ in 0..decimals {
        scale *= 10.0;
    }
    Value::Real((value * scale).round() / scale + 0.0)
}

/// All cards from SIMPLE on, without END.
pub(super) fn cards(rig: &Rig, run: &Run, exposure: &Exposure) -> Vec<Card> {
    let sensor = &rig.sensor;
    let mut cards = vec![
        Card::new("SIMPLE", Value::Logical(true), "conforms to FITS"),
        Card::new("BITPIX", Value::Integer(16), "bits per pixel"),
        Card::new("NAXIS", Value::Integer(2), ""),
        Card::new("NAXIS1", Value::Integer(sensor.width as i64), ""),
        Card::new("NAXIS2", Value::Integer(sensor.height as i64), ""),
        Card::new("BZERO", Value::Integer(32_768), "unsigned 16-bit"),
        Card::new("BSCALE", Value::Integer(1), ""),
    ];
    let mut put = |keyword: &str, value: Value, comment: &str| {
        cards.push(Card::new(keyword, value, comment));
    };
    let long = rig.spelling == Spelling::Long;
    put("IMAGETYP", text(kind_word(exposure.kind, long)), "");
    let exposure_keyword = if long { "EXPOSURE" } else { "EXPTIME" };
    put(exposure_keyword, Value::Real(exposure.exposure_s), "[s]");
    let start = exposure.start.strftime("%Y-%m-%dT%H:%M:%S%.3f").to_string();
    put("DATE-OBS", Value::Text(start), "start of exposure, UTC");
    put("INSTRUME", text(&rig.camera), "camera");
    put("XBINNING", Value::Integer(sensor.binning.into()), "");
    put("YBINNING", Value::Integer(sensor.binning.into()), "");
    let pixel_um = sensor.pixel_um * f64::from(sensor.binning);
    put("XPIXSZ", rounded(pixel_um, 3), "[um]");
    put("YPIXSZ", rounded(pixel_um, 3), "[um]");
    if let Some(gain) = sensor.gain {
        put("GAIN", number(gain), "setting");
    }
    if let Some(offset) = sensor.offset {
        put("OFFSET", number(offset), "setting");
    }
    put("EGAIN", rounded(sensor.e_per_adu, 4), "[e-/ADU]");
    if let Some(mode) = &sensor.readout_mode {
        put("READOUTM", text(mode), "readout mode");
    }
    if let Some(set_point) = run.set_point_c.or(sensor.set_point_c) {
        put("SET-TEMP", rounded(set_point, 1), "[C] set-point");
    }
    put(
        "CCD-TEMP",
        rounded(exposure.temperature_c, if long { 2 } else { 1 }),
        "[C] measured",
    );
    if let Some(cfa) = sensor.cfa {
        put("BAYERPAT", Value::Text(cfa.to_string()), "");
        put("XBAYROFF", Value::Integer(0), "");
        put("YBAYROFF", Value::Integer(0), "");
    }
    if let Some(order) = &sensor.row_order {
        put("ROWORDER", text(order), "");
    }
    if let Some(telescope) = &rig.optics.telescope {
        put("TELESCOP", text(telescope), "");
    }
    put("FOCALLEN", number(rig.optics.focal_length_mm), "[mm]");
    if let Some(angle) = run.rotator_deg.or(rig.optics.rotator_deg) {
        put("ROTATOR", rounded(angle, 2), "[deg] mechanical");
    }
    if let Some(filter) = sky::filter(rig, exposure) {
        let written = filter.written.as_ref().unwrap_or(&filter.name);
        put("FILTER", text(written), "");
    }
    if exposure.kind == Kind::Light {
        put_target(&mut put, rig, run, exposure, long);
    }
    for changes in [&rig.cards, &run.cards] {
        change(&mut cards, changes);
    }
    cards
}

fn kind_word(kind: Kind, long: bool) -> &'static str {
    match (kind, long) {
        (Kind::Light, false) => "LIGHT",
        (Kind::Flat, false) => "FLAT",
        (Kind::Dark, false) => "DARK",
        (Kind::Bias, false) => "BIAS",
        (Kind::FlatDark, false) => "FLATDARK",
        (Kind::Light, true) => "Light Frame",
        (Kind::Flat, true) => "Flat Field",
        (Kind::Dark, true) => "Dark Frame",
        (Kind::Bias, true) => "Bias Frame",
        (Kind::FlatDark, true) => "Flat Dark",
    }
}

/// Whole numbers as integers.
fn number(value: f64) -> Value {
    if value.round() == value && value.abs() < 1e15 {
        Value::Integer(value as i64)
    } else {
        Value::Real(value)
    }
}

fn put_target(
    put: &mut impl FnMut(&str, Value, &str),
    rig: &Rig,
    run: &Run,
    exposure: &Exposure,
    sexagesimal: bool,
) {
    let Some(name) = &exposure.target else {
        return;
    };
    put("OBJECT", text(name), "");
    let Some(target) = rig.targets.iter().find(|target| target.name == *name) else {
        return;
    };
    let sensor = &rig.sensor;
    let pixel_um = sensor.pixel_um * f64::from(sensor.binning);
    let degrees_per_pixel = 206.265 * pixel_um / rig.optics.focal_length_mm / 3600.0;
    let [dx, dy] = exposure.pointing_px;
    // North is up and east is left; the other way round behind the pier.
    let (dx, dy) = if run.flipped { (-dx, -dy) } else { (dx, dy) };
    let up = if sensor.row_order.as_deref() == Some("BOTTOM-UP") {
        1.0
    } else {
        -1.0
    };
    let dec = (target.dec_deg + up * dy * degrees_per_pixel).clamp(-90.0, 90.0);
    let shrink = cos_deg(dec).max(0.01);
    let ra = target.ra_deg - dx * degrees_per_pixel / shrink;
    let ra = if ra < 0.0 {
        ra + 360.0
    } else if ra >= 360.0 {
        ra - 360.0
    } else {
        ra
    };
    if let Some(angle) = rig.optics.sky_angle_deg {
        let keyword = if sexagesimal { "OBJCTROT" } else { "POSANGLE" };
        let angle = if run.flipped { angle + 180.0 } else { angle };
        put(keyword, rounded(angle % 360.0, 2), "[deg] of the field");
    }
    if sexagesimal {
        let hours = parts(ra / 15.0);
        put("OBJCTRA", Value::Text(hours), "[h m s] J2000");
        let sign = if dec < 0.0 { '-' } else { '+' };
        let degrees = format!("{sign}{}", parts(dec.abs()));
        put("OBJCTDEC", Value::Text(degrees), "[d m s] J2000");
    } else {
        put("RA", rounded(ra, 6), "[deg] J2000");
        put("DEC", rounded(dec, 6), "[deg] J2000");
    }
}

/// `12 34 56.7`.
fn parts(value: f64) -> String {
    let tenths = (value * 36_000.0).round() as i64;
    let (minutes, tenths) = (tenths / 600, tenths % 600);
    format!(
        "{:02} {:02} {:02}.{}",
        minutes / 60,
        minutes % 60,
        tenths / 10,
        tenths % 10
    )
}

fn change(cards: &mut Vec<Card>, changes: &BTreeMap<String, serde_yaml::Value>) {
    for (keyword, value) in changes {
        let value = match value {
            serde_yaml::Value::Null => {
                cards.retain(|card| card.keyword != *keyword);
                continue;
            }
            serde_yaml::Value::Bool(flag) => Value::Logical(*flag),
            serde_yaml::Value::Number(number) => match number.as_i64() {
                Some(whole) => Value::Integer(whole),
                None => Value::Real(number.as_f64().unwrap_or_default()),
            },
            serde_yaml::Value::String(words) => text(words),
            other => Value::Other(format!("{other:?}")),
        };
        match cards.iter_mut().find(|card| card.keyword == *keyword) {
            Some(card) => card.value = value,
            None => cards.push(Card::new(keyword, value, "")),
        }
    }
}
