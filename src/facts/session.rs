//! The session log: the contract that scripts rely on. Keys keep their names and meaning.

use std::collections::BTreeMap;
mod sensors;

use serde::{Deserialize, Serialize};

use super::{ChannelLine, ColourSky, Finding, Kind, RowOrder, SetAside, Trail};

pub use sensors::{
    ColourGain, DarkCheckEntry, SENSORS_SCHEMA, SensorEntry, SensorHistory, SensorNight,
    SensorNights,
};

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
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub groups: Vec<GroupEntry>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sensors: Vec<SensorEntry>,
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
    /// Planes of single spectral lines, by line, relative to the output folder.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub planes: BTreeMap<String, String>,
    #[serde(default, skip_serializing_if = "UsedMasters::is_empty")]
    pub masters: UsedMasters,
    /// Factor on the dark's signal, where the dark is of another exposure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dark_scale: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measures: Option<Measures>,
    /// The sky on the photosites of each colour of a colour sensor.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sky: Vec<ColourSky>,
    /// kept or set-aside; absent until it is measured
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set_aside_for: Vec<SetAside>,
    /// The rules it fails, one for each word of `set_aside_for`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trails: Vec<Trail>,
}

/// Whether a light is worth keeping.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// It passes every rule.
    Kept,
    /// It fails at least one.
    SetAside,
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

/// What was measured on a calibrated light. Everything but background and noise is absent until
/// its stars are measured; what compares it with the others of its group is absent where its
/// stars do not match theirs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct Measures {
    pub background_adu: f64,
    pub noise_adu: f64,
    /// The same in electrons, where the gain is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise_e: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gradient_adu: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stars: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fwhm_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fwhm_arcsec: Option<f64>,
    /// Robust standard deviation from star to star.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fwhm_spread_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half_flux_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elongation: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elongation_angle_deg: Option<f64>,
    /// Robust standard deviation from star to star.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elongation_spread: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transparency: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shift_x_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shift_y_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shift_arcsec: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rotation_deg: Option<f64>,
    /// Scale of the field over that of the group's reference light.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub airmass: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sky_e_per_s: Option<f64>,
}

/// Lights that are judged together: one rig, field, filter and exposure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct GroupEntry {
    pub rig: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    pub filter: String,
    pub exposure_s: f64,
    /// Measured lights.
    pub frames: usize,
    pub kept: usize,
    /// Medians over the kept lights, or over all where none is kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fwhm_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fwhm_arcsec: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elongation: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub background_adu: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stars: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pixel_scale_arcsec: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sky_e_per_s: Option<f64>,
    /// Medians of the sky on the photosites of each colour of a colour sensor.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sky: Vec<ColourSky>,
    /// Where the first stored row lies in the picture; absent where the headers do not say.
    #[serde(default, skip_serializing_if = "RowOrder::is_unstated")]
    pub row_order: RowOrder,
    /// Median full widths of nine zones of the field, three rows of three, first stored row first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub zones_fwhm_px: Vec<Option<f64>>,
    /// Median elongations in the same zones, and the middle direction of the long axes, degrees from
    /// the columns' axis towards the rows', 0 to 180.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub zones_elongation: Vec<Option<f64>>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub zones_angle_deg: Vec<Option<f64>>,
    /// Drift of the pointing over the group, where its lights match.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift_arcsec_per_h: Option<f64>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jumps: Vec<JumpEntry>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub clouds: Vec<CloudEntry>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channel_lines: Vec<ChannelLine>,
    /// The product that shows the group best.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub best: Option<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub advice: Vec<String>,
}

/// A sudden change of the pointing that stayed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct JumpEntry {
    /// Start of the first light after it.
    pub at_utc: String,
    pub px: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arcsec: Option<f64>,
}

/// A dip of the transparency.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "the field names are the contract and say it all"
)]
pub struct CloudEntry {
    /// Start of the first light in it.
    pub from_utc: String,
    /// Start of the last.
    pub to_utc: String,
    pub lowest_transparency: f64,
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
    /// How it fits the lights calibrated with it: 0 fits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fit_slope: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fit_error: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fit: Option<String>,
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
    /// Calibrated.
    pub frames: usize,
    /// Of these, kept; absent until all are measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kept: Option<usize>,
    /// Of all calibrated lights.
    pub integration_s: f64,
    /// Of those kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kept_s: Option<f64>,
}
