//! Round trips through files on disk.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod fixtures;
mod trouble;

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::sync::Arc;

use proptest::prelude::*;

use jiff::Timestamp;

use super::*;
use crate::facts::{
    Camera, Celsius, Cfa, Colour, DarkSignal, Degrees, Digest, Estimate, Frame, InputCount, Kind,
    Look, MESH, MadeStats, MasterFacts, MasterUse, Optics, Pair, PlaneSample, Pointing, RelPath,
    RowOrder, Sample, Seconds, Setting, Snapshot, Temporal, Transfer,
};
use fixtures::*;

#[test]
fn everything_comes_back_after_reopening() {
    let (folder, mut catalogue) = fresh();
    record(&mut catalogue, &every_content());
    catalogue.made(&made(1)).unwrap();
    catalogue
        .failed(&Fingerprint::new([2; 32]), "disk full")
        .unwrap();
    let before = catalogue.snapshot().unwrap();
    drop(catalogue);
    let catalogue = Catalogue::open(&folder.path().join("catalogue"), yes()).unwrap();
    let after = catalogue.snapshot().unwrap();
    assert_eq!(after, before);
    assert_eq!(after.entries, sorted(every_content()));
    assert_eq!(after.made[&Fingerprint::new([1; 32])], made(1));
    assert_eq!(after.failed[&Fingerprint::new([2; 32])].reason, "disk full");
    assert_eq!(after.arriving, []);
}

#[test]
fn what_was_measured_goes_with_its_product() {
    let (_folder, mut catalogue) = fresh();
    let print = |number| Fingerprint::new([number; 32]);
    let measured = |noise_adu| Measured {
        noise_adu,
        ..Measured::default()
    };
    for number in 1..4 {
        let light = Made {
            facts: None,
            method: "light/1".into(),
            ..made(number)
        };
        catalogue.made(&light).unwrap();
    }
    catalogue.measured(&print(1), 1, &measured(1.0)).unwrap();
    catalogue.measured(&print(2), 1, &measured(2.0)).unwrap();
    catalogue.measured(&print(2), 2, &measured(2.5)).unwrap();
    let known = catalogue.snapshot().unwrap().made;
    let versions = [1, 2, 3].map(|number| known.measured_by(&print(number)));
    assert_eq!(versions, [Some(1), Some(2), None]);
    let found = catalogue.measures([print(2), print(3)]).unwrap();
    assert_eq!(found, BTreeMap::from([(print(2), measured(2.5))]));
    catalogue.unmade(&[print(2)]).unwrap();
    assert_eq!(catalogue.measures([print(2)]).unwrap(), BTreeMap::new());
}

#[test]
fn entries_are_sorted_by_identity_whatever_the_order_of_arrival() {
    let (_folder, mut catalogue) = fresh();
    let mut entries = every_content();
    entries[0].file.watch = "another".into();
    entries.reverse();
    for entry in &entries {
        record(&mut catalogue, std::slice::from_ref(entry));
    }
    assert_eq!(catalogue.snapshot().unwrap().entries, sorted(entries));
}

#[test]
fn recording_again_replaces() {
    let (_folder, mut catalogue) = fresh();
    record(&mut catalogue, &[entry(b"a.fits", recognised())]);
    for content in [
        Content::Refused("broken".to_owned()),
        Content::Ignored("not wanted".to_owned()),
        recognised(),
    ] {
        let mut now = entry(b"a.fits", content);
        now.stamp = stamp(99);
        record(&mut catalogue, std::slice::from_ref(&now));
        assert_eq!(catalogue.snapshot().unwrap().entries, [now]);
    }
}

