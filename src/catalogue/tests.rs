//! Round trips through files on disk, and what happens when they are not what they should be.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use proptest::prelude::*;

use jiff::Timestamp;

use super::*;
use crate::facts::{
    Camera, Celsius, Cfa, Degrees, Digest, Frame, InputCount, Kind, MESH, MadeStats, MasterFacts,
    MasterUse, Optics, PlaneSample, Pointing, RelPath, RowOrder, Sample, Seconds, Setting,
};

fn yes() -> Allow {
    Box::new(|| Ok(()))
}

fn fresh() -> (tempfile::TempDir, Catalogue) {
    let folder = tempfile::tempdir().unwrap();
    let catalogue = Catalogue::open(&folder.path().join("catalogue"), yes()).unwrap();
    (folder, catalogue)
}

fn file(path: &[u8]) -> FileId {
    FileId {
        watch: "incoming".into(),
        path: RelPath::new(Path::new(OsStr::from_bytes(path))).unwrap(),
    }
}

fn stamp(number: u64) -> Stamp {
    Stamp {
        size: 2880 * number,
        mtime_ns: -5,
        ctime_ns: 1_780_000_000_123_456_789,
        inode: u64::MAX - number,
    }
}

fn frame() -> Frame {
    Frame {
        kind: Kind::Flat,
        rig: "south-pier".into(),
        camera: Arc::new(Camera {
            name: "Dunlin 24C".into(),
            width: 6000,
            height: 4000,
            binning: (1, 2),
            gain: Setting::new(100.0),
            offset: Setting::new(0.1),
            readout_mode: Some("fast".into()),
            row_order: RowOrder::TopDown,
            origin: (0, 8),
            cfa: Cfa::parse("GRBG"),
        }),
        filter: "Ha".into(),
        exposure: Seconds::new(0.1 + 0.2).unwrap(),
        temperature: Celsius::new(-9.9),
        set_point: None,
        optics: Arc::new(Optics {
            telescope: Some("Newtonian 200/800".into()),
            focal_length_mm: Setting::new(798.7),
        }),
        rotator: Degrees::new(359.999),
        sky_angle: None,
        target: Some("M 31 \u{2013} core".into()),
        start: Some("2026-09-05T22:01:02.123456789Z".parse().unwrap()),
        pointing: Some(Pointing {
            ra: Degrees::new(10.684_708_333_333_33).unwrap(),
            dec: Degrees::new(41.269_065).unwrap(),
        }),
        pixel_um: Some(3.76),
        electrons_per_adu: Some(1.0 / 3.0),
        remarks: vec!["the clock \"may\" be off".to_owned()],
    }
}

fn sample() -> Sample {
    Sample {
        planes: [PlaneSample {
            level: 1.0 / 3.0,
            spread: f64::MIN_POSITIVE,
            saturated: 0.0,
        }; 4],
        mesh: (0..MESH * MESH).map(|n| n as f32 / 7.0).collect(),
        step: Some(4),
        saturation: 65_532.0,
    }
}

fn entry(path: &[u8], content: Content) -> Entry {
    Entry {
        file: file(path),
        stamp: stamp(path.len() as u64),
        present: true,
        arrived: "2026-09-05T23:00:00.5Z".parse().unwrap(),
        content,
    }
}

fn recognised() -> Content {
    Content::Frame {
        digest: Digest::new([7; 32]),
        frame: Arc::new(frame()),
        sample: Some(Box::new(sample())),
        unusable: None,
    }
}

fn made(number: u8) -> Made {
    let Frame {
        rig,
        camera,
        filter,
        exposure,
        optics,
        rotator,
        ..
    } = frame();
    Made {
        fingerprint: Fingerprint::new([number; 32]),
        product: "masters/dunlin-24c/flat/ha-07070707.fits".to_owned(),
        size: 5760,
        method: "flat/1 median saturation=65532".to_owned(),
        inputs: vec![Digest::new([1; 32]), Digest::new([2; 32])],
        masters: vec![MasterUse {
            kind: Kind::Bias,
            fingerprint: Fingerprint::new([9; 32]),
            product: "masters/dunlin-24c/bias/09090909.fits".to_owned(),
        }],
        facts: Some(MasterFacts {
            kind: Kind::Flat,
            rig,
            camera,
            filter,
            exposure,
            temperature: None,
            optics,
            rotator,
            first: "2026-09-05T20:00:00Z".parse().unwrap(),
            last: "2026-09-05T20:10:00Z".parse().unwrap(),
        }),
        stats: MadeStats {
            pixels: 24_000_000,
            level: 31_234.567_89,
            noise: 0.1,
            rejected: vec![InputCount { low: 1, high: 2 }, InputCount::default()],
        },
    }
}

