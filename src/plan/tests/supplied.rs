//! Supplied masters: when they serve, what they yield to, what speaks against one.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::SignedDuration;

use super::bench::*;
use crate::facts::*;
use crate::plan::{Patience, explain, supplied_faults};

const NIGHT: &str = "2026-09-05";

/// A master of the rig `north` that states everything its frames do.
fn supplied(kind: Kind, change: impl Fn(&mut SuppliedMaster)) -> Supplied {
    let frame = frame(kind, evening(NIGHT));
    let flat = kind == Kind::Flat;
    let mut master = SuppliedMaster {
        fingerprint: Fingerprint::new([0; 32]),
        digest: Digest::new([kind as u8; 32]),
        stamp: Stamp {
            size: 1,
            mtime_ns: 0,
            ctime_ns: 0,
            inode: 0,
        },
        facts: MasterFacts {
            kind,
            rig: frame.rig,
            camera: frame.camera,
            filter: frame.filter,
            exposure: frame.exposure,
            temperature: frame.temperature.filter(|_| !flat),
            optics: frame.optics,
            rotator: None,
            first: None,
            last: None,
        },
        unstated: Unstated::default(),
        flat_level: flat.then_some(FlatLevel::PerColour),
        frames: None,
        level: if flat { 1.0 } else { 500.0 },
        spread: 1.0,
    };
    change(&mut master);
    let level = master.flat_level;
    master.fingerprint =
        SuppliedMaster::print(&master.digest, &master.facts, master.unstated, level);
    Supplied {
        rig: "north".into(),
        path: PathBuf::from(format!("/library/{kind}.fits")),
        kind,
        master: Ok(master),
    }
}

fn camera(master: &mut SuppliedMaster, change: impl Fn(&mut Camera)) {
    change(Arc::make_mut(&mut master.facts.camera));
}

/// Lights of a rig that wants darks and flats, with these masters.
fn disk(masters: Vec<Supplied>) -> FakeDisk {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.dark = rule(Rule::Required, 3, 24);
    let mut disk = FakeDisk::new(settings(vec![profile]));
    disk.put(series(Kind::Light, 2, evening(NIGHT), |_| {}));
    disk.snapshot.supplied = masters;
    disk
}

/// The products that the first light was made with; else why it waits.
fn used(disk: &mut FakeDisk) -> Result<Vec<String>, String> {
    let plan = disk.run();
    match &disk.light_states(&plan)[0] {
        LightState::Calibrated(light) => {
            assert!(plan.to_shoot.is_empty(), "{:?}", plan.to_shoot);
            let masters = disk.snapshot.made[light].masters.iter();
            Ok(masters.map(|used| used.product[..8].to_owned()).collect())
        }
        LightState::Waiting(wait) => Err(wait.to_string()),
        other => panic!("{other:?}"),
    }
}

