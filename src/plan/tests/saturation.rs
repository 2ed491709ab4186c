//! Where pixels count as saturated: what one light shows holds for others.

use jiff::SignedDuration;

use super::bench::{FakeDisk, evening, night, profile, series, settings};
use super::darks::{figures, pair};
use crate::facts::*;

/// Lights of a night with what their own pixels say: saturation level, step, highest sample.
fn lights(night: &str, gain: f64, own: &[(f64, u32, f64)]) -> Vec<Entry> {
    let start = evening(night) + SignedDuration::from_hours(1 + gain as i64);
    let mut entries = series(Kind::Light, own.len(), start, |light| {
        let camera = Camera {
            gain: Setting::new(gain),
            ..Camera::clone(&light.camera)
        };
        light.camera = camera.into();
    });
    for (entry, &(saturation, step, highest)) in entries.iter_mut().zip(own) {
        if let Content::Frame { sample, .. } = &mut entry.content {
            let sample = sample.as_mut().unwrap();
            (sample.saturation, sample.step) = (saturation, Some(step));
            sample.highest = Some([highest; 4]);
        }
    }
    entries
}

/// The levels in the recipes of what is to be made of lights, in the lights' order.
fn levels(disk: &FakeDisk) -> Vec<f64> {
    let mut disk = disk.clone();
    let mut levels = std::collections::BTreeMap::new();
    while let Some(task) = disk.plan().tasks.first() {
        if let Recipe::Light(recipe) = &task.recipe {
            levels.insert(recipe.facts.start, recipe.extras.mask.unwrap());
        }
        disk.step();
    }
    levels.into_values().collect()
}

#[test]
fn a_level_at_which_one_light_piles_up_holds_for_its_night_and_camera() {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.flat.rule = Rule::Never;
    profile.products.mask = true;
    let mut disk = FakeDisk::new(settings(vec![profile]));
    for (hours, gain) in [(7, 0.0), (8, 1.0)] {
        let start = evening("2026-09-05") + SignedDuration::from_hours(hours);
        disk.put(series(Kind::Bias, 4, start, |bias| {
            let camera = Camera {
                gain: Setting::new(gain),
                ..Camera::clone(&bias.camera)
            };
            bias.camera = camera.into();
        }));
    }
    let (format, piled) = (65_535.0, 16_383.0);
    let dim = (format, 1, 9000.0);
    let bright = (piled, 1, piled);
    disk.put(lights(
        "2026-09-05",
        0.0,
        &[dim, bright, (format, 4, 9000.0), dim],
    ));
    disk.put(lights("2026-09-05", 1.0, &[dim]));
    disk.put(lights("2026-09-06", 0.0, &[dim]));
    // What another goes beyond is no end of the converter: neither here nor in the light itself.
    disk.put(lights(
        "2026-09-07",
        0.0,
        &[(7000.0, 1, 7000.0), dim, bright],
    ));
    let night = [piled, piled, piled, piled, format];
    assert_eq!(levels(&disk), [&night[..], &[format], &[piled; 3]].concat());
}

#[test]
fn of_several_frames_the_lowest_level_that_none_goes_beyond() {
    let common = |own: &[(f64, Option<[f64; 4]>)]| {
        let entries = lights("2026-09-05", 0.0, &[(0.0, 1, 0.0)]);
        let Content::Frame { sample, .. } = &entries[0].content else {
            unreachable!()
        };
        let own = own.iter().map(|&(saturation, highest)| Sample {
            saturation,
            highest,
            ..(**sample.as_ref().unwrap()).clone()
        });
        let samples: Vec<Sample> = own.collect();
        Sample::common_saturation(samples.iter())
    };
    let all = |highest: f64| Some([highest; 4]);
    assert_eq!(common(&[]), None);
    let format = 65_535.0;
    let piled = (9000.0, all(9000.0));
    assert_eq!(common(&[(format, all(400.0)), piled]), Some(9000.0));
    assert_eq!(common(&[(format, all(9001.0)), piled]), Some(format));
    // An older version's frames do not say how far they go.
    assert_eq!(common(&[(format, None), piled]), Some(9000.0));
    // A profile's level, which samples go beyond.
    assert_eq!(
        common(&[(8000.0, all(9001.0)), (8000.0, all(700.0))]),
        Some(8000.0)
    );
    assert_eq!(
        common(&[(8000.0, all(9001.0)), (700.0, all(700.0))]),
        Some(8000.0)
    );
    // Colours that end at levels of their own; another frame shows the highest of them alone.
    let scaled = (12_000.0, Some([15_000.0, 12_000.0, 12_000.0, 14_000.0]));
    let red = (15_000.0, Some([15_000.0, 4000.0, 4000.0, 900.0]));
    assert_eq!(common(&[(format, all(400.0)), red, scaled]), Some(12_000.0));
    // A stuck column, where the colour beside it is never so bright.
    let stuck = (5000.0, Some([900.0, 5000.0, 900.0, 5000.0]));
    let light = |green| (format, Some([15_000.0, green, green, 700.0]));
    assert_eq!(common(&[light(4000.0), stuck]), Some(5000.0));
    assert_eq!(common(&[light(5001.0), stuck]), Some(format));
}

