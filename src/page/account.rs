//! The account of fields, masters and sensors.

use std::collections::BTreeMap;

use super::text::{
    address, cell, exposure, filter_word, fraction, name, number, path, sentence, target_word,
};
use crate::facts::{Colour, GroupEntry, Kind, MasterEntry, RowOrder, SensorEntry, SessionLog};

/// Lights that are judged together.
pub(super) struct Field {
    pub(super) title: String,
    pub(super) facts: Vec<(&'static str, String)>,
    pub(super) zones: Vec<Zone>,
    pub(super) zone_words: String,
    pub(super) has_strokes: bool,
    pub(super) advice: Vec<String>,
}

/// One of nine parts of the field.
pub(super) struct Zone {
    pub(super) x: usize,
    pub(super) y: usize,
    pub(super) label: String,
    /// How far above the sharpest zone: 0 to 1.
    pub(super) shade: String,
    pub(super) stroke: Option<Stroke>,
}

/// From here to there, along the long axes of a zone's stars; as long as they are drawn out.
pub(super) struct Stroke {
    pub(super) from: [String; 2],
    pub(super) to: [String; 2],
    /// The elongation.
    pub(super) title: String,
}

/// Side of a zone in its drawing.
const ZONE_PX: usize = 44;
/// A zone this much wider than the sharpest is drawn darkest.
const WORST: f64 = 0.5;
/// The middle of a zone's stroke, above the zone's number, and the longest stroke.
const STROKE_MIDDLE_PX: [f64; 2] = [22.0, 16.0];
const STROKE_PX: f64 = 28.0;
/// Stars drawn out by so much have the longest stroke.
const DRAWN_OUT: f64 = 0.5;

pub(super) fn field(group: &GroupEntry) -> Field {
    let target = target_word(group.target.as_deref().unwrap_or_default());
    let both = |px: Option<f64>, arcsec: Option<f64>| match (px, arcsec) {
        (Some(px), Some(arcsec)) => Some(format!(
            "{}\u{2033} ({} px)",
            number(arcsec, 2),
            number(px, 2)
        )),
        (Some(px), None) => Some(format!("{} px", number(px, 2))),
        (None, Some(arcsec)) => Some(format!("{}\u{2033}", number(arcsec, 2))),
        (None, None) => None,
    };
    let with = |value: Option<f64>, decimals, unit: &str| {
        value.map(|value| format!("{}{unit}", number(value, decimals)))
    };
    let lines = group.channel_lines.iter().map(|line| {
        let colour = colour_word(line.colour);
        let sign = if line.intercept_adu < 0.0 {
            "\u{2212}"
        } else {
            "+"
        };
        let level = number(line.intercept_adu.abs(), 1);
        format!(
            "{colour}\u{a0}=\u{a0}{}\u{a0}green\u{a0}{sign}\u{a0}{level}\u{a0}ADU",
            number(line.slope, 3)
        )
    });
    let lines: Vec<String> = lines.collect();
    let skies = group.sky.iter().map(|sky| {
        let (level, noise) = (number(sky.level_adu, 0), number(sky.noise_adu, 1));
        format!("{} {level} ADU, noise {noise}", colour_word(sky.colour))
    });
    let skies: Vec<String> = skies.collect();
    let all = [
        ("FWHM", both(group.fwhm_px, group.fwhm_arcsec)),
        ("elongation", with(group.elongation, 2, "")),
        ("background", with(group.background_adu, 0, " ADU")),
        ("sky", with(group.sky_e_per_s, 3, " e-/s per pixel")),
        ("stars", with(group.stars, 0, "")),
        ("pixel scale", with(group.pixel_scale_arcsec, 3, "\u{2033}")),
        (
            "drift",
            with(group.drift_arcsec_per_h, 1, "\u{2033} per hour"),
        ),
        (
            "sky by colour",
            (!skies.is_empty()).then(|| skies.join("; ")),
        ),
        (
            "channel lines",
            (!lines.is_empty()).then(|| lines.join("; ")),
        ),
    ];
    let facts = all
        .into_iter()
        .filter_map(|(term, text)| Some((term, text?)));
    let widths = upright(&group.zones_fwhm_px, group.row_order);
    let elongations = upright(&group.zones_elongation, group.row_order);
    let mut angles = upright(&group.zones_angle_deg, group.row_order);
    if group.row_order == RowOrder::BottomUp {
        // What leans towards later rows leans upwards.
        let mirrored = angles.iter_mut().flatten();
        mirrored.for_each(|angle| *angle = 180.0 - *angle);
    }
    Field {
        title: format!(
            "{target}, {}, {} s on {}: {} of {} kept",
            filter_word(&group.filter),
            exposure(group.exposure_s),
            name(&group.rig),
            group.kept,
            group.frames,
        ),
        facts: facts.collect(),
        zones: zones(&widths, &elongations, &angles),
        zone_words: zone_words(&widths, &elongations),
        has_strokes: elongations.iter().any(Option::is_some),
        advice: group.advice.iter().map(|text| sentence(text)).collect(),
    }
}

fn colour_word(colour: Colour) -> &'static str {
    match colour {
        Colour::Red => "red",
        Colour::Green => "green",
        Colour::Blue => "blue",
    }
}

