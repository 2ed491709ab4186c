//! What the log says of sensors, and darks by the rule `measured`.

use std::fs;

use dawnledger::facts::{DarkEffect, Kind, Need, SensorEntry, SensorHistory, SessionLog};

use crate::observatory::{Observatory, said, stamps};

const NIGHT: &str = "2026-09-05";

/// Darks as the sensor asks for them.
const PROFILE: &str = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 4}
  dark: {rule: measured, min_frames: 4}
  flat-dark: {rule: never}
  flat: {rule: required, min_frames: 4}
";

/// A night of a sensor with a gain of 0.4 electrons per ADU and a read noise of 2.5 electrons.
fn scenario(sensor: &str, darks: usize, cards: &str) -> String {
    format!(
        "rigs:
  - camera: Petrel 26M
    sensor: {{width: 192, height: 128, e_per_adu: 0.4, read_noise_e: 2.5, jitter_c: 0, {sensor}}}
    filters: [{{name: L, sky_e_per_s: 2}}]
    targets: [{{name: Veil Nebula, stars: 8}}]
    cards: {{{cards}}}
    runs:
      - {{kind: flat, filter: L, exposure_s: 2, level: 0.3, start: '2026-09-05T19:00:00Z', count: 4}}
      - {{kind: light, filter: L, target: Veil Nebula, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 4}}
      - {{kind: bias, start: '2026-09-06T04:00:00Z', count: 4}}
      - {{kind: dark, exposure_s: 120, start: '2026-09-06T04:10:00Z', count: {darks}}}
"
    )
}

/// A sensor of which nothing is left to take away: no dark current, no hot pixels.
const CLEAN: &str = "dark_e_per_s: 0, hot_pixels_per_million: 0";

fn night(profile: &str, scenario: &str) -> (Observatory, SessionLog) {
    let here = Observatory::new(&[("north", profile)], "");
    here.shoot(scenario);
    here.once();
    let log = here.session(NIGHT);
    assert_eq!(log.lights.len(), 4);
    (here, log)
}

fn only(log: &SessionLog) -> &SensorEntry {
    assert_eq!(log.sensors.len(), 1, "{:#?}", log.sensors);
    &log.sensors[0]
}

fn above(entry: &SensorEntry) -> Vec<DarkEffect> {
    let checks = entry.dark_checks.iter();
    checks
        .filter(|check| check.value > check.limit)
        .map(|check| check.effect)
        .collect()
}

/// Are the lights calibrated with a dark, or with a bias?
fn subtracted(log: &SessionLog) -> Kind {
    let kinds = log
        .lights
        .iter()
        .map(|light| match (&light.masters.dark, &light.masters.bias) {
            (Some(_), _) => Kind::Dark,
            (None, Some(_)) => Kind::Bias,
            _ => panic!("{light:?}"),
        });
    let mut kinds: Vec<Kind> = kinds.collect();
    kinds.dedup();
    assert_eq!(kinds.len(), 1);
    kinds[0]
}

fn within(value: Option<f64>, error: Option<f64>, truth: f64) {
    let (value, error) = (value.unwrap(), error.unwrap());
    assert!(
        (value - truth).abs() < 4.0 * error,
        "{value} +- {error} for {truth}"
    );
    assert!(error > 0.0);
}

#[test]
fn a_sensor_without_dark_signal_needs_no_darks() {
    let (here, log) = night(PROFILE, &scenario(CLEAN, 4, ""));
    let entry = only(&log);
    assert_eq!(entry.darks, Some(Need::NotNeeded), "{}", entry.dark_verdict);
    assert_eq!(entry.dark_checks.len(), 4);
    assert!(
        entry
            .dark_verdict
            .starts_with("darks are not needed: fixed pattern ")
    );
    assert_eq!(subtracted(&log), Kind::Bias);
    assert!(log.masters.iter().all(|master| master.kind != Kind::Dark));
    let darks = log
        .calibration
        .iter()
        .filter(|frame| frame.kind == Kind::Dark);
    for dark in darks {
        assert_eq!(dark.state, "spare");
        assert_eq!(dark.reason.as_deref(), Some(&*entry.dark_verdict));
    }
    within(entry.gain_e_per_adu, entry.gain_error_e_per_adu, 0.4);
    within(entry.read_noise_e, entry.read_noise_error_e, 2.5);
    within(
        entry.dark_current_e_per_s,
        entry.dark_current_error_e_per_s,
        0.0,
    );
    within(
        entry.dark_level_e_per_s,
        entry.dark_level_error_e_per_s,
        0.0,
    );
    assert_eq!((entry.gain, entry.offset), (Some(100.0), Some(50.0)));
    assert_eq!(
        (entry.exposure_s, entry.temperature_c),
        (Some(120.0), Some(-10.0))
    );
    assert!(log.warnings.is_empty(), "{:?}", log.warnings);
    let told = said(&here.call(&["log", NIGHT]));
    assert!(
        told.contains("north-pier, 120 s, -10 C, gain 100: not needed; nearest: "),
        "{told}"
    );

    // It is measured once, and known again where everything is made again.
    let before = stamps(&here.products());
    assert!(!here.once().contains("measured the sensor"));
    fs::remove_dir_all(here.path("state")).unwrap();
    assert!(here.once().contains("measured the sensor"));
    assert_eq!(stamps(&here.products()), before);
}

