//! Which frames are measured for the sensor's sake, and what the rule `measured` makes of it.

use jiff::SignedDuration;

use super::bench::{FakeDisk, evening, profile, series, settings};
use crate::facts::*;

const NIGHT: &str = "2026-09-05";

fn hours(night: &str, hours: i64) -> jiff::Timestamp {
    evening(night) + SignedDuration::from_hours(hours)
}

/// Bias, flats and darks by day, then lights.
fn entries(lights: usize) -> Vec<Entry> {
    let mut all = series(Kind::Flat, 4, hours(NIGHT, -1), |_| {});
    all.extend(series(Kind::Light, lights, hours(NIGHT, 1), |_| {}));
    all.extend(series(Kind::Bias, 4, hours(NIGHT, 7), |_| {}));
    all.extend(series(Kind::Dark, 4, hours(NIGHT, 8), |_| {}));
    all
}

fn disk(entries: Vec<Entry>) -> FakeDisk {
    disk_by(Rule::Measured, entries)
}

fn disk_by(rule: Rule, entries: Vec<Entry>) -> FakeDisk {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.dark.rule = rule;
    let mut disk = FakeDisk::new(settings(vec![profile]));
    disk.put(entries);
    disk
}

pub(super) fn pair(level: f64, variance: f64) -> Vec<Pair> {
    vec![Pair {
        colour: None,
        level,
        variance: Estimate {
            value: variance,
            error: 0.0,
        },
        pixels: 1_000_000,
    }]
}

/// A gain of 1, a read noise of 3; lights of 800 ADU over a bias of 500 have a noise of 17.6.
pub(super) fn figures(task: &SensorTask, glow: f64) -> SensorFigures {
    let known = |value| Estimate { value, error: 0.0 };
    match &task.exposed {
        Exposed::Flats(_) => SensorFigures::Transfer(Transfer {
            bias: pair(500.0, 9.0),
            flats: vec![pair(25_500.0, 25_009.0)],
            step: 0.0,
            darkest: 0.8,
        }),
        Exposed::Darks(_) => SensorFigures::Dark(DarkSignal {
            bias_level: 500.0,
            bias_variance: known(9.0),
            middle: 0.0,
            level: known(0.0),
            tail: known(0.0),
            variance: known(0.0),
            pattern: known(0.0),
            glow: known(glow),
            hot_per_megapixel: known(0.0),
            pixels: 1_000_000,
        }),
    }
}

/// Measures what is asked for, then makes everything.
fn run(disk: &mut FakeDisk, glow: f64) -> Plan {
    for task in disk.plan().to_know {
        disk.snapshot
            .sensors
            .insert(task.key(), figures(&task, glow));
    }
    disk.run()
}

fn needs(plan: &Plan) -> Vec<Need> {
    let verdicts = plan
        .sensors
        .iter()
        .filter_map(|state| state.verdict.as_ref());
    verdicts.map(|verdict| verdict.need).collect()
}

/// Kinds of what comes off the lights, without repetition.
fn subtracted(disk: &FakeDisk, plan: &Plan) -> Vec<Kind> {
    let mut kinds: Vec<Kind> = plan
        .lights
        .values()
        .filter_map(|state| match state {
            LightState::Calibrated(print) => Some(disk.snapshot.made[print].masters[0].kind),
            _ => None,
        })
        .collect();
    kinds.sort();
    kinds.dedup();
    kinds
}

fn names(task: &SensorTask) -> Vec<String> {
    task.inputs()
        .map(|input| input.file.path.to_string())
        .collect()
}

#[test]
fn the_earliest_frames_are_measured_and_once() {
    let mut disk = disk(entries(3));
    let asked = disk.plan().to_know;
    let darks: Vec<_> = asked
        .iter()
        .filter(|task| matches!(task.exposed, Exposed::Darks(_)))
        .collect();
    assert_eq!((asked.len(), darks.len()), (2, 1));
    let wanted = [
        ("bias", 4, 0),
        ("bias", 4, 1),
        ("dark", 5, 0),
        ("dark", 5, 1),
    ];
    let wanted = wanted.map(|(kind, hour, minute)| {
        format!("{kind}-north-none-2026-09-06T0{hour}:0{minute}:00Z.fits")
    });
    assert_eq!(names(darks[0]), wanted);
    run(&mut disk, 0.0);
    assert_eq!(disk.plan().to_know, []);
    // The set grows.
    disk.put(series(Kind::Dark, 3, hours(NIGHT, 9), |_| {}));
    assert_eq!(disk.plan().to_know, []);
    // A set of another night is another measure.
    disk.put(series(Kind::Dark, 3, hours("2026-09-20", 9), |_| {}));
    assert_eq!(disk.plan().to_know.len(), 1);
}

#[test]
fn frames_that_have_gone_are_still_known_and_are_not_measured() {
    let mut before = disk(entries(3));
    let mut after = before.clone();
    let vanish = |disk: &mut FakeDisk| {
        let darks = disk.snapshot.entries.iter_mut();
        let mut darks = darks.filter(|entry| entry.file.path.to_string().starts_with("dark-"));
        darks.next().unwrap().present = false;
    };
    vanish(&mut before);
    let asked = before.plan().to_know;
    assert!(
        asked
            .iter()
            .flat_map(names)
            .all(|name| !name.contains("06T05:00"))
    );
    assert!(
        asked
            .iter()
            .flat_map(names)
            .any(|name| name.contains("06T05:02"))
    );
    run(&mut after, 0.0);
    vanish(&mut after);
    assert_eq!(after.plan().to_know, []);
    assert_eq!(needs(&after.plan()), [Need::NotNeeded]);
}

