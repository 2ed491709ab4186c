//! Single rules, one small table each.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};

use super::bench::*;
use crate::facts::*;
use crate::measure::METHODS;
use crate::plan::{Patience, explain, names};

fn waits(plan: &Plan) -> Vec<String> {
    plan.lights
        .values()
        .map(|state| match state {
            LightState::Waiting(wait) => wait.to_string(),
            other => format!("{other:?}"),
        })
        .collect()
}

fn disk(profile: Profile, entries: Vec<Entry>) -> FakeDisk {
    let mut disk = FakeDisk::new(settings(vec![profile]));
    disk.put(entries);
    disk
}

fn darks_only() -> Profile {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.dark = rule(Rule::Required, 3, 24);
    profile.calibration.flat.rule = Rule::IfPresent;
    profile
}

/// Which kinds a light was calibrated with.
fn used(disk: &FakeDisk) -> Vec<Vec<Kind>> {
    let plan = disk.plan();
    plan.lights
        .values()
        .map(|state| match state {
            LightState::Calibrated(fingerprint) => disk.snapshot.made[fingerprint]
                .masters
                .iter()
                .map(|used| used.kind)
                .collect(),
            other => panic!("{other:?}"),
        })
        .collect()
}

#[test]
fn a_light_without_flats_waits_and_they_are_asked_for() {
    let mut entries = night("2026-09-05");
    entries.extend(series(Kind::Light, 2, evening("2026-09-05"), |frame| {
        frame.filter = "SII".into();
    }));
    entries.extend(series(Kind::Flat, 1, evening("2026-09-05"), |frame| {
        frame.filter = "SII".into();
    }));
    let mut disk = disk(profile("north", "Petrel*"), entries);
    let plan = disk.run();
    let waiting: Vec<String> = waits(&plan)
        .into_iter()
        .filter(|wait| wait.contains("SII"))
        .collect();
    assert_eq!(waiting.len(), 2);
    assert!(
        waiting[0].contains("has 1 usable frames, the profile asks for at least 3"),
        "{}",
        waiting[0]
    );
    let shoot = &plan.to_shoot[&"2026-09-05".parse().unwrap()];
    assert_eq!(shoot.len(), 1);
    assert_eq!(
        (shoot[0].kind, shoot[0].filter.as_deref(), shoot[0].count),
        (Kind::Flat, Some("SII"), 3)
    );
    assert_eq!(
        shoot[0].why,
        "2 lights of Veil wait for it; 1 of 3 are there, 2 more within 6 h of them do too"
    );
}

#[test]
fn a_rotator_that_jitters_asks_once() {
    let mut entries = series(Kind::Bias, 3, evening("2026-09-05"), |_| {});
    let angles = [359.6, 0.2, 0.4, 359.9, 90.0];
    for (number, angle) in angles.into_iter().enumerate() {
        let start = evening("2026-09-05") + SignedDuration::from_hours(number as i64);
        entries.extend(series(Kind::Light, 1, start, |frame| {
            frame.rotator = Degrees::new(angle);
        }));
    }
    let mut disk = disk(profile("north", "Petrel*"), entries);
    let plan = disk.run();
    let asked: Vec<(Option<f64>, usize, &str)> = plan.to_shoot[&"2026-09-05".parse().unwrap()]
        .iter()
        .map(|shoot| {
            (
                shoot.rotator.map(Degrees::get),
                shoot.count,
                shoot.why.as_str(),
            )
        })
        .collect();
    assert_eq!(
        asked,
        [
            (Some(359.9), 3, "4 lights of Veil wait for it"),
            (Some(90.0), 3, "1 light of Veil waits for it")
        ]
    );
}

