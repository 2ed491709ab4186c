//! Darks of another exposure than the lights', against the simulator's truth.

use std::fs;

use dawnledger::fits::read_header;

use crate::observatory::stamps;
use crate::planes::{self, Night, UNCERTAIN};

/// Lights of 120 s; a sensor whose dark signal is proportional to time and some hundred ADU.
fn night(dark_s: u32, scaling: &str) -> Night {
    let scenario = planes::NIGHT.replace(
        "kind: dark, exposure_s: 120",
        &format!("kind: dark, exposure_s: {dark_s}"),
    );
    let dark = "dark: {rule: required, min_frames: 5";
    let profile = crate::SOUTH.replace(dark, &format!("{dark}{scaling}"));
    planes::night_of(&format!("{profile}{UNCERTAIN}"), &scenario)
}

const ALLOWED: &str = ", scaling: ccd-without-glow";

#[test]
fn scaled_darks_leave_the_truth_and_their_noise_is_known() {
    for (dark_s, k, warned) in [(300, 0.4, false), (60, 2.0, true)] {
        let night = night(dark_s, ALLOWED);
        for light in &night.log.lights {
            assert_eq!(light.dark_scale, Some(k));
            assert!(light.masters.bias.is_some() && light.masters.dark.is_some());
        }
        let up = night.log.warnings.iter().any(|w| w.contains("scaled up"));
        assert_eq!(up, warned, "{:?}", night.log.warnings);
        planes::scatter_around_the_truth(&night);
    }
}

#[test]
fn the_factor_stands_in_the_product_and_outlives_the_catalogue() {
    let night = night(300, ALLOWED);
    let path = night.light(0);
    let header = read_header(&path).unwrap();
    assert_eq!(header.number("DLSCALE"), Some(0.4));
    let before = stamps(&night.here.products());
    fs::remove_dir_all(night.here.path("state")).unwrap();
    night.here.once();
    assert_eq!(stamps(&night.here.products()), before);
    assert_eq!(night.here.session("2026-09-05"), night.log);
}

#[test]
fn lights_wait_where_the_profile_does_not_allow_it() {
    let night = night(300, "");
    for light in &night.log.lights {
        let reason = light.reason.as_deref().unwrap();
        assert!(
            reason.contains("exposure is 300 s, wanted 120 s"),
            "{reason}"
        );
    }
}
