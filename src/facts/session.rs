//! The session log: the contract that scripts rely on. Keys keep their names and meaning.

use serde::{Deserialize, Serialize};

use super::Kind;

/// Value of the `schema` key.
pub const SCHEMA: &str = "dawnledger-session/1";

/// One night's log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct SessionLog {
    pub schema: String,
    /// Evening date.
    pub night: String,
    pub state: NightState,
    pub ledger: Ledger,
    pub lights: Vec<LightEntry>,
    pub calibration: Vec<CalibrationEntry>,
    pub masters: Vec<MasterEntry>,
    pub refused: Vec<PlainEntry>,
    pub ignored: Vec<PlainEntry>,
    pub to_shoot: Vec<ShootEntry>,
    pub warnings: Vec<String>,
    pub totals: Vec<Count>,
}

/// Whether more may come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NightState {
    /// More may come.
    Open,
    /// Over.
    Closed,
}

/// Files seen: `seen` is the sum of the others.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct Ledger {
    pub seen: usize,
    pub lights: usize,
    pub calibration: usize,
    pub refused: usize,
    pub ignored: usize,
}

/// One light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct LightEntry {
    pub file: String,
    pub watch: String,
    pub rig: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_utc: Option<String>,
    /// calibrated, waiting or refused
    pub state: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    pub filter: String,
    pub exposure_s: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product: Option<String>,
    #[serde(default, skip_serializing_if = "UsedMasters::is_empty")]
    pub masters: UsedMasters,
    /// Factor on the dark's signal, where the dark is of another exposure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark_scale: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measures: Option<Measures>,
}

/// The masters a light was calibrated with, relative to the output folder.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct UsedMasters {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bias: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flat: Option<String>,
}

impl UsedMasters {
    /// True where none was used.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// What was measured on a calibrated light.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct Measures {
    pub background_adu: f64,
    pub noise_adu: f64,
}

/// One bias, dark, flat-dark or flat frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct CalibrationEntry {
    pub file: String,
    pub watch: String,
    pub kind: Kind,
    pub rig: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_utc: Option<String>,
    /// used, left-out, waiting, spare or refused
    pub state: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub master: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rejected_low_fraction: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rejected_high_fraction: Option<f64>,
}

/// One master built or used this night.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct MasterEntry {
    pub product: String,
    pub kind: Kind,
    pub rig: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<String>,
    pub exposure_s: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Of a supplied master, as its header counts them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames_used: Option<usize>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames_left_out: Option<usize>,
    pub method: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rejected_low_fraction: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rejected_high_fraction: Option<f64>,
    pub level_adu: f64,
    pub noise_adu: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temporal_noise_adu: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ideal_noise_adu: Option<f64>,
}

/// A file outside the lights and calibration frames.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct PlainEntry {
    pub file: String,
    pub watch: String,
    pub reason: String,
}

/// Something to be shot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct ShootEntry {
    pub rig: String,
    pub kind: Kind,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exposure_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rotator_deg: Option<f64>,
    pub count: usize,
    pub why: String,
}

/// Calibrated subframes of one target through one filter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct Count {
    pub target: String,
    pub filter: String,
    pub frames: usize,
    pub integration_s: f64,
}
