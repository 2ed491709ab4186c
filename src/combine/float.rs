//! Float samples, a chunk of neighbouring pixels at a time.
//!
//! Pixels with a sample that must not enter are left to the specification; everything else yields
//! the specification's bits: sums run over the same values in the same order.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::lanes::{self, Lanes};
use super::network::{merge_exchange, pruned};
use super::scalar::{self, Limits, Pixel, float_bounds, unsigned_zero};
use super::simd::{Kernel, Level};

/// Pixels that go through side by side.
const LANES: usize = 32;

/// Lanes whose sums stay in registers.
const GROUP: usize = 8;

type Row = lanes::Row<f32, LANES>;

/// The lowest `f32` that is at or above the saturation level; nothing where that excludes nothing.
fn lowest_excluded(saturation: f64) -> f32 {
    if saturation.is_nan() {
        return f32::INFINITY;
    }
    let level = saturation as f32;
    if f64::from(level) < saturation {
        level.next_up()
    } else {
        level
    }
}

pub(super) fn combine(
    level: Level,
    method: &Combining,
    exposures: &[&[f32]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    if exposures.is_empty() {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    level.run(Stretch {
        method,
        exposures,
        saturation,
        out,
        rejected,
        lanes: Lanes::new(exposures.len(), 0.0),
        column: Vec::with_capacity(exposures.len()),
        pixel: Pixel::new(),
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a> {
    method: &'a Combining,
    exposures: &'a [&'a [f32]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
    lanes: Lanes<f32, LANES>,
    column: Vec<f32>,
    pixel: Pixel<f32>,
    seen: Combined,
}

impl Kernel for Stretch<'_> {
    type Output = Combined;

    #[inline(always)]
    fn run(mut self) -> Combined {
        let excluded = lowest_excluded(self.saturation);
        let pairs = self.pairs();
        let length = self.out.len();
        for first in (0..length).step_by(LANES) {
            let width = LANES.min(length - first);
            self.lanes.gather(self.exposures, first, width, 0.0, |x| x);
            let mut apart = self.spoiled(excluded);
            let values = match *self.method {
                Combining::Mean => self.mean(),
                Combining::Median => self.median(&pairs),
                Combining::SigmaClip {
                    low,
                    high,
                    iterations,
                    median_centre,
                } => {
                    let limits = Limits {
                        low,
                        high,
                        iterations,
                        median_centre,
                    };
                    self.clip(&pairs, &limits, &mut apart)
                }
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
            };
            for (value, result) in self.out[first..first + width].iter_mut().zip(values) {
                *value = unsigned_zero(result);
            }
            if apart != [false; LANES] {
                for lane in (0..width).filter(|&lane| apart[lane]) {
                    self.set_apart(first + lane);
                }
            }
        }
        self.seen
    }
}

impl Stretch<'_> {
    fn pairs(&self) -> Vec<(u32, u32)> {
        let count = self.exposures.len();
        match self.method {
            Combining::Mean => Vec::new(),
            Combining::Median => pruned(&merge_exchange(count), &[(count - 1) / 2, count / 2]),
            _ => merge_exchange(count),
        }
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

    /// The lanes with a sample that must not enter.
    #[inline(always)]
    fn spoiled(&self, excluded: f32) -> [bool; LANES] {
        let mut spoiled = [false; LANES];
        for row in &self.lanes.raw {
            for lane in 0..LANES {
                // False for NaN and both infinities as well.
                let enters = (row.0[lane] < excluded) & (row.0[lane] > f32::NEG_INFINITY);
                spoiled[lane] |= !enters;
            }
        }
        spoiled
    }

    #[inline(always)]
    fn mean(&self) -> [f32; LANES] {
        let count = self.exposures.len() as f64;
        let mut means = [0.0; LANES];
        for (at, means) in means.as_chunks_mut::<GROUP>().0.iter_mut().enumerate() {
            let mut sums = [0.0f64; GROUP];
            for row in &self.lanes.raw {
                let row = &row.0.as_chunks::<GROUP>().0[at];
                for lane in 0..GROUP {
                    sums[lane] += f64::from(row[lane]);
                }
            }
            *means = sums.map(|sum| (sum / count) as f32);
        }
        means
    }

    #[inline(always)]
    fn median(&mut self, pairs: &[(u32, u32)]) -> [f32; LANES] {
        self.lanes.sort(pairs);
        let (below, above) = self.middle();
        std::array::from_fn(|lane| {
            ((f64::from(below.0[lane]) + f64::from(above.0[lane])) / 2.0) as f32
        })
    }

    fn middle(&self) -> (Row, Row) {
        let count = self.exposures.len();
        let sorted = &self.lanes.sorted;
        (sorted[(count - 1) / 2], sorted[count / 2])
    }

    /// Clips every lane that is not `apart`; a lane in which nothing survives becomes so. Counts
    /// what is dropped.
    #[inline(always)]
    fn clip(
        &mut self,
        pairs: &[(u32, u32)],
        limits: &Limits,
        apart: &mut [bool; LANES],
    ) -> [f32; LANES] {
        self.lanes.sort(pairs);
        let count = self.exposures.len();
        let size = count as f64;
        let (sums, squares) = self.sums();
        let (below, above) = self.middle();
        let mut least = self.lanes.sorted[0];
        let mut most = self.lanes.sorted[count - 1];
        let mut values = [0.0; LANES];
        let mut loses = [false; LANES];
        for lane in 0..LANES {
            let reference = f64::from(above.0[lane]);
            let median = (f64::from(below.0[lane]) + reference) / 2.0;
            values[lane] = (reference + sums[lane] / size) as f32;
            let bounds = float_bounds(limits, size, sums[lane], squares[lane], reference, median);
            loses[lane] =
                bounds.below(f64::from(least.0[lane])) | bounds.above(f64::from(most.0[lane]));
        }
        let mut any = false;
        for lane in 0..LANES {
            if apart[lane] {
                // NaN may have upset the order; with these bounds nothing is counted.
                least.0[lane] = f32::NEG_INFINITY;
                most.0[lane] = f32::INFINITY;
                continue;
            }
            if limits.iterations == 0 || !loses[lane] {
                continue;
            }
            self.column.clear();
            self.column
                .extend(self.lanes.sorted.iter().map(|row| row.0[lane]));
            let (kept, _) = scalar::survivors(&self.column, limits);
            if kept.is_empty() {
                apart[lane] = true;
                continue;
            }
            any = true;
            least.0[lane] = self.column[kept.start];
            most.0[lane] = self.column[kept.end - 1];
            values[lane] = <f32 as scalar::Sample>::mean(&self.column[kept]) as f32;
        }
        if any {
            self.count(&least, &most);
        }
        values
    }

    /// Sum and sum of squares of each sorted lane, counted from the upper of its middle two.
    #[inline(always)]
    fn sums(&self) -> ([f64; LANES], [f64; LANES]) {
        let reference = self.middle().1.0;
        let mut all = ([0.0; LANES], [0.0; LANES]);
        let sums = all.0.as_chunks_mut::<GROUP>().0.iter_mut();
        let squares = all.1.as_chunks_mut::<GROUP>().0.iter_mut();
        for (at, (sums, squares)) in sums.zip(squares).enumerate() {
            let reference = reference.as_chunks::<GROUP>().0[at].map(f64::from);
            let (mut sum, mut square) = ([0.0; GROUP], [0.0; GROUP]);
            for row in &self.lanes.sorted {
                let row = &row.0.as_chunks::<GROUP>().0[at];
                for lane in 0..GROUP {
                    let offset = f64::from(row[lane]) - reference[lane];
                    sum[lane] += offset;
                    square[lane] += offset * offset;
                }
            }
            (*sums, *squares) = (sum, square);
        }
        all
    }

    /// Adds how many of each exposure's samples lie outside what is kept.
    #[inline(always)]
    fn count(&mut self, least: &Row, most: &Row) {
        for (row, count) in self.lanes.raw.iter().zip(self.rejected.iter_mut()) {
            let (mut low, mut high) = (0u32, 0u32);
            for lane in 0..LANES {
                low += u32::from(row.0[lane] < least.0[lane]);
                high += u32::from(row.0[lane] > most.0[lane]);
            }
            count.low += u64::from(low);
            count.high += u64::from(high);
        }
    }
}
