//! A profile file: what one camera rig needs.

mod raw;

use std::path::Path;

use jiff::civil::Date;

use crate::facts::{
    Cfa, CfaChoice, FlatLevel, GainMeaning, Profile, ShortShots, Tolerance, Windows,
};

use super::bounds::{said, within};
use super::text::{Fault, Text, read, steps};
use super::words::{OneOrMore, filters, keywords, kinds, paths};
use super::{ConfigError, combining, overscan, passbands, products, rules, supplied, verdict};

pub(super) use raw::RawProfile;
use raw::{RawFlat, RawGain, RawLevel, RawShortShots, RawTolerance, RawWindows};

pub(super) fn parse(text: &str, file: &Path) -> Result<Profile, ConfigError> {
    let raw: RawProfile = read(text, file)?;
    let folder = file.parent().unwrap_or(Path::new(""));
    check(raw, folder).map_err(|fault| fault.locate(text, file))
}

fn check(raw: RawProfile, folder: &Path) -> Result<Profile, Fault> {
    let saturation_adu = raw
        .saturation_adu
        .map(|level| {
            within(
                level,
                (1.0, 4_294_967_295.0),
                "ADU",
                &steps!["saturation_adu"],
            )
        })
        .transpose()?;
    let telescope = raw
        .telescope
        .map(|text| said(&text, "a telescope name", &steps!["telescope"]).map(str::to_owned))
        .transpose()?;
    let flat = raw.flat.unwrap_or_default();
    let sensor = raw.sensor.as_ref().map(combining::sensor).transpose()?;
    let calibration = rules::check(raw.calibration, sensor)?;
    Ok(Profile {
        name: slug(&raw.name)?,
        cameras: cameras(&raw.camera)?,
        telescope,
        supplied: supplied::check(&raw.supplied.unwrap_or_default(), &calibration, folder)?,
        calibration,
        tolerance: tolerance(raw.tolerance.unwrap_or_default())?,
        windows: windows(raw.windows.unwrap_or_default())?,
        filters: filters(raw.filters.unwrap_or_default())?,
        passbands: passbands::check(raw.passbands.unwrap_or_default())?,
        kinds: kinds(raw.kinds.unwrap_or_default())?,
        keywords: keywords(raw.keywords.unwrap_or_default())?,
        paths: paths(raw.paths.unwrap_or_default())?,
        gain_keyword: match raw.gain_keyword.unwrap_or(RawGain::Setting) {
            RawGain::Setting => GainMeaning::Setting,
            RawGain::ElectronsPerAdu => GainMeaning::ElectronsPerAdu,
        },
        cfa: cfa(raw.cfa.as_deref())?,
        overscan: raw.overscan.as_ref().map(overscan::check).transpose()?,
        saturation_adu,
        flat_range: flat_range(&flat)?,
        flat_level: match flat.level.unwrap_or(RawLevel::PerColour) {
            RawLevel::PerColour => FlatLevel::PerColour,
            RawLevel::Common => FlatLevel::Common,
        },
        bias_max_s: within(
            raw.bias_max_s.unwrap_or(0.5),
            (0.0, 60.0),
            "seconds",
            &steps!["bias_max_s"],
        )?,
        short_shots: short_shots(raw.short_shots.unwrap_or_default())?,
        products: products::check(raw.products.unwrap_or_default(), sensor.is_some())?,
        verdict: verdict::check(&raw.verdict.unwrap_or_default())?,
        sensor: sensor.map(combining::light_sensor),
        train_changes: train_changes(&raw.train_changes.unwrap_or_default())?,
    })
}

/// A rig's name becomes a folder name and part of file names.
fn slug(name: &str) -> Result<String, Fault> {
    let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let edges = name.starts_with('-') || name.ends_with('-');
    if name.is_empty() || name.len() > 40 || edges || !name.chars().all(good) {
        return Err(Fault::new(
            &steps!["name"],
            format!(
                "found {name:?}, want 1 to 40 lower-case letters, digits and inner hyphens, \
                 such as north-pier"
            ),
        ));
    }
    Ok(name.to_owned())
}

fn cameras(raw: &OneOrMore) -> Result<Vec<String>, Fault> {
    if raw.texts.is_empty() {
        return Err(Fault::new(
            &steps!["camera"],
            "found an empty list, want the camera's name as headers give it",
        ));
    }
    let names = raw.texts.iter().enumerate().map(|(index, text)| {
        let at = raw.place(&steps!["camera"], index);
        said(text, "the camera's name as headers give it", &at).map(str::to_owned)
    });
    names.collect()
}

