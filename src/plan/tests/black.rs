//! What follows where darks say that their camera holds its black level.

use jiff::SignedDuration;

use super::bench::{FakeDisk, evening, profile, series, settings};
use super::darks::figures;
use crate::facts::*;

const NIGHT: &str = "2026-09-05";
const LATER: &str = "2026-09-15";

/// Beside a read noise of 3 ADU.
const HELD: f64 = -1.6;
const AS_IT_SHOULD_BE: f64 = -1.4;

fn hours(night: &str, hours: i64) -> jiff::Timestamp {
    evening(night) + SignedDuration::from_hours(hours)
}

/// Bias, flats, darks of 300 s and three lights of so many seconds.
fn disk(profile: Profile, light_s: f64) -> FakeDisk {
    let mut disk = FakeDisk::new(settings(vec![profile]));
    disk.put(series(Kind::Flat, 4, hours(NIGHT, -1), |_| {}));
    disk.put(series(Kind::Light, 3, hours(NIGHT, 1), |light| {
        light.exposure = Seconds::new(light_s).unwrap();
    }));
    disk.put(series(Kind::Bias, 4, hours(NIGHT, 7), |_| {}));
    disk.put(series(Kind::Dark, 4, hours(NIGHT, 8), |_| {}));
    disk
}

fn with_rules(dark: Rule, flat_dark: Rule) -> Profile {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.dark.rule = dark;
    profile.calibration.flat_dark.rule = flat_dark;
    profile
}

/// Measures what is asked for, with darks that lie so far above their bias; then makes everything.
fn run(disk: &mut FakeDisk, level: f64) -> Plan {
    for task in disk.plan().to_know {
        let mut found = figures(&task, 0.0);
        if let SensorFigures::Dark(dark) = &mut found {
            dark.level.value = level;
        }
        disk.snapshot.sensors.insert(task.key(), found);
    }
    disk.run()
}

fn warnings(plan: &Plan, night: &str) -> Vec<String> {
    let all = plan.warnings.get(&night.parse().unwrap());
    let about = |words: &&String| words.contains("black level");
    all.into_iter().flatten().filter(about).cloned().collect()
}

/// What comes off a master flat, and off the lights; nothing where they wait.
fn subtracted(disk: &FakeDisk, plan: &Plan) -> (Option<Kind>, Option<Kind>) {
    let made = &disk.snapshot.made;
    let is_flat = |master: &&PlannedMaster| master.facts.kind == Kind::Flat;
    let flat = plan.masters.values().find(is_flat).unwrap();
    let flat = (flat.state == MasterState::Made).then(|| flat.masters[0].kind);
    let light = plan.lights.values().next().unwrap();
    let light = light.product().map(|print| made[print].masters[0].kind);
    (flat, light)
}

#[test]
fn a_rule_that_leaves_it_open_does_so_no_longer() {
    use Kind::{Bias, Dark};
    for (level, dark, flat_dark, light_s, wanted) in [
        // Where the level is as it should be, the bias serves where a dark does not.
        (
            AS_IT_SHOULD_BE,
            Rule::IfPresent,
            Rule::IfPresent,
            60.0,
            (Some(Bias), Some(Bias)),
        ),
        (HELD, Rule::IfPresent, Rule::IfPresent, 60.0, (None, None)),
        (HELD, Rule::IfPresent, Rule::Never, 60.0, (Some(Bias), None)),
        (
            HELD,
            Rule::IfPresent,
            Rule::Never,
            300.0,
            (Some(Bias), Some(Dark)),
        ),
        // Nothing else asks for darks here.
        (
            AS_IT_SHOULD_BE,
            Rule::Measured,
            Rule::Never,
            300.0,
            (Some(Bias), Some(Bias)),
        ),
        (
            HELD,
            Rule::Measured,
            Rule::Never,
            300.0,
            (Some(Bias), Some(Dark)),
        ),
        // Never is never.
        (
            HELD,
            Rule::Never,
            Rule::Never,
            300.0,
            (Some(Bias), Some(Bias)),
        ),
    ] {
        let mut disk = disk(with_rules(dark, flat_dark), light_s);
        let plan = run(&mut disk, level);
        let found = subtracted(&disk, &plan);
        assert_eq!(found, wanted, "{level} {dark:?} {flat_dark:?} {light_s}");
        assert_eq!(warnings(&plan, NIGHT).len(), usize::from(level == HELD));
    }
}

#[test]
fn what_is_wanted_is_asked_for_and_then_taken() {
    let mut disk = disk(with_rules(Rule::IfPresent, Rule::IfPresent), 60.0);
    let plan = run(&mut disk, HELD);
    let list = &plan.to_shoot[&NIGHT.parse().unwrap()];
    let kinds: Vec<Kind> = list.iter().map(|shoot| shoot.kind).collect();
    assert_eq!(kinds, [Kind::Dark, Kind::FlatDark], "{list:?}");
    for shoot in list {
        assert!(
            shoot.why.ends_with("; the camera holds its black level"),
            "{shoot:?}"
        );
    }
    disk.put(series(Kind::FlatDark, 3, hours(NIGHT, 9), |_| {}));
    disk.put(series(Kind::Dark, 3, hours(NIGHT, 10), |dark| {
        dark.exposure = Seconds::new(60.0).unwrap();
    }));
    let plan = run(&mut disk, HELD);
    assert_eq!(
        subtracted(&disk, &plan),
        (Some(Kind::FlatDark), Some(Kind::Dark))
    );
}

