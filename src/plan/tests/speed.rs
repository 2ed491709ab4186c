//! How long planning takes over a library of years: printed, not asserted.
//!
//!     cargo test --release --lib plan::tests::speed -- --ignored --nocapture

use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::SignedDuration;

use super::bench::*;
use crate::facts::*;
use crate::measure::METHODS;
use crate::plan::{Memory, Patience, plan_with};

/// Nights of 110 files make 99,990.
const NIGHTS: i64 = 909;

#[test]
#[ignore = "takes a minute, and prints figures only"]
fn a_library_of_years() {
    let mut disk = library();
    let mut memory = Memory::default();
    loop {
        let planned = timed("", &disk, &mut memory);
        if planned.tasks.is_empty() && planned.to_measure.is_empty() {
            break;
        }
        for task in &planned.tasks {
            disk.carry_out_unasked(task);
        }
        let measured = planned.to_measure.iter().map(|light| light.fingerprint);
        disk.snapshot
            .measured
            .extend(measured.map(|print| (print, METHODS)));
    }
    for _ in 0..5 {
        timed("nothing new", &disk, &mut memory);
    }
    // The earliest light of the last night comes once more, as another exposure.
    let last = disk
        .snapshot
        .entries
        .iter()
        .filter(|entry| kind_of(entry) == Some(Kind::Light));
    let Content::Frame { frame, .. } = &last.max_by_key(|entry| entry.moment()).unwrap().content
    else {
        unreachable!("a light")
    };
    let mut frame = Frame::clone(frame);
    frame.start = frame
        .start
        .map(|start| start + SignedDuration::from_mins(10));
    disk.put([entry("new.fits", frame)]);
    timed("a light more", &disk, &mut memory);
}

fn timed(what: &str, disk: &FakeDisk, memory: &mut Memory) -> Plan {
    let begun = Instant::now();
    let planned = plan_with(&disk.snapshot, &disk.settings, Patience::None, memory);
    println!(
        "{what}: {:.3} s, {} files, {} products on file, {} tasks",
        begun.elapsed().as_secs_f64(),
        disk.snapshot.entries.len(),
        disk.snapshot.made.len(),
        planned.tasks.len(),
    );
    planned
}

fn library() -> FakeDisk {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.bias.run_gap = Duration::from_secs(6 * 3600);
    let mut disk = FakeDisk::new(settings(vec![profile]));
    let mut all = Vec::new();
    for night in 0..NIGHTS {
        let start = evening("2023-01-01") + SignedDuration::from_hours(24 * night);
        for (number, filter) in ["Ha", "OIII", "SII"].into_iter().enumerate() {
            let filtered = |frame: &mut Frame| frame.filter = filter.into();
            let at = start + SignedDuration::from_mins(-200 + 20 * number as i64);
            all.extend(series(Kind::Flat, 10, at, filtered));
            let at = start + SignedDuration::from_mins(100 * number as i64);
            let count = if number == 0 { 24 } else { 23 };
            all.extend(series(Kind::Light, count, at, filtered));
        }
        let at = start + SignedDuration::from_hours(7);
        all.extend(series(Kind::Bias, 10, at, |_| {}));
    }
    // As the catalogue has them: one camera and one optics for all.
    let (mut camera, mut optics) = (None, None);
    for entry in &mut all {
        if let Content::Frame { frame, .. } = &mut entry.content {
            let frame = Arc::make_mut(frame);
            frame.camera = camera.get_or_insert_with(|| frame.camera.clone()).clone();
            frame.optics = optics.get_or_insert_with(|| frame.optics.clone()).clone();
        }
    }
    disk.put(all);
    disk
}
