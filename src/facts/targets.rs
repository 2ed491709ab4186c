//! How far along every target is, over all nights: the contents of `targets.yaml`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Value of the `schema` key.
pub const TARGETS_SCHEMA: &str = "dawnledger-targets/1";

/// Hours wanted by target, then by filter: the user's own, all above 0.
pub type Goals = BTreeMap<String, BTreeMap<String, f64>>;

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
    /// Hours wanted for each filter: written by the user, kept when the file is written again.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub goals: BTreeMap<String, f64>,
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
    /// 0 where the goal is reached.
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