#[test]
fn no_dark_is_scaled_whatever_the_profile_says() {
    for (level, scaled) in [(AS_IT_SHOULD_BE, true), (HELD, false)] {
        let mut profile = with_rules(Rule::Required, Rule::Never);
        profile.calibration.dark.scaled = true;
        let mut disk = disk(profile, 150.0);
        let plan = run(&mut disk, level);
        let print = plan.lights.values().next().unwrap().product();
        let scale = print.map(|print| disk.snapshot.made[print].masters[0].scale);
        assert_eq!(scale, scaled.then_some(Some(0.5)));
    }
}

#[test]
fn it_is_told_with_value_limit_and_what_follows() {
    let said = |dark, flat_dark| {
        let plan = run(&mut disk(with_rules(dark, flat_dark), 300.0), HELD);
        warnings(&plan, NIGHT)
    };
    assert_eq!(
        said(Rule::IfPresent, Rule::IfPresent),
        [
            "north: darks of 300 s lie below the level that their noise tells by 1.6 ADU, limit 1.5 \
             ADU: the camera holds its black level; lights and flats take darks of their own \
             exposure only"
        ]
    );
    assert_eq!(
        said(Rule::Never, Rule::Never),
        [
            "north: darks of 300 s lie below the level that their noise tells by 1.6 ADU, limit 1.5 \
             ADU: the camera holds its black level; lights and flats want darks of their own \
             exposure, but the profile's rules are `never`"
        ]
    );
    let plan = run(
        &mut disk(with_rules(Rule::Measured, Rule::Never), 300.0),
        HELD,
    );
    let verdict = plan.sensors.iter().find_map(|state| state.verdict.as_ref());
    let words = verdict.unwrap().to_string();
    assert!(words.starts_with("darks are needed: "), "{words}");
    assert!(
        words.contains("; black level too low by 1.60 e-, limit 1.50 e-"),
        "{words}"
    );
}

/// Darks of a later night say that it is not held, of charge that their level follows: they decide from
/// then on. What says nothing changes nothing.
#[test]
fn of_several_sets_the_latest_before_that_tells() {
    for (later, charge, held) in [(50.0, 50.0, false), (0.0, 0.0, true), (50.0, 60.0, true)] {
        let mut disk = disk(with_rules(Rule::Never, Rule::Never), 300.0);
        disk.put(series(Kind::Light, 3, hours(LATER, 1), |_| {}));
        run(&mut disk, HELD);
        disk.put(series(Kind::Dark, 4, hours(LATER, -2), |_| {}));
        for task in disk.plan().to_know {
            let mut found = figures(&task, 0.0);
            if let SensorFigures::Dark(dark) = &mut found {
                dark.level.value = later;
                dark.variance.value = charge;
            }
            disk.snapshot.sensors.insert(task.key(), found);
        }
        let plan = disk.run();
        assert_eq!(warnings(&plan, NIGHT).len(), 1);
        assert_eq!(!warnings(&plan, LATER).is_empty(), held, "{later} {charge}");
    }
}

/// Darks between two rows of lights of one night: those before go by an older set, whose level follows its
/// charge, those after by these. Lights that are alike otherwise are not planned alike.
#[test]
fn of_one_night_some_lights_may_go_by_it_and_others_not() {
    let kinds = |dark: Rule, scaled: bool, light_s: f64| {
        let mut profile = with_rules(dark, Rule::Never);
        profile.calibration.dark.scaled = scaled;
        let mut disk = FakeDisk::new(settings(vec![profile]));
        disk.put(series(Kind::Flat, 4, hours(NIGHT, -1), |_| {}));
        disk.put(series(Kind::Bias, 4, hours(NIGHT, -2), |_| {}));
        disk.put(series(Kind::Dark, 4, hours("2026-09-02", 3), |_| {}));
        let shoot = |disk: &mut FakeDisk, hour: i64| {
            disk.put(series(Kind::Light, 2, hours(NIGHT, hour), |light| {
                light.exposure = Seconds::new(light_s).unwrap();
            }));
        };
        shoot(&mut disk, 1);
        shoot(&mut disk, 3);
        let know = |disk: &mut FakeDisk, level: f64, charge: f64| {
            for task in disk.plan().to_know {
                let mut found = figures(&task, 0.0);
                if let SensorFigures::Dark(dark) = &mut found {
                    (dark.level.value, dark.variance.value) = (level, charge);
                }
                disk.snapshot.sensors.insert(task.key(), found);
            }
            disk.run()
        };
        let before = know(&mut disk, 50.0, 50.0);
        disk.put(series(Kind::Dark, 4, hours(NIGHT, 2), |_| {}));
        let after = know(&mut disk, HELD, 0.0);
        [before, after].map(|plan| {
            let lights = disk.light_states(&plan);
            let made = &disk.snapshot.made;
            let kind = |state: &LightState| {
                let made = made.get(state.product()?)?;
                Some((made.masters[0].kind, made.masters[0].scale))
            };
            lights.iter().map(kind).collect::<Vec<_>>()
        })
    };
    let (bias, dark) = (Some((Kind::Bias, None)), Some((Kind::Dark, None)));
    let [before, after] = kinds(Rule::Measured, false, 300.0);
    // What was made of the last two before is superseded.
    assert_eq!(before, [bias, bias, None, None]);
    assert_eq!(after, [bias, bias, dark, dark]);
    let [_, after] = kinds(Rule::Required, true, 150.0);
    let half = Some((Kind::Dark, Some(0.5)));
    assert_eq!(after, [half, half, None, None]);
    // What was made of the last two stands on file when they are planned again.
    let [_, after] = kinds(Rule::IfPresent, false, 60.0);
    assert_eq!(after, [bias, bias, None, None]);
}
