//! The noise of masters of a real camera's dark frames (EMVA 1288 reference set 001, see
//! `tests/data/darks/README.md`) against sigma/sqrt(n).

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::combine::{Exposures, Stored, combine, mean_and_sd};
use dawnledger::facts::{Combining, InputCount, Kind, MasterEntry};
use dawnledger::fits::{Source, Unpacker};

use crate::observatory::{Observatory, PROGRAM};

/// Temporal noise of one frame in ADU, computed with numpy over the whole set.
const SIGMA: f64 = 3.0818;

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/darks")
}

/// A master of so many frames from number `first` on, and the observatory that made it.
fn master(first: usize, frames: usize, method: &str) -> (Observatory, MasterEntry) {
    let profile = format!(
        "name: bench\ncamera: Wryneck 3\ncalibration:\n  \
         bias: {{rule: required, min_frames: 3, combine: {{method: {method}}}}}\n  \
         dark: {{rule: never}}\n  flat-dark: {{rule: never}}\n  flat: {{rule: never}}\n"
    );
    let here = Observatory::new(&[("bench", &profile)], "");
    for number in first..first + frames {
        let name = format!("dark_{number:02}.fits.fz");
        fs::copy(data().join(&name), here.incoming().join(&name)).unwrap();
    }
    here.once();
    let mut log = here.session("2026-09-05");
    assert_eq!(log.masters.len(), 1, "{:?}", log.calibration);
    let master = log.masters.remove(0);
    assert_eq!(
        (master.kind, master.frames_used),
        (Kind::Bias, Some(frames))
    );
    (here, master)
}

/// Temporal noise of a master as the log has it, and that of an ideal mean.
fn noise_of(frames: usize, method: &str) -> (f64, f64) {
    let (_, master) = master(0, frames, method);
    (
        master.temporal_noise_adu.unwrap(),
        master.ideal_noise_adu.unwrap(),
    )
}

fn image(here: &Observatory, path: &Path) -> Source {
    let unpacker = Unpacker::new(PROGRAM.into(), here.path("scratch"));
    Source::open(path, &unpacker).unwrap()
}

/// Two frames make no master (three are the fewest), so these are combined as they are read.
fn mean_of_two(first: usize) -> Vec<f32> {
    let here = Observatory::new(&[], "");
    let frames = [first, first + 1].map(|number| {
        let source = image(&here, &data().join(format!("dark_{number:02}.fits.fz")));
        let mut samples = vec![Stored::default(); source.width() * source.height()];
        source
            .rows_stored(0, source.height(), &mut samples)
            .unwrap();
        samples
    });
    let mut mean = vec![0.0; frames[0].len()];
    let slices = frames.each_ref().map(Vec::as_slice);
    let exposures = Exposures::U16(&slices);
    let mut rejected = [InputCount::default(); 2];
    combine(
        &Combining::Mean,
        exposures,
        4095.0,
        &mut mean,
        &mut rejected,
    );
    mean
}

fn master_pixels(first: usize, frames: usize, method: &str) -> Vec<f32> {
    let (here, master) = master(first, frames, method);
    let source = image(&here, &here.products().join(&master.product));
    let mut pixels = vec![0.0; source.width() * source.height()];
    source.rows_f32(0, source.height(), &mut pixels).unwrap();
    pixels
}

/// Noise of either of two images that have no frame in common, by their difference.
fn noise_between(one: &[f32], other: &[f32]) -> f64 {
    let pairs = one.iter().zip(other);
    let differences: Vec<f64> = pairs.map(|(one, other)| f64::from(one - other)).collect();
    mean_and_sd(&differences).unwrap().sd / std::f64::consts::SQRT_2
}

fn assert_near(found: f64, wanted: f64, what: &str) {
    assert!(
        (found / wanted - 1.0).abs() < 0.02,
        "{what}: {found} for {wanted}"
    );
}

/// numpy over the whole set of fifty, of which these are eighteen: means of 2 frames 2.189 (sigma/sqrt(n) is
/// 2.179), of 4 frames 1.543 (1.541), of 9 frames 1.024 (1.027); medians have 1.09 times sigma/sqrt(n) of 4
/// frames and 1.25 times of 9.
#[test]
fn masters_of_real_frames_differ_by_sigma_over_root_n() {
    let two = noise_between(&mean_of_two(0), &mean_of_two(2));
    assert_near(two, SIGMA / 2f64.sqrt(), "means of 2");
    for (frames, method, times) in [
        (4, "mean", 1.0),
        (8, "mean", 1.0),
        (9, "mean", 1.0),
        (4, "median", 1.09),
        (9, "median", 1.25),
    ] {
        let one = master_pixels(0, frames, method);
        let other = master_pixels(frames, frames, method);
        let wanted = times * SIGMA / (frames as f64).sqrt();
        let what = format!("{frames} by {method}");
        assert_near(noise_between(&one, &other), wanted, &what);
    }
}

/// numpy over the whole set: means of 16 frames 0.779 (sigma/sqrt(n) is 0.770), medians 1.23 times that. Two masters
/// of 16 would take 32 frames, so one is held against the mean of the two frames that are left, whose noise, that
/// of means of 2 above, comes off the difference's in quadrature. The published 25 (0.620, by all fifty frames)
/// cannot be held here.
#[test]
fn a_master_of_sixteen_differs_from_two_other_frames_by_no_more_than_both_noises() {
    let two = mean_of_two(16);
    for (method, times) in [("mean", 1.0), ("median", 1.23)] {
        let difference = noise_between(&master_pixels(0, 16, method), &two);
        let found = (2.0 * difference.powi(2) - SIGMA.powi(2) / 2.0).sqrt();
        assert_near(found, times * SIGMA / 4.0, &format!("16 by {method}"));
    }
}

#[test]
fn means_of_real_frames_reach_sigma_over_root_n() {
    for (frames, method) in [
        (4, "mean"),
        (9, "sigma-clip"),
        (16, "mean"),
        (16, "sigma-clip"),
    ] {
        let wanted = SIGMA / (frames as f64).sqrt();
        let (measured, ideal) = noise_of(frames, method);
        assert!(
            (ideal / wanted - 1.0).abs() < 0.02,
            "{frames} {method}: {ideal} for {wanted}"
        );
        // Clipping costs a little, and 20 000 pixels err by half a per cent.
        assert!(
            (0.98..1.06).contains(&(measured / wanted)),
            "{frames} {method}: {measured} for {wanted}"
        );
    }
}

/// A median of 8 has 0.743 of the efficiency of their mean, and whole ADU coarsen it further.
#[test]
fn a_median_of_real_frames_shows_what_it_costs() {
    let (measured, ideal) = noise_of(16, "median");
    assert!(
        (1.13..1.25).contains(&(measured / ideal)),
        "{measured} for {ideal}"
    );
}

/// A master by count is the master by the method chosen for its number of exposures, and its noise
/// is that of this method too: halves of 6 frames are not combined as sets of 3 would be.
#[test]
fn the_method_by_count_holds_for_the_halves_as_well() {
    let by_count = noise_of(6, "by-count");
    assert_eq!(by_count, noise_of(6, "winsorized"));
    assert_ne!(by_count, noise_of(6, "median"));
}