#[test]
fn dark_tolerances_are_limits_not_grids() {
    let start = evening("2026-09-05");
    for (light, dark, fits) in [
        ((300.0, -10.0), (300.0, -10.9), true),
        ((300.0, -10.0), (300.0, -11.0), true),
        ((300.0, -10.0), (300.0, -11.2), false),
        ((300.0, -10.0), (306.0, -10.0), true),
        ((300.0, -10.0), (307.0, -10.0), false),
        ((300.0, -10.0), (30.0, -10.0), false),
    ] {
        let set = |(exposure, temperature): (f64, f64)| {
            move |frame: &mut Frame| {
                frame.exposure = Seconds::new(exposure).unwrap();
                frame.temperature = Celsius::new(temperature);
                frame.set_point = None;
            }
        };
        let mut entries = series(Kind::Light, 1, start, set(light));
        entries.extend(series(Kind::Dark, 3, start, set(dark)));
        let mut disk = disk(darks_only(), entries);
        let plan = disk.run();
        let calibrated = matches!(disk.light_states(&plan)[..], [LightState::Calibrated(_)]);
        assert_eq!(calibrated, fits, "{light:?} {dark:?}: {:?}", waits(&plan));
    }
}

#[test]
fn eligibility_depends_on_capture_time_alone() {
    for (kind, nights, fits) in [
        (Kind::Flat, -14, true),
        (Kind::Flat, -15, false),
        (Kind::Flat, 3, true),
        (Kind::Flat, 4, false),
        (Kind::Bias, -180, true),
        (Kind::Bias, -181, false),
        (Kind::Bias, 7, true),
        (Kind::Bias, 8, false),
    ] {
        let start = evening("2026-09-05");
        let then = start + SignedDuration::from_hours(24 * nights);
        let at = |this: Kind| if this == kind { then } else { start };
        let mut entries = series(Kind::Light, 1, start, |_| {});
        entries.extend(series(Kind::Bias, 3, at(Kind::Bias), |_| {}));
        if kind == Kind::Bias {
            // The flats have a bias of their own: gain and offset of a flat may differ.
            let other = |frame: &mut Frame| {
                let mut camera = (*frame.camera).clone();
                camera.gain = Setting::new(0.0);
                frame.camera = camera.into();
            };
            entries.extend(series(
                Kind::Bias,
                3,
                start + SignedDuration::from_mins(10),
                other,
            ));
            entries.extend(series(Kind::Flat, 3, start, other));
        } else {
            entries.extend(series(Kind::Flat, 3, at(Kind::Flat), |_| {}));
            let theirs = at(Kind::Flat) + SignedDuration::from_mins(10);
            entries.extend(series(Kind::Bias, 3, theirs, |_| {}));
        }
        let mut disk = disk(profile("north", "Petrel*"), entries);
        let plan = disk.run();
        let calibrated = matches!(disk.light_states(&plan)[..], [LightState::Calibrated(_)]);
        assert_eq!(
            calibrated,
            fits,
            "{kind} {nights} nights away: {:?}",
            waits(&plan)
        );
    }
}

#[test]
fn flats_never_cross_a_train_change() {
    let mut changed = profile("north", "Petrel*");
    changed.train_changes = vec!["2026-09-06".parse().unwrap()];
    let mut entries = night("2026-09-05");
    entries.extend(series(Kind::Light, 1, evening("2026-09-06"), |_| {}));
    let mut disk = disk(changed, entries);
    let plan = disk.run();
    let late = waits(&plan)
        .into_iter()
        .find(|wait| wait.contains("train"))
        .unwrap();
    assert!(late.contains("changed on 2026-09-06"), "{late}");
}

#[test]
fn rotator_angles_match_around_north_but_not_over_a_flip() {
    for (light, flat, fits) in [
        (359.5, 0.5, true),
        (90.0, 91.9, true),
        (90.0, 93.0, false),
        (90.0, 270.0, false),
    ] {
        let turn = |angle| move |frame: &mut Frame| frame.rotator = Degrees::new(angle);
        let start = evening("2026-09-05");
        let mut entries = series(Kind::Light, 1, start, turn(light));
        entries.extend(series(Kind::Flat, 3, start, turn(flat)));
        entries.extend(series(Kind::Bias, 3, start, |_| {}));
        let mut disk = disk(profile("north", "Petrel*"), entries);
        let plan = disk.run();
        let calibrated = matches!(disk.light_states(&plan)[..], [LightState::Calibrated(_)]);
        assert_eq!(calibrated, fits, "{light} {flat}: {:?}", waits(&plan));
    }
}

