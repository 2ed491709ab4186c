//! The kernels by themselves: every method at every level that this machine has, over a stretch of
//! 40 exposures that stays in the cache.
//!
//!     cargo bench --bench kernels

#![allow(missing_docs)]

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, Throughput};
use dawnledger::combine::{Exposures, Level, combine_at};
use dawnledger::facts::{Combining, InputCount};

const EXPOSURES: usize = 40;
const PIXELS: usize = 6248;

/// Noise of 12 ADU on a pedestal of 500, and one sample in 10,000 far out.
fn frames() -> Vec<Vec<u16>> {
    let mut state = 0x9e37_79b9_7f4a_7c15u64;
    let mut next = || {
        state ^= state >> 12;
        state ^= state << 25;
        state ^= state >> 27;
        state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 32
    };
    let mut sample = || {
        if next() % 10_000 == 0 {
            return 20_000;
        }
        // Sum of twelve: near enough to normal here.
        let sum: u64 = (0..12).map(|_| next() >> 16).sum();
        (500.0 + 12.0 * (sum as f64 / 65536.0 - 6.0)) as u16
    };
    (0..EXPOSURES)
        .map(|_| (0..PIXELS).map(|_| sample()).collect())
        .collect()
}

fn methods() -> Vec<(&'static str, Combining)> {
    let clip = |median_centre| Combining::SigmaClip {
        low: 4.0,
        high: 3.0,
        iterations: 5,
        median_centre,
    };
    vec![
        ("mean", Combining::Mean),
        ("median", Combining::Median),
        ("sigma-clip-mean", clip(false)),
        ("sigma-clip-median", clip(true)),
    ]
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let whole = frames();
    let real: Vec<Vec<f32>> = whole
        .iter()
        .map(|frame| frame.iter().map(|&sample| f32::from(sample)).collect())
        .collect();
    let whole: Vec<&[u16]> = whole.iter().map(Vec::as_slice).collect();
    let real: Vec<&[f32]> = real.iter().map(Vec::as_slice).collect();
    for (kind, exposures) in [
        ("u16", Exposures::U16(&whole)),
        ("f32", Exposures::F32(&real)),
    ] {
        let mut group = criterion.benchmark_group(kind);
        group.throughput(Throughput::Elements((EXPOSURES * PIXELS) as u64));
        for (name, method) in methods() {
            for level in Level::ALL.iter().copied().filter(|level| level.is_here()) {
                let id = BenchmarkId::new(name, format!("{level:?}"));
                let mut out = vec![0.0; PIXELS];
                let mut rejected = vec![InputCount::default(); EXPOSURES];
                group.bench_function(id, |bench| {
                    bench.iter(|| {
                        let method = black_box(&method);
                        combine_at(level, method, exposures, 65535.0, &mut out, &mut rejected)
                    });
                });
            }
        }
        group.finish();
    }
    criterion.final_summary();
}
