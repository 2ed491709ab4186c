//! 16-bit samples, a chunk of neighbouring pixels at a time.
//!
//! Samples are kept as `i16` with the top bit turned over, since every x86-64 has a vector minimum
//! of signed 16-bit numbers. Pixels with a sample that must not enter are left to the
//! specification; everything else yields the specification's bits.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::lanes::{self, Lanes};
use super::network::{merge_exchange, pruned};
use super::scalar::{self, Limits, Pixel};
use super::simd::{Kernel, Level};

mod clip;
mod sums;

/// Pixels that go through side by side.
const LANES: usize = 64;

/// Above this many exposures the sums of a pixel might not fit, and speed is no concern.
const MOST: usize = 1 << 15;

type Row<T = i16> = lanes::Row<T, LANES>;

#[inline(always)]
fn turn(value: u16) -> i16 {
    (value ^ 0x8000) as i16
}

#[inline(always)]
fn turn_back(value: i16) -> u16 {
    value as u16 ^ 0x8000
}

/// The lowest sample that must not enter, turned, where there is one.
fn lowest_excluded(saturation: f64) -> Option<i16> {
    (saturation <= f64::from(u16::MAX)).then_some(turn(saturation.max(0.0).ceil() as u16))
}

pub(super) fn combine(
    level: Level,
    method: &Combining,
    exposures: &[&[u16]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    if exposures.is_empty() || exposures.len() > MOST {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    level.run(Stretch {
        method,
        exposures,
        saturation,
        out,
        rejected,
        pixel: Pixel::new(),
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a> {
    method: &'a Combining,
    exposures: &'a [&'a [u16]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
    pixel: Pixel<u16>,
    seen: Combined,
}

impl Kernel for Stretch<'_> {
    type Output = Combined;

    #[inline(always)]
    fn run(mut self) -> Combined {
        match *self.method {
            Combining::Mean => self.mean(),
            Combining::Median => self.median(),
            Combining::SigmaClip {
                low,
                high,
                iterations,
                median_centre,
            } => self.clip(&Limits {
                low,
                high,
                iterations,
                median_centre,
            }),
            // The others have their fast form in `ranges`.
            _ => {
                return scalar::combine(
                    self.method,
                    self.exposures,
                    self.saturation,
                    self.out,
                    self.rejected,
                );
            }
        }
        self.seen
    }
}

impl Stretch<'_> {
    fn chunks(&self) -> impl Iterator<Item = (usize, usize)> + use<> {
        let length = self.out.len();
        (0..length)
            .step_by(LANES)
            .map(move |first| (first, LANES.min(length - first)))
    }

    #[inline(always)]
    fn gather(&self, lanes: &mut Lanes<i16, LANES>, first: usize, width: usize) {
        lanes.gather(self.exposures, first, width, turn(0), turn);
    }

    /// Leaves a pixel to the specification.
    fn set_apart(&mut self, at: usize) {
        let samples = self.exposures.iter().map(|exposure| exposure[at]);
        self.out[at] = self.pixel.combine(
            self.method,
            samples,
            self.saturation,
            self.rejected,
            &mut self.seen,
        );
    }

    /// Leaves those pixels of a chunk to the specification that have a sample at or above `level`.
    #[inline(always)]
    fn set_spoiled_apart(&mut self, level: i16, most: &Row, first: usize, width: usize) {
        let mut any = false;
        for &most in &most.0 {
            any |= most >= level;
        }
        if any {
            for lane in (0..width).filter(|&lane| most.0[lane] >= level) {
                self.set_apart(first + lane);
            }
        }
    }

    #[inline(always)]
    fn mean(&mut self) {
        let excluded = lowest_excluded(self.saturation);
        let count = self.exposures.len() as f64;
        let mut lanes = Lanes::new(self.exposures.len(), turn(0));
        for (first, width) in self.chunks() {
            self.gather(&mut lanes, first, width);
            let means: [f32; LANES] = lanes
                .totals()
                .map(|total| (f64::from(total) / count) as f32);
            self.out[first..first + width].copy_from_slice(&means[..width]);
            if let Some(level) = excluded {
                let (_, most) = lanes.extremes();
                self.set_spoiled_apart(level, &most, first, width);
            }
        }
    }

    #[inline(always)]
    fn median(&mut self) {
        let excluded = lowest_excluded(self.saturation);
        let count = self.exposures.len();
        let (below, above, last) = ((count - 1) / 2, count / 2, count - 1);
        let pairs = pruned(&merge_exchange(count), &[below, above, last]);
        let mut lanes = Lanes::new(count, turn(0));
        for (first, width) in self.chunks() {
            self.gather(&mut lanes, first, width);
            lanes.sort(&pairs);
            let (below, above) = (&lanes.sorted[below].0, &lanes.sorted[above].0);
            let medians: [f32; LANES] = std::array::from_fn(|lane| {
                let sum = u32::from(turn_back(below[lane])) + u32::from(turn_back(above[lane]));
                // Below 2^24: exact.
                sum as f32 / 2.0
            });
            self.out[first..first + width].copy_from_slice(&medians[..width]);
            if let Some(level) = excluded {
                let most = lanes.sorted[last];
                self.set_spoiled_apart(level, &most, first, width);
            }
        }
    }
}
