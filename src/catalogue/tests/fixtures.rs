//! Values to be kept.

use super::*;

pub(super) fn yes() -> Allow {
    Box::new(|| Ok(()))
}

pub(super) fn fresh() -> (tempfile::TempDir, Catalogue) {
    let folder = tempfile::tempdir().unwrap();
    let catalogue = Catalogue::open(&folder.path().join("catalogue"), yes()).unwrap();
    (folder, catalogue)
}

pub(super) fn file(path: &[u8]) -> FileId {
    FileId {
        watch: "incoming".into(),
        path: RelPath::new(Path::new(OsStr::from_bytes(path))).unwrap(),
    }
}

pub(super) fn stamp(number: u64) -> Stamp {
    Stamp {
        size: 2880 * number,
        mtime_ns: -5,
        ctime_ns: 1_780_000_000_123_456_789,
        inode: u64::MAX - number,
    }
}

pub(super) fn frame() -> Frame {
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
            overscan: None,
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

pub(super) fn sample() -> Sample {
    Sample {
        planes: [PlaneSample {
            level: 1.0 / 3.0,
            spread: f64::MIN_POSITIVE,
            saturated: 0.0,
        }; 4],
        mesh: (0..MESH * MESH).map(|n| n as f32 / 7.0).collect(),
        step: Some(4),
        saturation: 65_532.0,
        highest: Some([12_344.5, 1.0, f64::NEG_INFINITY, 65_532.0]),
    }
}

pub(super) fn entry(path: &[u8], content: Content) -> Entry {
    Entry {
        file: file(path),
        stamp: stamp(path.len() as u64),
        present: true,
        arrived: "2026-09-05T23:00:00.5Z".parse().unwrap(),
        content,
    }
}

pub(super) fn recognised() -> Content {
    Content::Frame {
        digest: Digest::new([7; 32]),
        frame: Arc::new(frame()),
        sample: Some(Box::new(sample())),
        unusable: None,
    }
}

pub(super) fn made(number: u8) -> Made {
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
        method: "flat/1 median saturation=65532".into(),
        inputs: vec![Digest::new([1; 32]), Digest::new([2; 32])],
        masters: vec![MasterUse {
            kind: Kind::Bias,
            fingerprint: Fingerprint::new([9; 32]),
            product: "masters/dunlin-24c/bias/09090909.fits".into(),
            scale: None,
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
            first: Some("2026-09-05T20:00:00Z".parse().unwrap()),
            last: Some("2026-09-05T20:10:00Z".parse().unwrap()),
        }),
        stats: MadeStats {
            pixels: 24_000_000,
            level: 31_234.567_89,
            noise: 0.1,
            temporal: Some(Temporal {
                measured: 0.05,
                ideal: 0.048,
            }),
            cut: 3,
            rejected: vec![InputCount { low: 1, high: 2 }, InputCount::default()],
        },
    }
}

/// One entry for every shape that content can have.
pub(super) fn every_content() -> Vec<Entry> {
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
            overscan: None,
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
                    highest: None,
                    ..sample()
                })),
                unusable: Some("saturated".to_owned()),
            },
        ),
    ]
}

pub(super) fn record(catalogue: &mut Catalogue, entries: &[Entry]) {
    let entries: Vec<(Entry, &str)> = entries.iter().map(|e| (e.clone(), "now")).collect();
    catalogue.record(&entries).unwrap();
}

pub(super) fn sorted(mut entries: Vec<Entry>) -> Vec<Entry> {
    entries.sort_by(|a, b| a.file.cmp(&b.file));
    entries
}