/// Zones as they lie in the picture, the top row first.
fn upright(widths: &[Option<f64>], order: RowOrder) -> Vec<Option<f64>> {
    match order {
        RowOrder::BottomUp => widths.chunks(3).rev().flatten().copied().collect(),
        RowOrder::TopDown | RowOrder::Unstated => widths.to_vec(),
    }
}

fn sharpest(widths: &[Option<f64>]) -> f64 {
    widths
        .iter()
        .flatten()
        .copied()
        .fold(f64::INFINITY, f64::min)
}

fn zones(widths: &[Option<f64>], elongations: &[Option<f64>], angles: &[Option<f64>]) -> Vec<Zone> {
    if widths.len() != 9 || widths.iter().all(Option::is_none) {
        return Vec::new();
    }
    let best = sharpest(widths);
    let of = |values: &[Option<f64>], at: usize| values.get(at).copied().flatten();
    let zone = |(at, width): (usize, &Option<f64>)| {
        let excess = width.map_or(0.0, |width| (width / best - 1.0) / WORST);
        Zone {
            x: at % 3 * ZONE_PX,
            y: at / 3 * ZONE_PX,
            label: width.map_or("\u{2013}".to_owned(), |width| number(width, 2)),
            shade: format!("{:.2}", excess.clamp(0.0, 1.0) * 0.45),
            stroke: of(elongations, at)
                .zip(of(angles, at))
                .map(|(elongation, angle)| stroke(at, elongation, angle)),
        }
    };
    widths.iter().enumerate().map(zone).collect()
}

/// `angle` is in degrees from the picture's rows downwards.
fn stroke(at: usize, elongation: f64, angle: f64) -> Stroke {
    let length = STROKE_PX * ((elongation - 1.0) / DRAWN_OUT).clamp(0.0, 1.0);
    let (sin, cos) = angle.to_radians().sin_cos();
    let corner = [at % 3 * ZONE_PX, at / 3 * ZONE_PX].map(|corner| corner as f64);
    let end = |side: f64| {
        let away = [cos, sin].map(|along| side * length / 2.0 * along);
        [0, 1].map(|axis| {
            let place = corner[axis] + STROKE_MIDDLE_PX[axis] + away[axis];
            format!("{place:.1}")
        })
    };
    Stroke {
        from: end(-1.0),
        to: end(1.0),
        title: format!("elongation {}", number(elongation, 2)),
    }
}

fn zone_words(widths: &[Option<f64>], elongations: &[Option<f64>]) -> String {
    let rows = |values: &[Option<f64>]| {
        let told = values.iter();
        let told = told.map(|value| value.map_or("none".to_owned(), |value| number(value, 2)));
        let told: Vec<String> = told.collect();
        let rows: Vec<String> = told.chunks(3).map(|row| row.join(", ")).collect();
        rows.join("; ")
    };
    let mut words = format!(
        "FWHM in pixels over the field, row by row from the top: {}",
        rows(widths)
    );
    if elongations.iter().any(Option::is_some) {
        words += &format!(". Elongation: {}", rows(elongations));
    }
    words
}

