//! One night in brief: what the lists of all nights, of targets and of sensors are made of.
//!
//! A light counts as kept where it is calibrated and not set aside, measured or not: until it is
//! measured nothing speaks against it.

use super::{Ledger, NightState, SensorEntry};

/// A night in brief, derived from its log alone.
#[derive(Clone, Debug, PartialEq)]
pub struct NightSummary {
    /// Evening date.
    pub night: String,
    /// Whether more may come.
    pub state: NightState,
    /// Files seen.
    pub ledger: Ledger,
    /// Lights that wait for a master.
    pub waiting: usize,
    /// Lights by rig, target and filter, sorted so.
    pub integrations: Vec<Integration>,
    /// What the sky and the optics did, by rig and filter, sorted so.
    pub conditions: Vec<Conditions>,
    /// What the night's frames say of the sensors, in the log's order.
    pub sensors: Vec<SensorEntry>,
    /// How many warnings the log carries.
    pub warnings: usize,
    /// How many entries stand under what to shoot.
    pub to_shoot: usize,
}

impl NightSummary {
    /// Integration time of all kept lights, seconds.
    pub fn kept_s(&self) -> f64 {
        self.integrations.iter().map(|part| part.kept_s).sum()
    }

    /// Lights kept.
    pub fn kept(&self) -> usize {
        self.integrations.iter().map(|part| part.kept).sum()
    }

    /// Lights calibrated and set aside.
    pub fn set_aside(&self) -> usize {
        self.integrations
            .iter()
            .map(|part| part.frames - part.kept)
            .sum()
    }
}

/// Calibrated lights of one target through one filter of one rig.
#[derive(Clone, Debug, PartialEq)]
pub struct Integration {
    /// The rig.
    pub rig: String,
    /// The target; empty where the headers name none.
    pub target: String,
    /// The filter.
    pub filter: String,
    /// Calibrated.
    pub frames: usize,
    /// Of these, kept; never more than `frames`.
    pub kept: usize,
    /// Exposure of all calibrated, seconds.
    pub integration_s: f64,
    /// Exposure of those kept, seconds.
    pub kept_s: f64,
    /// How deep they are together.
    pub depth: Depth,
}

/// How far lights together bring a faint signal out of the noise: what their signal-to-noise ratio
/// follows from. Lights whose noise is not known in electrons have no part in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Depth {
    /// Their exposure, seconds.
    pub seconds: f64,
    /// The squares of exposure over pixel noise, added up, in seconds squared per electron squared.
    pub squares: f64,
}

/// Medians over the kept lights of one rig through one filter.
#[derive(Clone, Debug, PartialEq)]
pub struct Conditions {
    /// The rig.
    pub rig: String,
    /// The filter.
    pub filter: String,
    /// Full width at half maximum, pixels.
    pub fwhm_px: Option<f64>,
    /// Full width at half maximum, arcseconds.
    pub fwhm_arcsec: Option<f64>,
    /// Long axis of the stars over the short one.
    pub elongation: Option<f64>,
    /// Background, ADU.
    pub background_adu: Option<f64>,
    /// Background, ADU per second of exposure.
    pub background_adu_per_s: Option<f64>,
}
