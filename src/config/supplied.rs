//! The `supplied` part of a profile: ready-made masters, and what their headers may leave out.
//!
//! It does not know whether the files are there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::Deserialize;

use crate::facts::{CalibrationRules, Kind, Rule, SuppliedFile};

use super::bounds::{path, said, within};
use super::text::{Fault, Step, steps};

#[derive(Deserialize)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with file, kind and what the file's header does not state"
)]
pub(super) struct RawSupplied {
    file: String,
    kind: Kind,
    exposure_s: Option<f64>,
    temperature_c: Option<f64>,
    gain: Option<f64>,
    offset: Option<f64>,
    rotator_deg: Option<f64>,
    filter: Option<String>,
    readout_mode: Option<String>,
    binning: Option<String>,
    row_order: Option<String>,
    cfa: Option<String>,
    camera: Option<String>,
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