/// One entry for every shape that content can have.
fn every_content() -> Vec<Entry> {
    let with = |sample, unusable: Option<&str>| Content::Frame {
        digest: Digest::new([3; 32]),
        frame: Arc::new(frame()),
        sample,
        unusable: unusable.map(str::to_owned),
    };
    let bare = Frame {
        camera: Arc::new(Camera {
            gain: None,
            offset: None,
            readout_mode: None,
            cfa: None,
            ..(*frame().camera).clone()
        }),
        temperature: None,
        optics: Arc::default(),
        rotator: None,
        target: None,
        start: None,
        pointing: None,
        pixel_um: None,
        electrons_per_adu: None,
        remarks: vec![],
        ..frame()
    };
    vec![
        entry(b"\xff\xfe/odd.fits", recognised()),
        entry(
            b"a.fits",
            Content::Refused("not FITS: it begins with \"\u{fffd}\"".to_owned()),
        ),
        entry(b"b.txt", Content::Ignored("not a FITS name".to_owned())),
        entry(b"c.fits", with(None, Some("truncated"))),
        entry(b"d.fits", with(None, None)),
        entry(
            b"e.fits",
            Content::Frame {
                digest: Digest::new([4; 32]),
                frame: Arc::new(bare),
                sample: Some(Box::new(Sample {
                    step: Some(0),
                    mesh: vec![],
                    ..sample()
                })),
                unusable: Some("saturated".to_owned()),
            },
        ),
    ]
}

fn record(catalogue: &mut Catalogue, entries: &[Entry]) {
    let entries: Vec<(Entry, &str)> = entries.iter().map(|e| (e.clone(), "now")).collect();
    catalogue.record(&entries).unwrap();
}

fn sorted(mut entries: Vec<Entry>) -> Vec<Entry> {
    entries.sort_by(|a, b| a.file.cmp(&b.file));
    entries
}

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
fn commit_that_is_not_allowed_leaves_the_old_state() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    let full = Arc::new(AtomicBool::new(true));
    let allow = || -> Allow {
        let full = full.clone();
        Box::new(move || {
            if full.load(Ordering::Relaxed) {
                Err(io::ErrorKind::StorageFull.into())
            } else {
                Ok(())
            }
        })
    };
    let error = Catalogue::open(&path, allow()).err().unwrap();
    assert!(error.is_passing(), "{error}");
    full.store(false, Ordering::Relaxed);
    let mut catalogue = Catalogue::open(&path, allow()).unwrap();
    record(&mut catalogue, &every_content());
    catalogue.made(&made(1)).unwrap();
    let before = catalogue.snapshot().unwrap();
    let generation = catalogue.generation();

    full.store(true, Ordering::Relaxed);
    let files = [file(b"a.fits")];
    let one = Fingerprint::new([1; 32]);
    let errors = [
        catalogue.record(&[(entry(b"new.fits", recognised()), "now")]),
        catalogue.vanish(&files),
        catalogue.forget(&files),
        catalogue.refuse_pixels(&file(b"d.fits"), &stamp(6), "odd"),
        catalogue.made(&made(2)),
        catalogue.unmade(&[one]),
        catalogue.failed(&one, "odd"),
        catalogue.clear_failures(),
    ];
    for result in errors {
        let error = result.unwrap_err();
        assert!(matches!(error, CatalogueError::Refused { .. }), "{error}");
        assert!(error.is_passing());
        assert!(!error.to_string().contains('\n'));
    }
    assert_eq!(catalogue.snapshot().unwrap(), before);
    assert_eq!(catalogue.generation(), generation);
    full.store(false, Ordering::Relaxed);
    catalogue.unmade(&[one]).unwrap();
    assert!(catalogue.snapshot().unwrap().made.is_empty());
}

#[test]
fn reader_beside_a_writer_sees_what_is_committed() {
    let (folder, mut writer) = fresh();
    let path = folder.path().join("catalogue");
    let mode: String = writer
        .connection
        .query_row("PRAGMA journal_mode", [], |row| row.get(0))
        .unwrap();
    assert_eq!(mode, "wal");
    let mut reader = Catalogue::open_reading(&path).unwrap();
    assert_eq!(reader.snapshot().unwrap(), Snapshot::default());
    record(&mut writer, &every_content());
    assert_eq!(reader.snapshot().unwrap(), writer.snapshot().unwrap());
    let error = reader.clear_failures().unwrap_err();
    assert!(error.to_string().contains("clear failures"), "{error}");
    // A writer in the middle of a change keeps no reader waiting.
    let transaction = writer.connection.transaction().unwrap();
    transaction.execute("DELETE FROM seen", []).unwrap();
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
    drop(transaction);
    drop(writer);
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
    drop(reader);
    let reader = Catalogue::open_reading(&path).unwrap();
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
}