/// One master.
pub(super) struct Master {
    pub(super) title: String,
    pub(super) rig: String,
    pub(super) exposure: String,
    pub(super) temperature: String,
    pub(super) used: String,
    pub(super) left_out: String,
    pub(super) level: String,
    pub(super) noise: String,
    /// Measured over ideal temporal noise.
    pub(super) over_ideal: String,
    pub(super) rejected: String,
    pub(super) slope: String,
    pub(super) fit: String,
    pub(super) href: String,
    pub(super) method: String,
}

pub(super) fn master(entry: &MasterEntry) -> Master {
    let is_flat = entry.kind == Kind::Flat;
    let over_ideal = entry.temporal_noise_adu.zip(entry.ideal_noise_adu);
    let over_ideal = over_ideal.filter(|(_, ideal)| *ideal > 0.0);
    let rejected = entry
        .rejected_low_fraction
        .zip(entry.rejected_high_fraction);
    let count = |frames: Option<usize>| frames.map_or_else(String::new, |count| count.to_string());
    Master {
        title: master_title(entry),
        rig: name(&entry.rig),
        exposure: exposure(entry.exposure_s),
        temperature: cell(entry.temperature_c, 1),
        used: count(entry.frames_used),
        left_out: count(entry.frames_left_out),
        level: number(entry.level_adu, 1),
        noise: number(entry.noise_adu, if is_flat { 4 } else { 2 }),
        over_ideal: over_ideal.map_or(String::new(), |(noise, ideal)| {
            format!("{} \u{d7}", number(noise / ideal, 2))
        }),
        rejected: rejected.map_or_else(String::new, |(low, high)| fraction(low + high)),
        slope: match (entry.fit_slope, entry.fit_error) {
            (Some(slope), Some(error)) => {
                format!("{} \u{b1} {}", number(slope, 3), number(error, 3))
            }
            (Some(slope), None) => number(slope, 3),
            _ => String::new(),
        },
        fit: entry.fit.as_deref().map_or(String::new(), sentence),
        href: address(&entry.product),
        method: path(&entry.method),
    }
}

/// Kind and filter.
pub(super) fn master_title(entry: &MasterEntry) -> String {
    match &entry.filter {
        Some(filter) => format!("{}, {}", entry.kind.word(), filter_word(filter)),
        None => entry.kind.word().to_owned(),
    }
}

/// Where a master's row stands, by its product.
pub(super) fn master_rows(log: &SessionLog) -> BTreeMap<&str, usize> {
    let rows = log.masters.iter().enumerate();
    rows.map(|(at, entry)| (&*entry.product, at)).collect()
}

/// One sensor at one setting.
pub(super) struct Sensor {
    pub(super) camera: String,
    pub(super) rig: String,
    pub(super) setting: String,
    pub(super) gain: String,
    pub(super) read_noise: String,
    /// Per cent.
    pub(super) linearity: String,
    pub(super) dark_current: String,
    pub(super) glow: String,
    pub(super) temperature: String,
    pub(super) hot_pixels: String,
    pub(super) verdict: String,
}

/// Beside a glow it may hardly be known: then its error stands with it.
fn current(entry: &SensorEntry) -> String {
    let value = cell(entry.dark_current_e_per_s, 4);
    match (entry.dark_current_e_per_s, entry.dark_current_error_e_per_s) {
        (Some(known), Some(error)) if error > known.abs() / 2.0 => {
            format!("{value} ± {}", number(error, 4))
        }
        _ => value,
    }
}

pub(super) fn sensor(entry: &SensorEntry) -> Sensor {
    Sensor {
        camera: name(&entry.camera),
        rig: name(&entry.rig),
        setting: cell(entry.gain, 0),
        gain: cell(entry.gain_e_per_adu, 3),
        read_noise: cell(entry.read_noise_e, 2),
        linearity: cell(entry.linearity.map(|part| 100.0 * part), 2),
        dark_current: current(entry),
        glow: cell(entry.glow_e_per_s, 4),
        temperature: cell(entry.temperature_c, 1),
        hot_pixels: cell(entry.hot_pixels_per_megapixel, 0),
        verdict: sentence(&entry.dark_verdict),
    }
}