#[test]
fn a_flat_takes_flat_dark_else_bias_else_a_dark_of_like_exposure() {
    let start = evening("2026-09-05");
    for (has, wanted) in [
        (vec![Kind::FlatDark, Kind::Bias, Kind::Dark], Kind::FlatDark),
        (vec![Kind::Bias, Kind::Dark], Kind::Dark),
        (vec![Kind::Bias], Kind::Bias),
    ] {
        let mut lenient = profile("north", "Petrel*");
        lenient.calibration.flat_dark.rule = Rule::IfPresent;
        lenient.calibration.dark.rule = Rule::IfPresent;
        lenient.calibration.bias.rule = Rule::IfPresent;
        let mut entries = series(Kind::Flat, 3, start, |_| {});
        for kind in has {
            entries.extend(series(kind, 3, start, |frame| {
                if kind == Kind::Dark {
                    frame.exposure = Seconds::new(2.1).unwrap();
                }
            }));
        }
        let mut disk = disk(lenient, entries);
        disk.run();
        let flat = disk
            .snapshot
            .made
            .iter()
            .find(|made| {
                made.facts
                    .as_ref()
                    .is_some_and(|facts| facts.kind == Kind::Flat)
            })
            .unwrap();
        assert_eq!(
            flat.masters
                .iter()
                .map(|used| used.kind)
                .collect::<Vec<_>>(),
            [wanted]
        );
    }
}

#[test]
fn a_dark_replaces_the_bias_where_the_rule_has_one() {
    let mut entries = night("2026-09-05");
    entries.extend(series(Kind::Dark, 3, evening("2026-09-05"), |_| {}));
    let mut with = disk(darks_only(), entries.clone());
    with.run();
    assert_eq!(used(&with), vec![vec![Kind::Dark, Kind::Flat]; 3]);
    let mut without = disk(profile("north", "Petrel*"), entries);
    let plan = without.run();
    assert_eq!(used(&without), vec![vec![Kind::Bias, Kind::Flat]; 3]);
    let spare = plan
        .calibration
        .values()
        .filter(|state| matches!(state, CalibrationState::Spare(_)));
    assert_eq!(spare.count(), 3);
}

#[test]
fn a_measured_rule_acts_as_required_and_says_what_is_missing() {
    let mut measured = darks_only();
    measured.calibration.dark.rule = Rule::Measured;
    let mut disk = disk(measured, night("2026-09-05"));
    let plan = disk.run();
    assert!(
        waits(&plan)
            .iter()
            .all(|wait| wait.starts_with("no dark master"))
    );
    let warnings = &plan.warnings[&"2026-09-05".parse().unwrap()];
    assert_eq!(warnings.len(), 1);
    assert!(warnings[0].contains(
        "`measured` acts as `required`: two dark (300 s at -10 C) frames at gain 100 settle it"
    ));
}

#[test]
fn lights_at_a_gain_that_the_sensor_s_figures_are_not_for_are_warned_of() {
    let start = evening("2026-09-05");
    let warnings = |sensor: bool, change: fn(&mut Frame)| {
        let mut profile = profile("north", "Petrel*");
        profile.sensor = sensor.then_some(Sensor {
            read_noise_e: 3.0,
            electrons_per_adu: 0.5,
        });
        let mut entries = series(Kind::Light, 2, start, |_| {});
        let later = start + SignedDuration::from_hours(24);
        entries.extend(series(Kind::Light, 2, later, change));
        let warnings = disk(profile, entries).plan().warnings;
        let all: Vec<String> = warnings.into_values().flatten().collect();
        all
    };
    let doubled = |frame: &mut Frame| {
        let mut camera = (*frame.camera).clone();
        camera.gain = Setting::new(200.0);
        frame.camera = camera.into();
    };
    let stated = |frame: &mut Frame| frame.electrons_per_adu = Some(0.25);
    assert_eq!(
        warnings(true, doubled),
        [
            "north: lights at gain 200, the earliest ones at gain 100: the profile's `sensor` holds \
             for one gain only"
        ]
    );
    assert_eq!(
        warnings(true, stated),
        ["north: lights say 0.25 electrons per ADU, the profile's `sensor` says 0.5"]
    );
    let nominal = |frame: &mut Frame| frame.electrons_per_adu = Some(0.52);
    for (sensor, change) in [
        (false, doubled as fn(&mut Frame)),
        (false, stated),
        (true, nominal),
    ] {
        assert_eq!(warnings(sensor, change), [""; 0]);
    }
}

