//! How far along every target is, over all nights: the contents of `targets.yaml`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Value of the `schema` key.
pub const TARGETS_SCHEMA: &str = "dawnledger-targets/1";

/// What is wanted by target, then by filter: the user's own, all numbers above 0.
pub type Goals = BTreeMap<String, BTreeMap<String, Goal>>;

/// What is wanted of a target through a filter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Goal {
    /// Hours of kept lights.
    Hours(f64),
    /// A faint signal that stands out of the noise so far.
    SignalToNoise(SignalToNoise),
}

/// A signal-to-noise ratio wanted in each pixel of the mean of all kept lights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignalToNoise {
    /// The ratio.
    pub signal_to_noise: f64,
    /// Of which signal: electrons per second that it gives a pixel above the sky.
    pub signal_e_per_s: f64,
    /// Whose pixel: another rig's sees another signal. May be absent where one rig alone has lights.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig: Option<String>,
}

/// All targets, sorted by name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct Targets {
    pub schema: String,
    pub targets: Vec<TargetEntry>,
}

/// One target, spelt as the headers spell it; empty where they name none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct TargetEntry {
    pub target: String,
    /// What is wanted through each filter: written by the user, kept when the file is written again.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub goals: BTreeMap<String, Goal>,
    #[serde(default)]
    pub filters: Vec<FilterHours>,
}

/// What a target has through one filter, all rigs and nights together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct FilterHours {
    pub filter: String,
    /// Calibrated.
    pub frames: usize,
    /// Of these, kept.
    pub kept: usize,
    pub hours_kept: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours_wanted: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signal_to_noise_wanted: Option<f64>,
    /// Reached, for the goal's signal. Absent where nothing kept is measured in electrons, and where
    /// the goal does not say which of several rigs it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signal_to_noise: Option<f64>,
    /// 0 where the goal is reached. Absent without a goal, or where it cannot be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours_left: Option<f64>,
}

impl Targets {
    /// What a target has through a filter.
    pub fn find(&self, target: &str, filter: &str) -> Option<&FilterHours> {
        let mut entries = self.targets.iter().filter(|entry| entry.target == target);
        let mut filters = entries.next()?.filters.iter();
        filters.find(|hours| hours.filter == filter)
    }
}