fn tolerance(raw: RawTolerance) -> Result<Tolerance, Fault> {
    let at = |key: &str| steps!["tolerance", key];
    let value = |given: Option<f64>, usual: f64, most: f64, unit: &str, key: &str| {
        within(given.unwrap_or(usual), (0.0, most), unit, &at(key))
    };
    let fraction = "of the exposure";
    Ok(Tolerance {
        temperature_c: value(raw.temperature_c, 1.0, 20.0, "degrees", "temperature_c")?,
        exposure_fraction: value(
            raw.exposure_fraction,
            0.02,
            0.5,
            fraction,
            "exposure_fraction",
        )?,
        flat_dark_exposure_fraction: value(
            raw.flat_dark_exposure_fraction,
            0.10,
            0.5,
            fraction,
            "flat_dark_exposure_fraction",
        )?,
        rotator_deg: value(raw.rotator_deg, 2.0, 45.0, "degrees", "rotator_deg")?,
    })
}

fn windows(raw: RawWindows) -> Result<Windows, Fault> {
    let value = |given: Option<i64>, usual: i32, key: &str| {
        let nights = given.unwrap_or(i64::from(usual));
        i32::try_from(nights)
            .ok()
            .filter(|nights| (0..=3660).contains(nights))
            .ok_or_else(|| {
                Fault::new(
                    &steps!["windows", key],
                    format!("found {nights}, want 0 to 3660 nights"),
                )
            })
    };
    Ok(Windows {
        flat_before: value(raw.flat_before_nights, 14, "flat_before_nights")?,
        flat_after: value(raw.flat_after_nights, 3, "flat_after_nights")?,
        library_before: value(raw.library_before_nights, 180, "library_before_nights")?,
        library_after: value(raw.library_after_nights, 7, "library_after_nights")?,
    })
}

fn cfa(raw: Option<&str>) -> Result<CfaChoice, Fault> {
    let Some(text) = raw else {
        return Ok(CfaChoice::Header);
    };
    match text.trim().to_lowercase().as_str() {
        "header" => Ok(CfaChoice::Header),
        "mono" => Ok(CfaChoice::Mono),
        _ => Cfa::parse(text).map(CfaChoice::Fixed).ok_or_else(|| {
            Fault::new(
                &steps!["cfa"],
                format!("found {text:?}, want header, mono, RGGB, BGGR, GRBG or GBRG"),
            )
        }),
    }
}

fn flat_range(raw: &RawFlat) -> Result<(f64, f64), Fault> {
    let at = |key: &str| steps!["flat", key];
    let unit = "of the saturation level";
    let low = raw.min_fraction.unwrap_or(0.15);
    let high = raw.max_fraction.unwrap_or(0.70);
    let low = within(low, (0.0, 1.0), unit, &at("min_fraction"))?;
    let high = within(high, (0.0, 1.0), unit, &at("max_fraction"))?;
    if low >= high {
        let key = if raw.max_fraction.is_some() {
            "max_fraction"
        } else {
            "min_fraction"
        };
        return Err(Fault::new(
            &at(key),
            format!("min_fraction is {low}, max_fraction {high}: want the first below the second"),
        ));
    }
    Ok((low, high))
}

fn short_shots(raw: RawShortShots) -> Result<ShortShots, Fault> {
    let at = |key: &str| steps!["short_shots", key];
    Ok(ShortShots {
        under_s: within(
            raw.under_s.unwrap_or(15.0),
            (0.0, 3600.0),
            "seconds",
            &at("under_s"),
        )?,
        under_fraction: within(
            raw.under_fraction.unwrap_or(0.25),
            (0.0, 1.0),
            "of the night's usual exposure",
            &at("under_fraction"),
        )?,
    })
}

fn train_changes(raw: &[Text]) -> Result<Vec<Date>, Fault> {
    let mut dates = Vec::new();
    for (index, text) in raw.iter().enumerate() {
        let at = steps!["train_changes", index];
        let date = evening(text).ok_or_else(|| {
            Fault::new(
                &at,
                format!("found {text:?}, want an evening date such as 2026-09-05"),
            )
        })?;
        if dates.contains(&date) {
            return Err(Fault::new(
                &at,
                format!("{date} stands here a second time, want it once"),
            ));
        }
        dates.push(date);
    }
    dates.sort();
    Ok(dates)
}

/// `YYYY-MM-DD`, nothing more and nothing less.
fn evening(text: &str) -> Option<Date> {
    let text = text.trim();
    (text.len() == 10).then(|| text.parse().ok()).flatten()
}
