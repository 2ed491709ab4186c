//! Darks of another exposure than the lights', against the simulator's truth.

use std::fs;

use dawnledger::fits::read_header;

use crate::observatory::stamps;
use crate::planes::{self, Night, UNCERTAIN};

/// Lights of 120 s; a sensor whose dark signal is proportional to time and some hundred ADU.
fn night(scenario: &str, dark_s: u32, scaling: &str) -> Night {
    let scenario = scenario.replace(
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
        let night = night(planes::NIGHT, dark_s, ALLOWED);
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
    let night = night(planes::NIGHT, 300, ALLOWED);
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
    let night = night(planes::NIGHT, 300, "");
    for light in &night.log.lights {
        let reason = light.reason.as_deref().unwrap();
        assert!(
            reason.contains("exposure is 300 s, wanted 120 s"),
            "{reason}"
        );
    }
}

/// Dark charge and hot pixels, as a CCD has them; glow, and a held black level, as it has not.
#[test]
fn a_false_claim_about_the_sensor_is_told_and_a_true_one_is_not() {
    let glow = ", glow_e_per_s: 2";
    assert!(planes::NIGHT.contains(glow));
    for (sensor, wanted) in [
        ("", None),
        (", dark_e_per_s: 0.5", None),
        (", glow_e_per_s: 0.1", Some("darks of 300 s glow by ")),
        (
            ", dark_e_per_s: 0.5, holds_black: true",
            Some("darks of 300 s lie below the level that their noise tells by "),
        ),
    ] {
        let scenario = planes::NIGHT.replace(glow, sensor);
        let scenario = match sensor.contains("dark_e_per_s") {
            true => scenario.replace(", dark_e_per_s: 0.02", ""),
            false => scenario,
        };
        for scaling in [ALLOWED, ""] {
            let log = night(&scenario, 300, scaling).log;
            let warnings = log
                .warnings
                .iter()
                .filter(|w| w.contains("ccd-without-glow"));
            let warnings: Vec<&String> = warnings.collect();
            let wanted = wanted.filter(|_| scaling == ALLOWED);
            assert_eq!(
                warnings.len(),
                usize::from(wanted.is_some()),
                "{warnings:?}"
            );
            for (warning, wanted) in warnings.iter().zip(wanted) {
                assert!(warning.contains(wanted), "{warning}");
                assert!(warning.contains(" ADU, limit "), "{warning}");
            }
        }
    }
}
