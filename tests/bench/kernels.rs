//! The kernels by themselves: every method at every level that this machine has, over a stretch of
//! 40 exposures that stays in the cache; and the stars of a light of 26 megapixels.
//!
//!     cargo bench --bench kernels

#![allow(missing_docs)]

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, Throughput};
use dawnledger::combine::{Exposures, Level, Stored, combine_at, stored};
use dawnledger::facts::{Cfa, Combining, InputCount};
use dawnledger::measure::{Light, stars};
use ndarray::Array2;

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
        (
            "winsorized",
            Combining::Winsorized {
                low: 4.0,
                high: 3.0,
            },
        ),
        (
            "generalized-esd",
            Combining::GeneralizedEsd {
                alpha: 0.05,
                max_outliers: 5,
            },
        ),
    ]
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let whole = frames();
    let real: Vec<Vec<f32>> = whole
        .iter()
        .map(|frame| frame.iter().map(|&sample| f32::from(sample)).collect())
        .collect();
    let whole: Vec<Vec<Stored>> = whole
        .iter()
        .map(|frame| frame.iter().copied().map(stored).collect())
        .collect();
    let whole: Vec<&[Stored]> = whole.iter().map(Vec::as_slice).collect();
    let real: Vec<&[f32]> = real.iter().map(Vec::as_slice).collect();
    for (kind, exposures) in [
        ("u16", Exposures::U16(&whole)),
        ("f32", Exposures::F32(&real)),
    ] {
        let mut group = criterion.benchmark_group(kind);
        group.throughput(Throughput::Elements((EXPOSURES * PIXELS) as u64));
        for (name, method) in methods() {
            for level in Level::here() {
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
    measure_stars(&mut criterion);
    criterion.final_summary();
}

/// 3,000 stars over a sky with noise, as bright as a field's counts have them.
fn light() -> Array2<f32> {
    const STARS: usize = 3000;
    const HEIGHT: usize = 4176;
    let mut state = 0x2545_f491_4f6c_dd1du64;
    let mut uniform = || {
        state ^= state >> 12;
        state ^= state << 25;
        state ^= state >> 27;
        (state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 40) as f32 / (1u64 << 24) as f32
    };
    let mut light = Array2::from_shape_simple_fn((HEIGHT, PIXELS), || {
        // Sum of four: near enough to normal here.
        800.0 + 20.0 * 1.732 * ((0..4).map(|_| uniform()).sum::<f32>() - 2.0)
    });
    for _ in 0..STARS {
        let (left, top) = (uniform() * PIXELS as f32, uniform() * HEIGHT as f32);
        let peak = (100.0 / (1.0 - uniform()).powf(1.2)).min(50_000.0);
        for y in (top as usize).saturating_sub(20)..(top as usize + 20).min(HEIGHT) {
            for x in (left as usize).saturating_sub(20)..(left as usize + 20).min(PIXELS) {
                let square = (x as f32 - left).powi(2) + (y as f32 - top).powi(2);
                // A full width of 3 pixels.
                light[(y, x)] += peak * (1.0 + square / 9.6).powf(-3.5);
            }
        }
    }
    light
}

fn measure_stars(criterion: &mut Criterion) {
    let plane = light();
    let mask = Array2::zeros(plane.dim());
    let mut group = criterion.benchmark_group("stars");
    group.sample_size(10);
    for (name, cfa) in [("mono", None), ("colour", Cfa::parse("RGGB"))] {
        let (plane, mask) = (plane.view(), Some(mask.view()));
        let light = Light { plane, mask, cfa };
        group.bench_function(name, |bench| {
            bench.iter(|| stars(black_box(&light)).map(|report| report.stars.count));
        });
    }
    group.finish();
}
