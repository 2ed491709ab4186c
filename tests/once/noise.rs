//! The noise of masters of a real camera's dark frames (EMVA 1288 reference set 001, see
//! `tests/data/darks/README.md`) against sigma/sqrt(n).

use std::fs;
use std::path::Path;

use dawnledger::facts::Kind;

use crate::observatory::Observatory;

/// Temporal noise of one frame in ADU, computed with numpy over the whole set.
const SIGMA: f64 = 3.0818;

fn noise_of(frames: usize, method: &str) -> (f64, f64) {
    let profile = format!(
        "name: bench\ncamera: Wryneck 3\ncalibration:\n  \
         bias: {{rule: required, min_frames: 3, combine: {{method: {method}}}}}\n  \
         dark: {{rule: never}}\n  flat-dark: {{rule: never}}\n  flat: {{rule: never}}\n"
    );
    let here = Observatory::new(&[("bench", &profile)], "");
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/darks");
    for number in 0..frames {
        let name = format!("dark_{number:02}.fits.fz");
        fs::copy(data.join(&name), here.incoming().join(&name)).unwrap();
    }
    here.once();
    let log = here.session("2026-09-05");
    assert_eq!(log.masters.len(), 1, "{:?}", log.calibration);
    let master = &log.masters[0];
    assert_eq!((master.kind, master.frames_used), (Kind::Bias, frames));
    (
        master.temporal_noise_adu.unwrap(),
        master.ideal_noise_adu.unwrap(),
    )
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