#[test]
fn they_serve_at_any_time_until_one_is_made_here() {
    let mut disk = disk(vec![
        supplied(Kind::Dark, |_| {}),
        supplied(Kind::Flat, |_| {}),
    ]);
    let years = evening(NIGHT) + SignedDuration::from_hours(3 * 365 * 24);
    disk.put(series(Kind::Light, 1, years, |_| {}));
    let both = vec!["supplied".to_owned(); 2];
    assert_eq!(used(&mut disk), Ok(both.clone()));
    assert_eq!(disk.made, 3, "lights alone");
    // A set that is too small changes nothing, nor does one that fits other lights.
    let start = evening(NIGHT) + SignedDuration::from_hours(3);
    disk.put(series(Kind::Dark, 2, start, |_| {}));
    disk.put(series(
        Kind::Dark,
        4,
        start + SignedDuration::from_hours(1),
        |frame| {
            frame.exposure = Seconds::new(60.0).unwrap();
        },
    ));
    assert_eq!(used(&mut disk), Ok(both.clone()));
    // While the right set may still grow the lights keep their products, and new ones get theirs.
    let later = start + SignedDuration::from_hours(2);
    disk.put(series(Kind::Dark, 3, later, |_| {}));
    disk.put(series(
        Kind::Light,
        1,
        evening(NIGHT) + SignedDuration::from_hours(1),
        |_| {},
    ));
    let growing = disk.plan_at(Patience::Until(later));
    assert!(growing.wake.is_some());
    assert_eq!(growing.tasks.len(), 1, "{:?}", growing.tasks);
    let master = &growing.tasks[0].recipe.masters()[0];
    assert!(master.is_supplied() && growing.tasks[0].supplied.len() == 2);
    // Once it is made the lights of its time are made again. Those of years later it may not serve.
    let before = disk.made;
    let kinds = vec!["masters/".to_owned(), "supplied".to_owned()];
    assert_eq!(used(&mut disk), Ok(kinds));
    assert_eq!(disk.made, before + 1 + 3);
    // One more dark: while the set grows again, nobody goes back to the supplied one.
    let newest = later + SignedDuration::from_mins(9);
    disk.put(series(Kind::Dark, 1, newest, |_| {}));
    let growing = disk.plan_at(Patience::Until(newest));
    assert!(
        growing.wake.is_some() && growing.tasks.is_empty(),
        "{:?}",
        growing.tasks
    );
    let plan = disk.run();
    let last = disk.light_states(&plan).into_iter().next_back().unwrap();
    let LightState::Calibrated(light) = last else {
        panic!("{last:?}")
    };
    assert!(
        disk.snapshot.made[&light]
            .masters
            .iter()
            .all(MasterUse::is_supplied)
    );
}

#[test]
fn an_unstated_key_fits_and_a_stated_one_counts() {
    type Change = fn(&mut SuppliedMaster);
    let fits: [Change; 4] = [
        |master| camera(master, |camera| (camera.gain, camera.offset) = (None, None)),
        |master| master.facts.temperature = None,
        |master| {
            master.unstated = Unstated {
                name: true,
                binning: true,
                origin: true,
            };
            camera(master, |camera| camera.name = "".into());
        },
        |master| camera(master, |camera| camera.row_order = RowOrder::Unstated),
    ];
    for (number, change) in fits.into_iter().enumerate() {
        let mut disk = disk(vec![
            supplied(Kind::Dark, change),
            supplied(Kind::Flat, change),
        ]);
        disk.snapshot.entries.iter_mut().for_each(|entry| {
            let Content::Frame { frame, .. } = &mut entry.content else {
                return;
            };
            let frame = Arc::make_mut(frame);
            let camera = Arc::make_mut(&mut frame.camera);
            // What a frame does not state equals only what a master does not.
            (camera.row_order, camera.origin) = match number {
                2 => (RowOrder::Unstated, (32, 16)),
                3 => (RowOrder::TopDown, (0, 0)),
                _ => (RowOrder::Unstated, (0, 0)),
            };
        });
        assert!(used(&mut disk).is_ok(), "{number}: {:?}", used(&mut disk));
    }
    let fails: [(Change, &str); 7] = [
        (
            |m| camera(m, |c| c.gain = Setting::new(7.0)),
            "gain is 7, wanted 100",
        ),
        (
            |m| camera(m, |c| c.name = "Dunlin".into()),
            "camera is Dunlin",
        ),
        (
            |m| camera(m, |c| c.binning = (2, 2)),
            "binning is 2x2, wanted 1x1",
        ),
        (
            |m| camera(m, |c| c.cfa = Cfa::parse("RGGB")),
            "colour filter array is RGGB",
        ),
        (
            |m| m.facts.temperature = Celsius::new(-12.0),
            "temperature is -12 C",
        ),
        (
            |m| m.facts.exposure = Seconds::new(60.0).unwrap(),
            "exposure is 60 s",
        ),
        (|m| camera(m, |c| c.width = 32), "sensor size is 32x48"),
    ];
    for (change, reason) in fails {
        let mut disk = disk(vec![
            supplied(Kind::Dark, change),
            supplied(Kind::Flat, |_| {}),
        ]);
        let found = used(&mut disk).unwrap_err();
        assert!(
            found.contains("dark 60 s") || found.contains("(supplied)"),
            "{found}"
        );
        assert!(found.contains(reason), "{found}");
        let explained = explain(&disk.snapshot, &disk.settings, Patience::None, 0).join("\n");
        assert!(explained.contains(reason), "{explained}");
    }
    let turned = supplied(Kind::Flat, |master| {
        master.facts.rotator = Degrees::new(90.0)
    });
    let mut disk = disk(vec![supplied(Kind::Dark, |_| {}), turned]);
    assert!(
        used(&mut disk)
            .unwrap_err()
            .contains("rotator angle is 90 deg, wanted absent")
    );
}