#[test]
fn files_vanish_reappear_and_are_forgotten() {
    let (_folder, mut catalogue) = fresh();
    record(&mut catalogue, &every_content());
    let some = [file(b"a.fits"), file(b"c.fits"), file(b"unknown.fits")];
    let present = |catalogue: &Catalogue| {
        let mut names = Vec::new();
        catalogue
            .for_each_stamp(|file, stamp, present| {
                assert_eq!(stamp, self::stamp(file.path.bytes().len() as u64));
                if present {
                    names.push(file.path.to_string());
                }
            })
            .unwrap();
        names.sort();
        names
    };
    catalogue.vanish(&some).unwrap();
    let left = ["\\xff\\xfe/odd.fits", "b.txt", "d.fits", "e.fits"];
    assert_eq!(present(&catalogue), left);
    assert_eq!(catalogue.snapshot().unwrap().entries.len(), 6);
    catalogue.reappear(&some).unwrap();
    assert_eq!(present(&catalogue).len(), 6);
    catalogue.forget(&some).unwrap();
    assert_eq!(present(&catalogue), left);
    let snapshot = catalogue.snapshot().unwrap();
    assert_eq!(snapshot.entries.len(), 4);
    record(&mut catalogue, &every_content());
    assert_eq!(
        catalogue.snapshot().unwrap().entries,
        sorted(every_content())
    );
}

#[test]
fn pixels_are_refused_only_of_the_file_that_was_read() {
    let (_folder, mut catalogue) = fresh();
    let whole = entry(b"a.fits", recognised());
    record(&mut catalogue, std::slice::from_ref(&whole));
    catalogue
        .refuse_pixels(&whole.file, &stamp(99), "unreadable")
        .unwrap();
    assert_eq!(
        catalogue.snapshot().unwrap().entries,
        std::slice::from_ref(&whole)
    );
    catalogue
        .refuse_pixels(&whole.file, &whole.stamp, "unreadable")
        .unwrap();
    let Content::Frame {
        sample, unusable, ..
    } = &catalogue.snapshot().unwrap().entries[0].content
    else {
        panic!("not a frame any more")
    };
    assert_eq!((sample, unusable.as_deref()), (&None, Some("unreadable")));
}

#[test]
fn stale_lists_present_files_recognised_otherwise() {
    let (_folder, mut catalogue) = fresh();
    let [a, b, c] = [b"a.fits", b"b.fits", b"c.fits"].map(|path| entry(path, recognised()));
    catalogue
        .record(&[(a.clone(), "old"), (b, "new"), (c.clone(), "old")])
        .unwrap();
    catalogue.vanish(&[c.file]).unwrap();
    let stale = catalogue.stale("new").unwrap();
    assert_eq!(
        stale,
        [Look {
            file: a.file.clone(),
            stamp: a.stamp
        }]
    );
    catalogue.record(&[(a, "new")]).unwrap();
    assert_eq!(catalogue.stale("new").unwrap(), []);
}

#[test]
fn products_and_failures_come_and_go() {
    let (_folder, mut catalogue) = fresh();
    let [one, two] = [1, 2].map(|number| Fingerprint::new([number; 32]));
    catalogue.failed(&one, "first").unwrap();
    catalogue.failed(&one, "second").unwrap();
    catalogue.failed(&two, "other").unwrap();
    assert_eq!(catalogue.snapshot().unwrap().failed[&one].reason, "second");
    catalogue.made(&made(1)).unwrap();
    let snapshot = catalogue.snapshot().unwrap();
    assert_eq!(snapshot.failed.keys().collect::<Vec<_>>(), [&two]);
    catalogue.clear_failures().unwrap();
    catalogue.unmade(&[one, two]).unwrap();
    assert_eq!(catalogue.snapshot().unwrap(), Snapshot::default());
}

