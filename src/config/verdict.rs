//! The `verdict` part of a profile: when its lights are set aside.

use serde::Deserialize;

use crate::facts::VerdictLimits;

use super::bounds::within;
use super::text::{Fault, steps};

#[derive(Default, Deserialize)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with elongation, fwhm_ratio, transparency, stars_ratio, sky_ratio or \
                 pointing_fraction"
)]
pub(super) struct RawVerdict {
    elongation: Option<f64>,
    fwhm_ratio: Option<f64>,
    transparency: Option<f64>,
    stars_ratio: Option<f64>,
    sky_ratio: Option<f64>,
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