#[test]
fn copies_are_refused_by_the_name_of_the_original() {
    let mut entries = night("2026-09-05");
    let mut copy = entries[0].clone();
    copy.file.path = RelPath::new(std::path::Path::new("zz-copy.fits")).unwrap();
    entries.push(copy);
    let plan = disk(profile("north", "Petrel*"), entries).plan();
    let refused: Vec<&CalibrationState> = plan
        .calibration
        .values()
        .filter(|state| matches!(state, CalibrationState::Refused(_)))
        .collect();
    assert_eq!(refused.len(), 1);
    assert!(format!("{refused:?}").contains("byte-identical copy of incoming/flat-north"));
}

#[test]
fn short_shots_are_ignored_unless_the_whole_night_is_short() {
    let short = |frame: &mut Frame| frame.exposure = Seconds::new(4.0).unwrap();
    let focus = series(
        Kind::Light,
        1,
        evening("2026-09-05") - SignedDuration::from_hours(2),
        short,
    );
    let mut entries = night("2026-09-05");
    entries.extend(focus.clone());
    let plan = disk(profile("north", "Petrel*"), entries).plan();
    let ignored = plan
        .lights
        .values()
        .filter(|state| matches!(state, LightState::Ignored(_)));
    assert_eq!(ignored.count(), 1);
    // Many of them are no more a night's usual exposure than one.
    let focusing = evening("2026-09-05") - SignedDuration::from_hours(2);
    let mut many = night("2026-09-05");
    many.extend(series(Kind::Light, 12, focusing, short));
    let plan = disk(profile("north", "Petrel*"), many).plan();
    let ignored = plan
        .lights
        .values()
        .filter(|state| matches!(state, LightState::Ignored(_)));
    assert_eq!(ignored.count(), 12);
    let plan = disk(profile("north", "Petrel*"), focus).plan();
    assert!(
        plan.lights
            .values()
            .all(|state| !matches!(state, LightState::Ignored(_)))
    );
}

#[test]
fn lights_that_the_present_methods_have_not_measured_are_named() {
    let mut disk = disk(profile("north", "Petrel*"), night("2026-09-05"));
    let plan = disk.run();
    let lights: BTreeSet<Fingerprint> = plan
        .lights
        .values()
        .filter_map(LightState::product)
        .copied()
        .collect();
    let named = |disk: &FakeDisk| -> BTreeSet<Fingerprint> {
        let lights = disk.plan().to_measure.into_iter();
        lights.map(|light| light.fingerprint).collect()
    };
    assert!(!lights.is_empty());
    assert_eq!(named(&disk), lights);
    let measure = |disk: &mut FakeDisk, print: &Fingerprint, version| {
        disk.snapshot.made.measure(*print, version)
    };
    lights
        .iter()
        .for_each(|print| measure(&mut disk, print, METHODS));
    assert!(named(&disk).is_empty());
    let first = lights.first().unwrap();
    measure(&mut disk, first, METHODS - 1);
    assert_eq!(named(&disk), BTreeSet::from([*first]));
}