#[test]
fn measures_that_are_no_numbers_come_back() {
    let (_folder, mut catalogue) = fresh();
    let mut odd = made(1);
    odd.stats.level = f64::NAN;
    odd.stats.noise = f64::INFINITY;
    catalogue.made(&odd).unwrap();
    let stats = &catalogue.snapshot().unwrap().made[&odd.fingerprint].stats;
    assert!(stats.level.is_nan());
    assert!(stats.noise.is_infinite());

    let mut nan = sample();
    nan.mesh[3] = f32::NAN;
    let back = row::sample(&row::sample_bytes(&nan)).unwrap();
    assert!(back.mesh[3].is_nan());
    assert_eq!(back.mesh[4], nan.mesh[4]);
    assert_eq!(row::sample(&row::sample_bytes(&nan)[1..]), None);
    // As versions wrote it that did not know of the highest samples.
    let mut older = Vec::new();
    older.extend(60_000f64.to_le_bytes());
    older.extend(5u64.to_le_bytes());
    older.extend((0..12).flat_map(|number| f64::from(number).to_le_bytes()));
    older.extend(7f32.to_le_bytes());
    let found = row::sample(&older).unwrap();
    let levels = found.planes.map(|plane| plane.level);
    assert_eq!(
        (found.saturation, found.step, found.highest),
        (60_000.0, Some(4), None)
    );
    assert_eq!(
        (levels, &found.mesh[..]),
        ([0.0, 3.0, 6.0, 9.0], &[7.0][..])
    );
    assert_eq!(row::sample(&[]), None);
}

#[test]
fn generation_grows_with_changes_only() {
    let (_folder, mut catalogue) = fresh();
    let file = file(b"a.fits");
    let mut last = catalogue.generation();
    let mut changed = |catalogue: &Catalogue| {
        let before = std::mem::replace(&mut last, catalogue.generation());
        catalogue.generation() != before
    };
    catalogue.record(&[]).unwrap();
    assert!(!changed(&catalogue));
    record(&mut catalogue, &[entry(b"a.fits", recognised())]);
    assert!(changed(&catalogue));
    catalogue.reappear(std::slice::from_ref(&file)).unwrap();
    assert!(!changed(&catalogue));
    catalogue.vanish(std::slice::from_ref(&file)).unwrap();
    assert!(changed(&catalogue));
    catalogue.vanish(std::slice::from_ref(&file)).unwrap();
    assert!(!changed(&catalogue));
    catalogue.refuse_pixels(&file, &stamp(50), "odd").unwrap();
    assert!(!changed(&catalogue));
    catalogue.snapshot().unwrap();
    assert!(!changed(&catalogue));
}

#[test]
fn what_frames_have_in_common_is_held_once() {
    let (_folder, mut catalogue) = fresh();
    record(
        &mut catalogue,
        &[
            entry(b"a.fits", recognised()),
            entry(b"b.fits", recognised()),
        ],
    );
    for number in [1, 2] {
        catalogue.made(&made(number)).unwrap();
    }
    let snapshot = catalogue.snapshot().unwrap();
    let frames: Vec<&Arc<Frame>> = snapshot
        .entries
        .iter()
        .map(|entry| match &entry.content {
            Content::Frame { frame, .. } => frame,
            other => panic!("{other:?}"),
        })
        .collect();
    let [a, b] = frames[..] else { panic!() };
    assert!(Arc::ptr_eq(&a.rig, &b.rig));
    assert!(Arc::ptr_eq(&a.camera, &b.camera));
    assert!(Arc::ptr_eq(&a.filter, &b.filter));
    assert!(Arc::ptr_eq(&a.optics, &b.optics));
    assert!(Arc::ptr_eq(
        a.target.as_ref().unwrap(),
        b.target.as_ref().unwrap()
    ));
    let watch = |index: usize| &snapshot.entries[index].file.watch;
    assert!(Arc::ptr_eq(watch(0), watch(1)));
    let facts = snapshot.made[&Fingerprint::new([1; 32])]
        .facts
        .as_ref()
        .unwrap();
    assert!(Arc::ptr_eq(&facts.camera, &a.camera));
    assert!(Arc::ptr_eq(&facts.optics, &a.optics));
    let [one, other] = [1, 2].map(|number| &snapshot.made[&Fingerprint::new([number; 32])]);
    assert!(Arc::ptr_eq(&one.method, &other.method));
    assert!(Arc::ptr_eq(
        &one.masters[0].product,
        &other.masters[0].product
    ));
}

