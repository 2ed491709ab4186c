//! The `supplied` part of a profile: ready-made masters, and what their headers may leave out.
//!
//! It does not know whether the files are there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{CalibrationRules, Kind, Rule, SuppliedFile};

use super::bounds::{path, said, within};
use super::schema::{PATH, SAID};
use super::text::{Fault, Step, Text, steps};

/// A ready-made master. What its header does not state is stated beside it.
#[derive(Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with file, kind and what the file's header does not state"
)]
#[schemars(rename = "Supplied")]
pub(super) struct RawSupplied {
    /// The FITS file; a relative path counts from the profile.
    #[schemars(regex(pattern = PATH))]
    file: Text,
    /// What it is a master of: any kind but light.
    #[schemars(extend("not" = {"const": "light"}))]
    kind: Kind,
    /// Exposure, seconds.
    #[schemars(range(min = 0, max = 86400))]
    exposure_s: Option<f64>,
    /// Sensor temperature, degrees Celsius.
    #[schemars(range(min = -200, max = 100))]
    temperature_c: Option<f64>,
    /// The camera's gain setting.
    #[schemars(range(min = -1e9, max = 1e9))]
    gain: Option<f64>,
    /// The camera's offset setting.
    #[schemars(range(min = -1e9, max = 1e9))]
    offset: Option<f64>,
    /// Flats only: the mechanical rotator's angle, degrees.
    #[schemars(range(min = -360, max = 360))]
    rotator_deg: Option<f64>,
    /// Flats only: the physical filter.
    #[schemars(regex(pattern = SAID))]
    filter: Option<Text>,
    /// The readout mode as headers give it.
    #[schemars(regex(pattern = SAID))]
    readout_mode: Option<Text>,
    /// Both factors, such as 2x2.
    #[schemars(regex(pattern = SAID))]
    binning: Option<Text>,
    /// TOP-DOWN or BOTTOM-UP.
    #[schemars(regex(pattern = SAID))]
    row_order: Option<Text>,
    /// The colour filter array: RGGB, BGGR, GRBG or GBRG.
    #[schemars(regex(pattern = SAID))]
    cfa: Option<Text>,
    /// The camera's name as headers of its frames give it.
    #[schemars(regex(pattern = SAID))]
    camera: Option<Text>,
}

/// Relative paths count from `folder`.
pub(super) fn check(
    raw: &[RawSupplied],
    rules: &CalibrationRules,
    folder: &Path,
) -> Result<Vec<SuppliedFile>, Fault> {
    let mut seen = BTreeSet::new();
    let files = raw.iter().enumerate().map(|(index, raw)| {
        let at = |key: &'static str| steps!["supplied", index, key].to_vec();
        let path = path(&raw.file, folder, &at("file"))?;
        let Some(rule) = rules.of(raw.kind) else {
            let why = "found light, want bias, dark, flat-dark or flat";
            return Err(Fault::new(&at("kind"), why));
        };
        if rule.rule == Rule::Never {
            let why = format!(
                "the rule for {} is never, so this file would not be used: want required or if-present there",
                raw.kind
            );
            return Err(Fault::new(&at("kind"), why));
        }
        if !seen.insert((path.clone(), raw.kind)) {
            let why = format!("{:?} stands here a second time, want it once", raw.file);
            return Err(Fault::new(&at("file"), why));
        }
        Ok(SuppliedFile {
            path,
            kind: raw.kind,
            stated: stated(raw, &at)?,
        })
    });
    files.collect()
}

/// What is stated, under the names of facts and in the words of a header.
fn stated(
    raw: &RawSupplied,
    at: &impl Fn(&'static str) -> Vec<Step>,
) -> Result<BTreeMap<String, String>, Fault> {
    let mut facts = BTreeMap::new();
    let numbers = [
        ("exposure_s", raw.exposure_s, (0.0, 86_400.0), "seconds"),
        (
            "temperature_c",
            raw.temperature_c,
            (-200.0, 100.0),
            "degrees",
        ),
        ("gain", raw.gain, (-1e9, 1e9), ""),
        ("offset", raw.offset, (-1e9, 1e9), ""),
        ("rotator_deg", raw.rotator_deg, (-360.0, 360.0), "degrees"),
    ];
    for (key, number, range, unit) in numbers {
        if let Some(number) = number {
            facts.insert(
                key.to_owned(),
                within(number, range, unit, &at(key))?.to_string(),
            );
        }
    }
    let words = [
        ("filter", &raw.filter, "a filter's name"),
        (
            "readout_mode",
            &raw.readout_mode,
            "a readout mode as headers give it",
        ),
        ("binning", &raw.binning, "two factors such as 2x2"),
        ("row_order", &raw.row_order, "TOP-DOWN or BOTTOM-UP"),
        ("cfa", &raw.cfa, "RGGB, BGGR, GRBG or GBRG"),
        (
            "camera",
            &raw.camera,
            "the camera's name as headers of its frames give it",
        ),
    ];
    for (key, word, want) in words {
        if let Some(word) = word {
            facts.insert(key.to_owned(), said(word, want, &at(key))?.to_owned());
        }
    }
    for key in ["filter", "rotator_deg"] {
        if raw.kind != Kind::Flat && facts.contains_key(key) {
            let why = format!("a {} has none of its own: only a flat does", raw.kind);
            return Err(Fault::new(&at(key), why));
        }
    }
    Ok(facts)
}
