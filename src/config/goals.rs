//! The user's own part of `targets.yaml`: what is wanted of each target through each filter, in hours or
//! as a signal-to-noise ratio.
//!
//! All else in that file is derived and read past. A key that the file does not have is an error, since
//! whoever writes the file again would lose it.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use serde::Deserialize;
use serde::de::value::MapAccessDeserializer;
use serde::de::{Deserializer, Error, IgnoredAny, MapAccess, Visitor};

use super::ConfigError;
use super::bounds::within;
use super::text::{Fault, Step, read, steps};
use crate::facts::{Goal, Goals, SignalToNoise, TARGETS_SCHEMA};

/// Nobody lives long enough for more hours on one target.
const MOST_HOURS: f64 = 100_000.0;
/// No stack shows more, and no faint signal is as bright.
const MOST_SIGNAL: f64 = 1e6;

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
    goals: BTreeMap<String, RawGoal>,
    #[serde(default, rename = "filters")]
    _filters: IgnoredAny,
}

/// A number of hours, or a mapping.
struct RawGoal(Goal);

impl<'de> Deserialize<'de> for RawGoal {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = Goal;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("hours, or a mapping with signal_to_noise and signal_e_per_s")
            }

            fn visit_f64<E: Error>(self, hours: f64) -> Result<Goal, E> {
                Ok(Goal::Hours(hours))
            }

            fn visit_u64<E: Error>(self, hours: u64) -> Result<Goal, E> {
                Ok(Goal::Hours(hours as f64))
            }

            fn visit_i64<E: Error>(self, hours: i64) -> Result<Goal, E> {
                Ok(Goal::Hours(hours as f64))
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Goal, A::Error> {
                let goal = SignalToNoise::deserialize(MapAccessDeserializer::new(map));
                Ok(Goal::SignalToNoise(goal?))
            }
        }
        deserializer.deserialize_any(Either).map(Self)
    }
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
        for (filter, RawGoal(goal)) in &raw.goals {
            let at = steps!["targets", index, "goals", filter.as_str()];
            match goal {
                Goal::Hours(hours) => wanted(*hours, MOST_HOURS, "hours", &at)?,
                Goal::SignalToNoise(goal) => {
                    let numbers = [
                        ("signal_to_noise", goal.signal_to_noise, "a ratio"),
                        (
                            "signal_e_per_s",
                            goal.signal_e_per_s,
                            "electrons per second",
                        ),
                    ];
                    for (key, value, what) in numbers {
                        let at = steps!["targets", index, "goals", filter.as_str(), key];
                        wanted(value, MOST_SIGNAL, what, &at)?;
                    }
                }
            }
        }
        if goals.contains_key(&raw.target) {
            let message = format!("{:?} stands here a second time, want it once", raw.target);
            return Err(Fault::new(&steps!["targets", index, "target"], message));
        }
        let filters = raw.goals.into_iter();
        let filters = filters.map(|(filter, RawGoal(goal))| (filter, goal));
        goals.insert(raw.target, filters.collect());
    }
    goals.retain(|_, filters: &mut BTreeMap<String, Goal>| !filters.is_empty());
    Ok(goals)
}

/// A number above 0.
fn wanted(value: f64, most: f64, what: &str, at: &[Step]) -> Result<(), Fault> {
    match within(value, (0.0, most), what, at)? {
        0.0 => Err(Fault::new(
            at,
            format!("found 0, want {what}, or no goal at all"),
        )),
        _ => Ok(()),
    }
}