#[test]
fn lights_wait_until_the_sensor_is_measured() {
    let plan = disk(entries(3)).plan();
    for state in plan.lights.values() {
        assert_eq!(*state, LightState::Waiting(Box::new(Wait::Sensor)));
    }
}

/// Half the noise of a stack of 4 is 4.4 electrons, of 40 it is 1.4: a glow of 2 matters to the second.
#[test]
fn the_stack_decides_and_grows() {
    let mut disk = disk(entries(4));
    let plan = run(&mut disk, 2.0);
    assert_eq!(
        (needs(&plan), subtracted(&disk, &plan)),
        (vec![Need::NotNeeded], vec![Kind::Bias])
    );
    let spare = plan
        .calibration
        .values()
        .filter(|state| matches!(state, CalibrationState::Spare(_)));
    assert_eq!(spare.count(), 4);
    disk.put(series(Kind::Light, 36, hours(NIGHT, 2), |_| {}));
    let plan = run(&mut disk, 2.0);
    assert_eq!(
        (needs(&plan), subtracted(&disk, &plan)),
        (vec![Need::Needed], vec![Kind::Dark])
    );
    assert!(
        plan.lights
            .values()
            .all(|state| matches!(state, LightState::Calibrated(_)))
    );
}

/// The same files in any order, measured at any time, end in the same products.
#[test]
fn order_of_arrival_plays_no_part() {
    let all = entries(12);
    let mut at_once = disk(all.clone());
    run(&mut at_once, 1.0);
    let mut bit_by_bit = disk(Vec::new());
    for entry in all.into_iter().rev() {
        bit_by_bit.put([entry]);
        run(&mut bit_by_bit, 1.0);
    }
    assert_eq!(at_once.tree(), bit_by_bit.tree());
}

#[test]
fn what_is_needed_for_one_exposure_is_not_for_another() {
    let mut all = entries(4);
    all.extend(series(Kind::Light, 4, hours(NIGHT, 3), |frame| {
        frame.exposure = Seconds::new(60.0).unwrap();
    }));
    let mut disk = disk(all);
    let plan = run(&mut disk, 0.0);
    assert_eq!(needs(&plan), [Need::Unknown, Need::NotNeeded]);
    let waits = plan
        .lights
        .values()
        .filter(|state| matches!(state, LightState::Waiting(_)));
    assert_eq!(waits.count(), 4);
    let warnings = &plan.warnings[&NIGHT.parse().unwrap()];
    assert!(
        warnings[0].ends_with("two dark (60 s at -10 C) frames at gain 100 settle it"),
        "{warnings:?}"
    );
}

/// Whatever the rule, the sensor is measured; where there are darks, they say all that flats alone would.
#[test]
fn a_night_says_nothing_twice() {
    let mut all = entries(0);
    all.extend(series(Kind::Light, 4, hours(NIGHT, 3), |frame| {
        frame.exposure = Seconds::new(60.0).unwrap();
    }));
    let mut disk = disk_by(Rule::Never, all);
    let plan = run(&mut disk, 0.0);
    assert_eq!(plan.sensors.len(), 1, "{:?}", plan.sensors);
    assert!(plan.sensors[0].dark.is_some() && plan.sensors[0].transfer.is_some());
    assert_eq!(plan.sensors[0].verdict, None);
    assert!(plan.warnings.is_empty(), "{:?}", plan.warnings);
}

/// Another gain is another sensor.
#[test]
fn flats_of_another_gain_say_nothing() {
    let mut all = entries(4);
    for entry in &mut all {
        if let Content::Frame { frame, .. } = &mut entry.content
            && frame.kind == Kind::Flat
        {
            let mut other = Frame::clone(frame);
            let camera = Camera {
                gain: Setting::new(0.0),
                ..Camera::clone(&other.camera)
            };
            other.camera = camera.into();
            *frame = other.into();
        }
    }
    let mut disk = disk(all);
    disk.put(series(Kind::Bias, 3, hours(NIGHT, 10), |frame| {
        let camera = Camera {
            gain: Setting::new(0.0),
            ..Camera::clone(&frame.camera)
        };
        frame.camera = camera.into();
    }));
    let plan = run(&mut disk, 0.0);
    let verdict = plan
        .sensors
        .iter()
        .find_map(|state| state.verdict.clone())
        .unwrap();
    assert_eq!(
        verdict.missing.as_deref(),
        Some("two flat frames at gain 100 settle it")
    );
}

/// A claim that darks contradict concerns their own night, and lights they are scaled for; lights of
/// their own exposure take no harm.
#[test]
fn a_false_claim_is_told_to_whom_it_concerns() {
    const LATER: &str = "2026-09-20";
    for (exposure, wanted) in [(300.0, &[NIGHT][..]), (600.0, &[NIGHT, LATER])] {
        let mut profile = profile("north", "Petrel*");
        profile.calibration.dark.rule = Rule::Required;
        profile.calibration.dark.scaled = true;
        let mut disk = FakeDisk::new(settings(vec![profile]));
        disk.put(entries(0));
        disk.put(series(Kind::Light, 3, hours(LATER, 1), |light| {
            light.exposure = Seconds::new(exposure).unwrap();
        }));
        let plan = run(&mut disk, 50.0);
        let tell = |all: &&Vec<String>| all.iter().any(|one| one.contains("ccd-without-glow"));
        let told = plan.warnings.iter().filter(|(_, all)| tell(all));
        let told: Vec<String> = told.map(|(night, _)| night.to_string()).collect();
        assert_eq!(told, wanted, "lights of {exposure} s: {:?}", plan.warnings);
    }
}