prop_compose! {
    fn any_entry()(
        path in prop::collection::vec(any::<u8>(), 1..20),
        times in any::<(i64, i64)>(),
        numbers in any::<(u64, u64)>(),
        present in any::<bool>(),
        arrived in any::<i64>(),
        reason in ".*",
        kind in 0..3,
        value in prop::num::f64::NORMAL,
        mesh in prop::collection::vec(prop::num::f32::NORMAL, 0..70),
        step in any::<Option<u32>>(),
    ) -> Option<Entry> {
        let path = RelPath::new(Path::new(OsStr::from_bytes(&path)))?;
        let content = match kind {
            0 => Content::Refused(reason),
            1 => Content::Ignored(reason),
            _ => Content::Frame {
                digest: Digest::new([path.bytes()[0]; 32]),
                frame: Arc::new(Frame {
                    exposure: Seconds::new(value)?,
                    target: Some(reason.as_str().into()),
                    remarks: vec![reason.clone()],
                    electrons_per_adu: Some(-value),
                    ..frame()
                }),
                sample: Some(Box::new(Sample { mesh, step, saturation: value, highest: present.then_some([value; 4]), ..sample() })),
                unusable: present.then_some(reason),
            },
        };
        Some(Entry {
            file: FileId { watch: "w".into(), path },
            stamp: Stamp { size: numbers.0, inode: numbers.1, mtime_ns: times.0, ctime_ns: times.1 },
            present,
            arrived: Timestamp::from_nanosecond(arrived.into()).ok()?,
            content,
        })
    }
}

#[test]
fn any_entry_comes_back_as_it_was() {
    let (_folder, catalogue) = fresh();
    catalogue
        .connection
        .pragma_update(None, "synchronous", "off")
        .unwrap();
    let catalogue = std::cell::RefCell::new(catalogue);
    let config = ProptestConfig {
        cases: 64,
        failure_persistence: None,
        ..ProptestConfig::default()
    };
    proptest!(config, |(entry in any_entry())| {
        if let Some(entry) = entry {
            let mut catalogue = catalogue.borrow_mut();
            record(&mut catalogue, std::slice::from_ref(&entry));
            let back = catalogue.snapshot().unwrap().entries;
            prop_assert_eq!(back.as_slice(), std::slice::from_ref(&entry));
            catalogue.forget(&[entry.file]).unwrap();
        }
    });
}

#[test]
fn what_a_sensor_s_frames_say_comes_back() {
    let (folder, mut catalogue) = fresh();
    let estimate = |value: f64| Estimate {
        value,
        error: value / 7.0,
    };
    let pair = Pair {
        colour: Some(Colour::Green),
        level: 500.1,
        variance: estimate(0.1),
        pixels: 1_500_000,
    };
    let transfer = SensorFigures::Transfer(Transfer {
        bias: vec![pair],
        flats: vec![vec![pair], Vec::new()],
        step: 16.0,
        darkest: 0.7,
    });
    let dark = SensorFigures::Dark(DarkSignal {
        bias_level: 500.0,
        bias_variance: estimate(1.0 / 3.0),
        middle: 0.7,
        level: estimate(-0.01),
        tail: estimate(0.3),
        variance: estimate(2.0),
        pattern: estimate(-1e-9),
        glow: estimate(0.0),
        hot_per_megapixel: estimate(12.5),
        pixels: 3,
    });
    let before = catalogue.generation();
    for (number, figures) in [&transfer, &dark].into_iter().enumerate() {
        let key = Fingerprint::new([number as u8; 32]);
        catalogue.knows(&key, figures).unwrap();
    }
    assert!(catalogue.generation() > before);
    drop(catalogue);
    let catalogue = Catalogue::open_reading(&folder.path().join("catalogue")).unwrap();
    let found: Vec<SensorFigures> = catalogue
        .snapshot()
        .unwrap()
        .sensors
        .into_values()
        .collect();
    assert_eq!(found, [transfer, dark]);
}
