//! Planning over a library of years that only exists in memory: no file, no pixel, products that are on
//! file as soon as they are planned.

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use dawnledger::facts::*;
use dawnledger::measure::METHODS;
use dawnledger::plan::{Memory, Patience, plan_with};
use jiff::{SignedDuration, Timestamp};

use super::told;

/// Nights of 110 files make 99,990.
const NIGHTS: i64 = 909;
/// 21:00 UTC of the first evening.
const FIRST: &str = "2023-01-01T21:00:00Z";

/// Prints how long each plan takes: while products come to be, with nothing new, with a light more.
pub fn plans(settings: Settings) {
    println!("\nplan: a library of {NIGHTS} nights");
    let shared = Shared::default();
    let mut snapshot = Snapshot {
        entries: library(&shared),
        ..Snapshot::default()
    };
    snapshot.entries.sort_by(|a, b| a.file.cmp(&b.file));
    let mut memory = Memory::default();
    let mut timed = |what: &str, snapshot: &Snapshot| {
        let begun = Instant::now();
        let planned = plan_with(snapshot, &settings, Patience::None, &mut memory);
        let seconds = begun.elapsed().as_secs_f64();
        println!(
            "{what}: {seconds:.3} s, {} files, {} products on file, {} tasks",
            snapshot.entries.len(),
            snapshot.made.len(),
            planned.tasks.len(),
        );
        (planned, seconds)
    };
    loop {
        let (planned, _) = timed("work", &snapshot);
        if planned.tasks.is_empty() && planned.to_measure.is_empty() {
            break;
        }
        for task in &planned.tasks {
            let twice = snapshot.made.insert(made(task));
            assert!(twice.is_none(), "{} made twice", task.product);
        }
        for light in &planned.to_measure {
            snapshot.made.measure(light.fingerprint, METHODS);
        }
    }
    let mut times: Vec<f64> = (0..5).map(|_| timed("nothing new", &snapshot).1).collect();
    times.sort_by(f64::total_cmp);
    // Another light, ten minutes after the very last one.
    let last = FIRST.parse::<Timestamp>().unwrap() + night(NIGHTS - 1);
    let again = last + SignedDuration::from_mins(200 + 22 + 10);
    let new = entry("new.fits", frame(Kind::Light, "SII", again, &shared));
    let place = snapshot
        .entries
        .partition_point(|entry| entry.file < new.file);
    snapshot.entries.insert(place, new);
    let (planned, more) = timed("a light more", &snapshot);
    assert_eq!(planned.tasks.len(), 1, "that light");
    let (nothing, more) = (told(times[2], 0.1), told(more, 0.1));
    println!("nothing new, median of 5: {nothing}; a light more: {more}");
}

fn night(number: i64) -> SignedDuration {
    SignedDuration::from_hours(24 * number)
}

/// What the catalogue has once for all frames.
struct Shared {
    camera: Arc<Camera>,
    optics: Arc<Optics>,
    rig: Arc<str>,
    target: Arc<str>,
    filters: [Arc<str>; 4],
}

impl Shared {
    fn filter(&self, name: &str) -> Arc<str> {
        let known = self.filters.iter().find(|known| &***known == name);
        known.expect("a filter of the library").clone()
    }
}

impl Default for Shared {
    fn default() -> Self {
        Self {
            camera: Arc::new(Camera {
                name: "Petrel 26M".into(),
                width: 64,
                height: 48,
                binning: (1, 1),
                gain: Setting::new(100.0),
                offset: Setting::new(50.0),
                readout_mode: None,
                row_order: RowOrder::Unstated,
                origin: (0, 0),
                cfa: None,
                overscan: None,
            }),
            optics: Arc::default(),
            rig: "north-pier".into(),
            target: "Veil Nebula".into(),
            filters: ["Ha", "OIII", "SII", "none"].map(Arc::from),
        }
    }
}

/// In each night 70 lights and 30 flats through three filters, and 10 bias frames.
fn library(shared: &Shared) -> Vec<Entry> {
    let first = FIRST.parse::<Timestamp>().unwrap();
    let mut all = Vec::new();
    let mut series = |kind: Kind, filter: &str, count: i64, start: Timestamp| {
        for number in 0..count {
            let at = start + SignedDuration::from_mins(number);
            let name = format!("{kind}-{filter}-{at}.fits");
            all.push(entry(&name, frame(kind, filter, at, shared)));
        }
    };
    for number in 0..NIGHTS {
        let start = first + night(number);
        for (number, filter) in (0..).zip(["Ha", "OIII", "SII"]) {
            let flats = SignedDuration::from_mins(-200 + 20 * number);
            series(Kind::Flat, filter, 10, start + flats);
            let count = if number == 0 { 24 } else { 23 };
            let lights = SignedDuration::from_mins(100 * number);
            series(Kind::Light, filter, count, start + lights);
        }
        series(
            Kind::Bias,
            "none",
            10,
            start + SignedDuration::from_hours(7),
        );
    }
    all
}

fn frame(kind: Kind, filter: &str, start: Timestamp, shared: &Shared) -> Frame {
    let exposure = match kind {
        Kind::Light => 300.0,
        Kind::Flat => 2.0,
        _ => 0.0,
    };
    Frame {
        kind,
        rig: shared.rig.clone(),
        camera: shared.camera.clone(),
        filter: shared.filter(filter),
        exposure: Seconds::new(exposure).unwrap(),
        temperature: Celsius::new(-10.0),
        set_point: Celsius::new(-10.0),
        optics: shared.optics.clone(),
        rotator: None,
        sky_angle: None,
        target: (kind == Kind::Light).then(|| shared.target.clone()),
        start: Some(start),
        pointing: None,
        pixel_um: None,
        electrons_per_adu: None,
        remarks: Vec::new(),
    }
}

/// An entry whose contents are as unique as its name.
fn entry(name: &str, frame: Frame) -> Entry {
    let level = match frame.kind {
        Kind::Flat => 25_000.0,
        Kind::Light => 800.0,
        _ => 500.0,
    };
    let plane = PlaneSample {
        level,
        spread: 5.0,
        saturated: 0.0,
    };
    let sample = Sample {
        planes: [plane; 4],
        mesh: vec![level as f32; MESH * MESH],
        step: Some(1),
        saturation: 65535.0,
        highest: Some([60_000.0; 4]),
    };
    Entry {
        file: FileId {
            watch: "incoming".into(),
            path: RelPath::new(Path::new(name)).unwrap(),
        },
        stamp: Stamp {
            size: 1,
            mtime_ns: 0,
            ctime_ns: 0,
            inode: 0,
        },
        present: true,
        arrived: frame.start.unwrap(),
        content: Content::Frame {
            digest: Digest::new(*blake3::hash(name.as_bytes()).as_bytes()),
            frame: Arc::new(frame),
            sample: Some(Box::new(sample)),
            unusable: None,
        },
    }
}

/// What the catalogue would have of a task that was carried out.
fn made(task: &Task) -> Made {
    Made::of(task, 1, MadeStats::default())
}