#[test]
fn file_that_nobody_can_write_beside_is_read_as_it_lies() {
    let (folder, mut writer) = fresh();
    record(&mut writer, &every_content());
    drop(writer);
    // What a reader without leave to write falls back to, under a name full of URI characters.
    let odd = folder.path().join(OsStr::from_bytes(b"a?b#c%d \xff"));
    std::fs::copy(folder.path().join("catalogue"), &odd).unwrap();
    let connection = Connection::open_with_flags(
        schema::unchanging(&odd),
        rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_URI,
    )
    .unwrap();
    let reader = Catalogue::around(&odd, connection, yes());
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
}

#[test]
fn what_is_not_ours_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    let open = || Catalogue::open(&path, yes()).err().unwrap();
    let read = || Catalogue::open_reading(&path).err().unwrap();

    assert!(matches!(read(), CatalogueError::Missing { .. }));
    std::fs::write(&path, b"").unwrap();
    assert!(matches!(read(), CatalogueError::Missing { .. }));

    drop(Catalogue::open(&path, yes()).unwrap());
    let later = Connection::open(&path).unwrap();
    later.pragma_update(None, "user_version", 7).unwrap();
    drop(later);
    for error in [open(), read()] {
        assert!(
            matches!(error, CatalogueError::Version { found: 7, .. }),
            "{error}"
        );
        assert!(error.to_string().contains("version 7"), "{error}");
        assert!(!error.is_passing());
    }

    std::fs::remove_file(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("CREATE TABLE t (x)").unwrap();
    drop(other);
    let before = std::fs::read(&path).unwrap();
    for error in [open(), read()] {
        assert!(matches!(error, CatalogueError::Foreign { .. }), "{error}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), before, "left as it was");
}

#[test]
fn damage_is_told_from_bad_luck() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    std::fs::write(
        &path,
        b"This is no database, whatever it is called. ".repeat(50),
    )
    .unwrap();
    let error = Catalogue::open(&path, yes()).err().unwrap();
    assert!(matches!(error, CatalogueError::Damaged { .. }), "{error}");
    std::fs::remove_file(&path).unwrap();

    let mut catalogue = Catalogue::open(&path, yes()).unwrap();
    for _ in 0..20 {
        let entries: Vec<Entry> = (0..50)
            .map(|n| entry(format!("{n:03}.fits").as_bytes(), recognised()))
            .collect();
        record(&mut catalogue, &entries);
    }
    drop(catalogue);
    let mut bytes = std::fs::read(&path).unwrap();
    let len = bytes.len();
    bytes[8192..len].fill(0x5a);
    std::fs::write(&path, &bytes).unwrap();
    let error = Catalogue::open(&path, yes()).err().unwrap();
    assert!(matches!(error, CatalogueError::Damaged { .. }), "{error}");

    let nowhere = folder.path().join("not/there");
    let error = Catalogue::open(&nowhere, yes()).err().unwrap();
    assert!(error.is_passing(), "{error}");
}

#[test]
fn row_that_cannot_be_understood_is_damage() {
    for (column, value) in [
        ("frame SET facts", "'{}'"),
        ("frame SET sample", "x'00'"),
        ("seen SET path", "x'2f'"),
        ("seen SET digest", "x'00'"),
        ("seen SET digest", "NULL"),
        ("seen SET kind", "9"),
    ] {
        let (_folder, mut catalogue) = fresh();
        record(&mut catalogue, &[entry(b"a.fits", recognised())]);
        catalogue
            .connection
            .execute(&format!("UPDATE {column} = {value}"), [])
            .unwrap();
        let error = catalogue.snapshot().unwrap_err();
        assert!(
            matches!(error, CatalogueError::Damaged { .. }),
            "{column} = {value}: {error}"
        );
    }
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
    catalogue.made(&made(1)).unwrap();
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
                sample: Some(Box::new(Sample { mesh, step, saturation: value, ..sample() })),
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
    proptest!(ProptestConfig::with_cases(64), |(entry in any_entry())| {
        if let Some(entry) = entry {
            let mut catalogue = catalogue.borrow_mut();
            record(&mut catalogue, std::slice::from_ref(&entry));
            let back = catalogue.snapshot().unwrap().entries;
            prop_assert_eq!(back.as_slice(), std::slice::from_ref(&entry));
            catalogue.forget(&[entry.file]).unwrap();
        }
    });
}
