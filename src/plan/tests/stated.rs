//! What is stated of a sensor's gain, against what flats and bias say.

use super::bench::{FakeDisk, night, profile, settings};
use super::darks::pair;
use crate::facts::*;

const NIGHT: &str = "2026-09-05";

/// A converter whose steps are so many ADU apart, and a gain of 0.25 electrons per ADU: 4 ADU for each electron.
fn figures(step: f64) -> SensorFigures {
    SensorFigures::Transfer(Transfer {
        bias: pair(500.0, 400.0),
        flats: vec![pair(25_500.0, 400.0 + 4.0 * 25_000.0)],
        step,
        darkest: 0.8,
    })
}

/// The warnings of a night whose lights state this gain, and whose profile states this of its sensor.
fn warnings(step: f64, header: Option<f64>, sensor: Option<Sensor>) -> Vec<String> {
    let mut profile = profile("north", "Petrel*");
    profile.sensor = sensor;
    let mut disk = FakeDisk::new(settings(vec![profile]));
    let mut entries = night(NIGHT);
    for entry in &mut entries {
        if let Content::Frame { frame, .. } = &mut entry.content
            && frame.kind == Kind::Light
        {
            let mut stated = Frame::clone(frame);
            stated.electrons_per_adu = header;
            *frame = stated.into();
        }
    }
    disk.put(entries);
    for task in disk.plan().to_know {
        let key = task.key();
        disk.snapshot.sensors.insert(key, figures(step));
    }
    let mut plan = disk.run();
    plan.warnings
        .remove(&NIGHT.parse().unwrap())
        .unwrap_or_default()
}

/// Headers that state a gain per step of the converter, and others that are wrong by another ratio.
#[test]
fn a_gain_per_step_of_the_converter_is_told_from_a_wrong_one() {
    let lights = |said: f64, more: &str| {
        vec![format!(
            "north: lights' headers say {said} electrons per ADU at gain 100, flats and bias say 0.2500 +- \
             0.0000{more}"
        )]
    };
    let of_four = "; the ratio is the converter's step of 4 ADU";
    let of_sixteen = "; the ratio is the converter's step of 16 ADU";
    for (step, said, wanted) in [
        (4.0, 1.0, lights(1.0, of_four)),
        // Within a tenth.
        (4.0, 1.08, lights(1.08, of_four)),
        (16.0, 4.0, lights(4.0, of_sixteen)),
        (4.0, 1.12, lights(1.12, "")),
        (4.0, 0.5, lights(0.5, "")),
        (4.0, 4.0, lights(4.0, "")),
        (16.0, 1.0, lights(1.0, "")),
        (1.0, 0.28, lights(0.28, "")),
        (4.0, 0.25, Vec::new()),
    ] {
        let found = warnings(step, Some(said), None);
        assert_eq!(found, wanted, "a step of {step}, {said} stated");
    }
}

/// The same of a profile's gain; a read noise that is wrong by as much has another reason.
#[test]
fn a_profile_s_gain_per_step_is_told_and_a_wrong_read_noise_is_not() {
    // 20 ADU of noise, of which the steps of 4 ADU make 4/sqrt(12), are 4.99 electrons.
    for (electrons_per_adu, read_noise_e, wanted) in [
        (
            1.0,
            5.0,
            Some(
                "electrons per ADU at gain 100, flats and bias say 0.2500 +- 0.0000; \
                         the ratio is the converter's step of 4 ADU",
            ),
        ),
        (
            0.25,
            20.0,
            Some("electrons of read noise at gain 100, flats and bias say 4.9917 +- 0.0000"),
        ),
        (0.25, 5.0, None),
    ] {
        let sensor = Sensor {
            read_noise_e,
            electrons_per_adu,
        };
        let found = warnings(4.0, None, Some(sensor));
        assert_eq!(found.len(), usize::from(wanted.is_some()), "{found:?}");
        for (found, wanted) in found.iter().zip(wanted) {
            assert!(found.ends_with(wanted), "{found}");
        }
    }
}
