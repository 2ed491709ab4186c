//! The `verdict` part of a profile: when its lights are set aside.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::VerdictLimits;

use super::bounds::within;
use super::text::{Fault, steps};

/// When a light is set aside: beyond the limit and far from the others of its group.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with elongation, fwhm_ratio, transparency, stars_ratio, sky_ratio or \
                 pointing_fraction"
)]
#[schemars(rename = "Verdict")]
pub(super) struct RawVerdict {
    /// Stars' long axis over their short one, at most; 0.2 more below 2 pixels of width.
    #[schemars(range(min = 1.05, max = 100), extend("default" = 1.4))]
    elongation: Option<f64>,
    /// Width of the stars over the group's, at most.
    #[schemars(range(min = 1.05, max = 100), extend("default" = 1.4))]
    fwhm_ratio: Option<f64>,
    /// Flux of the same stars over that in the group's best lights, at least.
    #[schemars(range(min = 0, max = 0.95), extend("default" = 0.7))]
    transparency: Option<f64>,
    /// Number of stars over the group's, at least.
    #[schemars(range(min = 0, max = 0.95), extend("default" = 0.5))]
    stars_ratio: Option<f64>,
    /// Sky level over the group's, at most.
    #[schemars(range(min = 1.05, max = 100), extend("default" = 2))]
    sky_ratio: Option<f64>,
    /// Shift of the field as a fraction of the frame's side, at most.
    #[schemars(range(min = 0.01, max = 1), extend("default" = 0.1))]
    pointing_fraction: Option<f64>,
}

pub(super) fn check(raw: &RawVerdict) -> Result<VerdictLimits, Fault> {
    let value = |given: Option<f64>, usual: f64, range: (f64, f64), unit: &str, key: &str| {
        within(given.unwrap_or(usual), range, unit, &steps!["verdict", key])
    };
    let usual = VerdictLimits::default();
    // A limit of 1 would set aside half of all lights, and a fraction of 0 keep them all.
    let (above, below) = ((1.05, 100.0), (0.0, 0.95));
    Ok(VerdictLimits {
        elongation: value(raw.elongation, usual.elongation, above, "", "elongation")?,
        fwhm_ratio: value(
            raw.fwhm_ratio,
            usual.fwhm_ratio,
            above,
            "times the group's",
            "fwhm_ratio",
        )?,
        transparency: value(
            raw.transparency,
            usual.transparency,
            below,
            "of the best lights'",
            "transparency",
        )?,
        stars_ratio: value(
            raw.stars_ratio,
            usual.stars_ratio,
            below,
            "of the group's",
            "stars_ratio",
        )?,
        sky_ratio: value(
            raw.sky_ratio,
            usual.sky_ratio,
            above,
            "times the group's",
            "sky_ratio",
        )?,
        pointing_fraction: value(
            raw.pointing_fraction,
            usual.pointing_fraction,
            (0.01, 1.0),
            "of the frame's side",
            "pointing_fraction",
        )?,
    })
}