#[test]
fn each_thing_that_darks_remove_asks_for_them() {
    for (sensor, effects) in [
        (
            "dark_e_per_s: 0, hot_pixels_per_million: 0, glow_e_per_s: 0.5",
            vec![DarkEffect::Glow],
        ),
        (
            "dark_e_per_s: 0, hot_pixels_per_million: 3000",
            vec![DarkEffect::HotPixels],
        ),
        (
            "dark_e_per_s: 0.8, hot_pixels_per_million: 0",
            vec![DarkEffect::FixedPattern, DarkEffect::Level],
        ),
    ] {
        let (_, log) = night(PROFILE, &scenario(sensor, 4, ""));
        let entry = only(&log);
        assert_eq!(entry.darks, Some(Need::Needed), "{}", entry.dark_verdict);
        assert_eq!(above(entry), effects, "{}", entry.dark_verdict);
        assert_eq!(subtracted(&log), Kind::Dark);
    }
}

/// The simulator's lights are dithered by some pixels; headers say where they point.
#[test]
fn hot_pixels_are_put_up_with_where_the_lights_are_dithered() {
    let sensor = "dark_e_per_s: 0, hot_pixels_per_million: 500";
    for (dither, need) in [(3, Need::NotNeeded), (0, Need::Needed)] {
        let dithered = format!("target: Veil Nebula, dither_px: {dither}, exposure_s: 120");
        let scenario =
            scenario(sensor, 4, "").replace("target: Veil Nebula, exposure_s: 120", &dithered);
        let (_, log) = night(PROFILE, &scenario);
        assert_eq!(only(&log).darks, Some(need), "{}", only(&log).dark_verdict);
    }
}

/// Two darks make no master, yet they settle the question.
#[test]
fn two_darks_are_enough() {
    let (_, log) = night(PROFILE, &scenario(CLEAN, 2, ""));
    assert_eq!(only(&log).darks, Some(Need::NotNeeded));
    assert_eq!(subtracted(&log), Kind::Bias);
}

#[test]
fn lights_wait_for_darks_until_there_are_enough_to_tell() {
    let (here, log) = night(PROFILE, &scenario(CLEAN, 1, ""));
    assert!(log.lights.iter().all(|light| light.state == "waiting"));
    let missing = "two dark (120 s at -10 C) frames at gain 100 settle it";
    assert!(
        only(&log).dark_verdict.ends_with(missing),
        "{:?}",
        log.sensors
    );
    assert!(
        log.warnings
            .iter()
            .any(|warning| warning.ends_with(missing)),
        "{:?}",
        log.warnings
    );
    let told = said(&here.call(&["log", NIGHT]));
    assert!(
        told.contains("not known whether needed; two dark (120 s at"),
        "{told}"
    );
    // More of them come.
    here.shoot(&scenario(CLEAN, 2, ""));
    here.once();
    let log = here.session(NIGHT);
    assert_eq!(
        (only(&log).darks, subtracted(&log)),
        (Some(Need::NotNeeded), Kind::Bias)
    );
}

#[test]
fn what_is_stated_wrongly_is_warned_of() {
    let sensor = format!("{PROFILE}sensor: {{read_noise_e: 2.5, electrons_per_adu: 1.6}}\n");
    // A converter of 14 bits, stored in 16, has steps of 4 ADU: 1.6 electrons each.
    for (bits, told) in [
        (16, ""),
        (14, "; the ratio is the converter's step of 4 ADU"),
    ] {
        let scenario = scenario(&format!("{CLEAN}, bits: {bits}"), 4, "EGAIN: 1.6");
        let (_, log) = night(&sensor, &scenario);
        for wanted in [
            "north-pier: lights' headers say 1.6 electrons per ADU at gain 100, flats and bias say 0.",
            "north-pier: the profile's `sensor` says 1.6 electrons per ADU at gain 100, flats and bias say 0.",
        ] {
            let mut warnings = log.warnings.iter();
            let found = warnings.find(|warning| warning.starts_with(wanted));
            let words = found.and_then(|found| found.find(';').map(|at| &found[at..]));
            assert!(found.is_some(), "{:?}", log.warnings);
            assert_eq!(words.unwrap_or_default(), told, "{bits} bits");
        }
        assert_eq!(log.warnings.len(), 2, "{:?}", log.warnings);
    }
}

/// One list for each sensor, one line for each night in which its frames were shot; it outlives the
/// catalogue and the raw files.
#[test]
fn the_history_holds_all_nights() {
    let (here, _) = night(PROFILE, &scenario(CLEAN, 4, ""));
    let later = scenario(CLEAN, 4, "")
        .replace("2026-09-05T", "2026-09-20T")
        .replace("2026-09-06T", "2026-09-21T");
    here.shoot(&format!("seed: 7\n{later}").replace(
        "camera: Petrel 26M\n",
        "camera: Petrel 26M\n    folder: later\n",
    ));
    here.once();
    let path = here.products().join("sensors.yaml");
    let text = fs::read_to_string(&path).unwrap();
    let history: SensorHistory = serde_yaml::from_str(&text).unwrap();
    assert_eq!(history.schema, "dawnledger-sensors/1");
    assert_eq!(history.sensors.len(), 1);
    let list = &history.sensors[0];
    assert_eq!(
        (&*list.rig, &*list.camera, list.gain),
        ("north-pier", "Petrel 26M", Some(100.0))
    );
    let nights: Vec<&str> = list.nights.iter().map(|line| &*line.night).collect();
    assert_eq!(nights, [NIGHT, "2026-09-20"]);
    for line in &list.nights {
        within(
            line.entry.gain_e_per_adu,
            line.entry.gain_error_e_per_adu,
            0.4,
        );
    }
    for folder in [here.path("state"), here.incoming()] {
        fs::remove_dir_all(&folder).unwrap();
        fs::create_dir_all(&folder).unwrap();
    }
    fs::remove_file(&path).unwrap();
    here.once();
    assert_eq!(fs::read_to_string(&path).unwrap(), text);
}
