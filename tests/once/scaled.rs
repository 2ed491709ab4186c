//! Darks of another exposure than the lights', against the simulator's truth.

use std::fs;

use dawnledger::facts::{Kind, SessionLog};
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

/// Dark charge and hot pixels, as a CCD has them; glow, as it has not.
#[test]
fn a_false_claim_about_the_sensor_is_told_and_a_true_one_is_not() {
    for (sensor, told) in [
        ("", false),
        (", dark_e_per_s: 0.5", false),
        (", glow_e_per_s: 0.1", true),
    ] {
        for scaling in [ALLOWED, ""] {
            let log = night(&with_sensor(sensor), 300, scaling).log;
            let told = told && scaling == ALLOWED;
            let found = one_at_most(&log, "ccd-without-glow");
            assert_eq!(found.is_some(), told, "{sensor}");
            if let Some(warning) = found {
                assert!(warning.contains("darks of 300 s glow by "), "{warning}");
                assert!(warning.contains(" ADU, limit "), "{warning}");
            }
        }
    }
}

/// A camera that holds its black level: no dark is scaled, flats want flat-darks, and both are told.
#[test]
fn a_held_black_level_forces_matched_darks_and_flat_darks() {
    let held = with_sensor(", dark_e_per_s: 0.5, holds_black: true");
    let flat_darks =
        "      - {kind: flat-dark, exposure_s: 2, start: '2026-09-06T05:00:00Z', count: 9}\n";
    for (dark_s, more, lights, flats) in [
        (300, "", None, None),
        (300, flat_darks, None, Some(Kind::FlatDark)),
        (120, "", None, None),
        (120, flat_darks, Some(Kind::Dark), Some(Kind::FlatDark)),
    ] {
        let night = night(&format!("{held}{more}"), dark_s, ALLOWED);
        let warning = one_at_most(&night.log, "holds its black level").unwrap();
        let words = format!("darks of {dark_s} s lie below the level that their noise tells by ");
        assert!(warning.contains(&words), "{warning}");
        assert!(warning.contains(" ADU, limit "), "{warning}");
        for light in &night.log.lights {
            assert_eq!(light.dark_scale, None);
            assert_eq!(light.masters.dark.is_some(), lights.is_some(), "{light:?}");
        }
        let asked = |kind| night.log.to_shoot.iter().any(|shoot| shoot.kind == kind);
        assert_eq!(asked(Kind::FlatDark), flats.is_none());
        assert_eq!(asked(Kind::Dark), dark_s == 300);
        let flat = night
            .log
            .masters
            .iter()
            .find(|master| master.kind == Kind::Flat);
        let has_flat = flat.is_some_and(|flat| night.here.products().join(&flat.product).exists());
        assert_eq!(has_flat, flats.is_some());
        if let Some(flat) = flat.filter(|_| has_flat) {
            let header = read_header(&night.here.products().join(&flat.product)).unwrap();
            let subtracted = header.text("DLM00001").unwrap();
            assert!(subtracted.starts_with("flat-dark "), "{subtracted}");
        }
    }
}

/// The night with another sensor, which has no glow unless it is said.
fn with_sensor(sensor: &str) -> String {
    let glow = ", glow_e_per_s: 2";
    assert!(planes::NIGHT.contains(glow));
    let scenario = planes::NIGHT.replace(glow, sensor);
    match sensor.contains("dark_e_per_s") {
        true => scenario.replace(", dark_e_per_s: 0.02", ""),
        false => scenario,
    }
}

fn one_at_most<'l>(log: &'l SessionLog, words: &str) -> Option<&'l String> {
    let mut warnings = log.warnings.iter().filter(|w| w.contains(words));
    let found = warnings.next();
    assert_eq!(warnings.next(), None);
    found
}
