//! What a night's log, and the history over all nights, say of the sensors.

use serde::{Deserialize, Serialize};

use super::super::{Colour, DarkEffect, Need};

/// What the night's calibration frames say of a sensor at one gain setting, or what is known of the
/// sensor that took the night's lights: one entry for each exposure and temperature of its darks. Errors
/// are standard errors.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct SensorEntry {
    /// Absent in the history, where it stands above the list; so is `camera`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub rig: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub camera: String,
    /// The camera's own setting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readout_mode: Option<String>,
    /// Columns, then rows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub binning: Option<[u32; 2]>,
    /// Evening date of the flats behind gain, read noise and linearity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flats_of: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain_e_per_adu: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain_error_e_per_adu: Option<f64>,
    /// Of a colour sensor the gain of each colour.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub colours: Vec<ColourGain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read_noise_e: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read_noise_error_e: Option<f64>,
    /// Largest departure of the noise of flats from a straight line over their level, in parts of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub linearity: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub linearity_error: Option<f64>,
    /// Evening date of the darks behind what follows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub darks_of: Option<String>,
    /// Of the darks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exposure_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// By the noise of darks: it holds for a camera that hides its dark level, too. Without glow, as far as
    /// that can be told; the error says how far.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark_current_e_per_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark_current_error_e_per_s: Option<f64>,
    /// By their level above the bias.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark_level_e_per_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark_level_error_e_per_s: Option<f64>,
    /// Height of the smooth structure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub glow_e_per_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub glow_error_e_per_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hot_pixels_per_megapixel: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hot_pixels_error_per_megapixel: Option<f64>,
    /// needed, not-needed or unknown
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub darks: Option<Need>,
    /// Does it need darks, with the numbers behind it; empty where nothing can be said.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub dark_verdict: String,
    /// The numbers behind it: electrons for fixed-pattern, glow and black-level, a number per megapixel for
    /// hot-pixels, a part of the sky for level.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dark_checks: Vec<DarkCheckEntry>,
}

/// The gain of the photosites of one colour.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct ColourGain {
    pub colour: Colour,
    pub gain_e_per_adu: f64,
    pub gain_error_e_per_adu: f64,
}

/// Something that darks remove beside its limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct DarkCheckEntry {
    pub effect: DarkEffect,
    pub value: f64,
    pub limit: f64,
}

/// Value of the `schema` key of the sensors' history.
pub const SENSORS_SCHEMA: &str = "dawnledger-sensors/1";

/// What the nights' logs say of the sensors whose frames were shot in them, one list for each sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct SensorHistory {
    pub schema: String,
    pub sensors: Vec<SensorNights>,
}

/// One rig's camera at one gain setting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct SensorNights {
    pub rig: String,
    pub camera: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain: Option<f64>,
    pub nights: Vec<SensorNight>,
}

/// One entry of a night's log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct SensorNight {
    pub night: String,
    #[serde(flatten)]
    pub entry: SensorEntry,
}