#[test]
fn more_flats_make_the_flat_and_its_lights_again_and_nothing_else() {
    let mut disk = disk(profile("north", "Petrel*"), night("2026-09-05"));
    disk.run();
    let made = disk.made;
    let late = evening("2026-09-05") - SignedDuration::from_mins(50);
    disk.put(series(Kind::Flat, 1, late, |_| {}));
    disk.run();
    assert_eq!(disk.made - made, 1 + 3, "one flat and three lights");
    assert_eq!(disk.tree().len(), made, "what they replace is gone");
}

#[test]
fn a_master_on_file_goes_on_by_its_own_name() {
    let mut disk = disk(profile("north", "Petrel*"), night("2026-09-05"));
    disk.run();
    // So far to the west it is still day, and they would be called after another night.
    disk.settings.site.longitude_deg = -179.0;
    let site = &disk.settings.site;
    let plan = disk.plan();
    let mut renamed = 0;
    for (print, master) in &plan.masters {
        assert_eq!(*master.product, *disk.snapshot.made[print].product);
        renamed += usize::from(*master.product != *names::master(&master.facts, *print, site));
    }
    assert!(renamed > 0);
}

#[test]
fn the_product_on_file_stands_until_a_better_one_is_made() {
    let mut disk = disk(profile("north", "Petrel*"), night("2026-09-05"));
    disk.run();
    let mut late = series(
        Kind::Flat,
        1,
        evening("2026-09-05") - SignedDuration::from_mins(50),
        |_| {},
    );
    let now: Timestamp = evening("2026-09-06");
    late[0].arrived = now;
    disk.put(late);
    let plan = disk.plan_at(Patience::Until(now));
    assert!(plan.tasks.is_empty() && plan.superseded.is_empty());
    assert!(
        plan.lights
            .values()
            .all(|state| matches!(state, LightState::Calibrated(_)))
    );
}

#[test]
fn a_set_that_fails_is_named_and_not_tried_for_ever() {
    let mut disk = disk(profile("north", "Petrel*"), night("2026-09-05"));
    let bias = disk
        .plan()
        .tasks
        .into_iter()
        .find(|task| task.product.contains("/bias/"))
        .unwrap();
    disk.snapshot.failed.insert(
        bias.fingerprint,
        Failure {
            reason: "out of luck".to_owned(),
        },
    );
    let plan = disk.run();
    assert!(plan.tasks.is_empty());
    assert!(
        waits(&plan).iter().all(|wait| wait.contains("out of luck")),
        "{:?}",
        waits(&plan)
    );
}

#[test]
fn explain_names_the_near_misses() {
    let mut entries = night("2026-09-05");
    entries.extend(series(Kind::Dark, 3, evening("2026-09-05"), |frame| {
        frame.temperature = Celsius::new(-5.0);
        frame.set_point = Celsius::new(-5.0);
    }));
    let disk = disk(darks_only(), entries);
    let light = disk
        .snapshot
        .entries
        .iter()
        .position(|entry| kind_of(entry) == Some(Kind::Light))
        .unwrap();
    let text = explain(&disk.snapshot, &disk.settings, Patience::None, light).join("\n");
    assert!(
        text.contains("temperature is -5 C, wanted -10 C within 1 C"),
        "{text}"
    );
}

#[test]
fn a_recipe_holds_the_method_chosen_by_the_number_of_exposures() {
    for (count, wanted) in [
        (3, "median"),
        (6, "winsorized low=4 high=3"),
        (12, "sigma-clip low=4 high=3 iterations=5 center=median"),
        (40, "generalized-esd alpha=0.05 max_outliers=5"),
    ] {
        let mut profile = darks_only();
        profile.calibration.dark.combining = CombiningRule::ByCount {
            low: 4.0,
            high: 3.0,
            sensor: None,
        };
        let darks = series(Kind::Dark, count, evening("2026-09-05"), |_| {});
        let mut disk = disk(profile, darks);
        disk.run();
        let made: Vec<_> = disk.snapshot.made.iter().collect();
        assert_eq!(made.len(), 1, "{count}");
        let method = &*made[0].method;
        assert!(method.contains(wanted), "{count}: {method}");
    }
}
