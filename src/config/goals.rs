//! The user's own part of `targets.yaml`: hours wanted for each target and filter.
//!
//! All else in that file is derived and read past. A key that the file does not have is an error, since
//! whoever writes the file again would lose it.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Deserialize;
use serde::de::IgnoredAny;

use super::ConfigError;
use super::bounds::within;
use super::text::{Fault, read, steps};
use crate::facts::{Goals, TARGETS_SCHEMA};

/// Nobody lives long enough for more hours on one target.
const MOST_HOURS: f64 = 100_000.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields, expecting = "a mapping with targets")]
struct RawTargets {
    schema: Option<String>,
    targets: Vec<RawTarget>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, expecting = "a mapping with target and goals")]
struct RawTarget {
    target: String,
    #[serde(default)]
    goals: BTreeMap<String, f64>,
    #[serde(default, rename = "filters")]
    _filters: IgnoredAny,
}

pub(super) fn parse(text: &str, file: &Path) -> Result<Goals, ConfigError> {
    let raw: RawTargets = read(text, file)?;
    check(raw).map_err(|fault| fault.locate(text, file))
}

fn check(raw: RawTargets) -> Result<Goals, Fault> {
    if let Some(schema) = raw.schema.filter(|schema| schema != TARGETS_SCHEMA) {
        let message = format!("found {schema:?}, want {TARGETS_SCHEMA:?}");
        return Err(Fault::new(&steps!["schema"], message));
    }
    let mut goals = Goals::new();
    for (index, raw) in raw.targets.into_iter().enumerate() {
        for (filter, hours) in &raw.goals {
            let at = steps!["targets", index, "goals", filter.as_str()];
            if within(*hours, (0.0, MOST_HOURS), "hours", &at)? == 0.0 {
                return Err(Fault::new(&at, "found 0, want hours, or no goal at all"));
            }
        }
        if goals.contains_key(&raw.target) {
            let message = format!("{:?} stands here a second time, want it once", raw.target);
            return Err(Fault::new(&steps!["targets", index, "target"], message));
        }
        goals.insert(raw.target, raw.goals);
    }
    goals.retain(|_, filters| !filters.is_empty());
    Ok(goals)
}