#[test]
fn levels_are_compared_with_the_sensor_s_bias() {
    for (kind, level, fits) in [
        (Kind::Dark, 250.0, true),
        (Kind::Dark, 249.0, false),
        (Kind::Dark, 9000.0, true),
        (Kind::Bias, 249.0, false),
        (Kind::Bias, 1000.0, true),
        (Kind::Bias, 1001.0, false),
    ] {
        let master = supplied(kind, |master| master.level = level);
        let mut disk = disk(vec![master.clone()]);
        let faults = |disk: &FakeDisk| supplied_faults(&disk.snapshot, &disk.settings);
        assert_eq!(faults(&disk), [""; 0], "nothing to compare with");
        // Bias frames of other settings say nothing of it.
        let bias = |gain| {
            series(
                Kind::Bias,
                1,
                evening(NIGHT) + SignedDuration::from_mins(gain),
                move |frame| {
                    Arc::make_mut(&mut frame.camera).gain = Setting::new(gain as f64);
                },
            )
        };
        disk.put(bias(7));
        assert_eq!(faults(&disk), [""; 0]);
        disk.put(bias(100));
        let found = faults(&disk);
        assert_eq!(found.is_empty(), fits, "{kind} {level}: {found:?}");
        if !fits {
            assert!(
                found[0].starts_with(&format!(
                    "the supplied {kind} /library/{kind}.fits is not used: its level is {level}"
                )),
                "{found:?}"
            );
            assert_eq!(
                disk.plan().warnings[&NIGHT.parse().unwrap()],
                [format!("north: {}", found[0])]
            );
            assert!(used(&mut disk).is_err());
        }
    }
    // Where there are no bias frames a supplied bias does.
    let dark = supplied(Kind::Dark, |master| master.level = 3.0);
    let disk = disk(vec![dark, supplied(Kind::Bias, |_| {})]);
    assert!(
        supplied_faults(&disk.snapshot, &disk.settings)[0]
            .contains("that of the sensor's bias 500.0")
    );
}

#[test]
fn a_product_outlives_its_master_only_while_that_is_away() {
    let masters = [supplied(Kind::Dark, |_| {}), supplied(Kind::Flat, |_| {})];
    let mut disk = disk(masters.to_vec());
    used(&mut disk).unwrap();
    let tree = disk.tree();
    // Away: it stays and stands. Not named any more: it stays, but the light waits.
    let mut away = disk.clone();
    away.snapshot.supplied[0].master = Err("it is not there".to_owned());
    assert!(used(&mut away).is_ok());
    assert_eq!(away.tree(), tree);
    let mut dropped = disk.clone();
    dropped.snapshot.supplied.remove(0);
    assert!(used(&mut dropped).is_err());
    assert_eq!(dropped.tree(), tree, "it could not be made again");
    dropped.snapshot.supplied = masters.to_vec();
    used(&mut dropped).unwrap();
    assert_eq!((dropped.tree(), dropped.made), (tree.clone(), disk.made));
    // Stated to be another: that can be set back.
    let warmer = supplied(Kind::Dark, |master| {
        master.facts.temperature = Celsius::new(20.0)
    });
    disk.snapshot.supplied[0] = warmer;
    assert!(used(&mut disk).is_err());
    assert_eq!(disk.tree(), [""; 0]);
}