/// A readout that is stuck at one number is left out, and no word on the others.
#[test]
fn a_flat_of_one_value_says_nothing_of_its_set() {
    let mut disk = FakeDisk::new(settings(vec![profile("north", "Petrel*")]));
    let mut flats = series(Kind::Flat, 4, evening("2026-09-05"), |_| {});
    for (number, entry) in flats.iter_mut().enumerate() {
        if let Content::Frame { sample, .. } = &mut entry.content {
            let sample = sample.as_mut().unwrap();
            sample.highest = Some([25_100.0; 4]);
            if number == 0 {
                (sample.saturation, sample.step, sample.highest) =
                    (1000.0, None, Some([1000.0; 4]));
                let plane = &mut sample.planes;
                plane
                    .iter_mut()
                    .for_each(|plane| (plane.level, plane.saturated) = (1000.0, 1.0));
            }
        }
    }
    disk.put(flats);
    let plan = disk.plan();
    let out = plan.calibration.values();
    let out = out.filter(|state| matches!(state, CalibrationState::LeftOut(_)));
    assert_eq!(out.count(), 1);
}

/// Flats at half of 14 bits are too dark for 16, unless a dark of their night shows where it ends.
#[test]
fn what_a_dark_shows_holds_for_the_flats_of_its_night() {
    for (night, taken) in [("2026-09-05", true), ("2026-09-06", false)] {
        let mut disk = FakeDisk::new(settings(vec![profile("north", "Petrel*")]));
        let start = evening("2026-09-05");
        let mut flats = series(Kind::Flat, 4, start, |_| {});
        for entry in &mut flats {
            if let Content::Frame { sample, .. } = &mut entry.content {
                let sample = sample.as_mut().unwrap();
                sample
                    .planes
                    .iter_mut()
                    .for_each(|plane| plane.level = 8000.0);
            }
        }
        let start = evening(night) + SignedDuration::from_hours(7);
        let mut darks = series(Kind::Dark, 1, start, |_| {});
        if let Content::Frame { sample, .. } = &mut darks[0].content {
            let sample = sample.as_mut().unwrap();
            (sample.saturation, sample.highest) = (16_383.0, Some([16_383.0; 4]));
        }
        disk.put(series(
            Kind::Bias,
            4,
            start + SignedDuration::from_hours(1),
            |_| {},
        ));
        disk.put(flats);
        disk.put(darks);
        let plan = disk.run();
        let out = plan.calibration.values();
        let out = out.filter(|state| matches!(state, CalibrationState::LeftOut(_)));
        assert_eq!(out.count(), if taken { 0 } else { 4 }, "{night}");
    }
}

/// Flats whose noise falls somewhere: told, unless the profile says where already, or the levels are nearly
/// the same and the noise may have another reason.
#[test]
fn flats_of_a_full_sensor_ask_for_a_word_in_the_profile() {
    for (stated, last, told) in [
        (None, pair(64_500.0, 300.0), true),
        (Some(64_500.0), pair(64_500.0, 300.0), false),
        (Some(64_501.0), pair(64_500.0, 300.0), true),
        (None, pair(64_500.0, 64_009.0), false),
        (None, pair(44_000.0, 300.0), false),
    ] {
        let mut profile = profile("north", "Petrel*");
        profile.saturation_adu = stated;
        let mut disk = FakeDisk::new(settings(vec![profile]));
        disk.put(night("2026-09-05"));
        for task in disk.plan().to_know {
            let mut found = figures(&task, 0.0);
            if let SensorFigures::Transfer(transfer) = &mut found {
                let others = [pair(20_500.0, 20_009.0), pair(40_500.0, 40_009.0)];
                transfer.flats = others.into_iter().chain([last.clone()]).collect();
            }
            disk.snapshot.sensors.insert(task.key(), found);
        }
        let plan = disk.run();
        let warnings: Vec<&String> = plan.warnings.values().flatten().collect();
        let words = "north: the noise of flats at gain 100 grows up to 40000 ADU above the bias and has \
                     fallen at 64000: the sensor is full between them, want `saturation_adu` in the profile";
        assert_eq!(
            warnings,
            if told { vec![words] } else { vec![] },
            "{stated:?}"
        );
    }
}
