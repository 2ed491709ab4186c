//! Float samples, a chunk of neighbouring pixels at a time.
//!
//! Pixels with a sample that must not enter are left to the specification; everything else yields
//! the specification's bits: sums run over the same values in the same order.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::chunk::{self, Chunk};
use super::form::{Basic, Limits};
use super::lanes::Lane;
use super::network::Network;
use super::scalar::{self, Pixel, float_bounds, unsigned_zero};
use super::simd::{Kernel, Level};

/// Pixels that go through side by side.
const LANES: usize = 32;

type Row = chunk::Row<f32, LANES>;

pub(super) fn combine(
    level: Level,
    form: Basic,
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
        form,
        exposures,
        saturation,
        out,
        rejected,
        lanes: Chunk::new(exposures.len()),
        column: Vec::with_capacity(exposures.len()),
        pixel: Pixel::new(method),
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a> {
    form: Basic,
    exposures: &'a [&'a [f32]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
    lanes: Chunk<f32, LANES>,
    column: Vec<f32>,
    pixel: Pixel<f32>,
    seen: Combined,
}

impl Kernel for Stretch<'_> {
    type Output = Combined;

    #[inline(always)]
    fn run(mut self) -> Combined {
        let excluded = f32::limit(self.saturation);
        let network = self.network();
        let length = self.out.len();
        for first in (0..length).step_by(LANES) {
            let width = LANES.min(length - first);
            self.lanes.gather(self.exposures, first, width);
            let mut apart = f32::spoiled(self.lanes.raw(), excluded);
            let values = match self.form {
                Basic::Mean => self.mean(),
                Basic::Median => self.median(&network),
                Basic::Clip(limits) => self.clip(&network, &limits, &mut apart),
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
    fn network(&self) -> Network {
        let count = self.exposures.len();
        match self.form {
            Basic::Median => Network::only(count, &[(count - 1) / 2, count / 2]),
            Basic::Clip(_) => Network::whole(count),
            Basic::Mean => Network::whole(0),
        }
    }

    /// Leaves a pixel to the specification.
    fn set_apart(&mut self, at: usize) {
        self.out[at] = self.pixel.combine(
            self.exposures,
            at,
            self.saturation,
            self.rejected,
            &mut self.seen,
        );
    }

    #[inline(always)]
    fn mean(&self) -> [f32; LANES] {
        let mut sums = [0.0f64; LANES];
        for row in self.lanes.raw() {
            for lane in 0..LANES {
                sums[lane] += f64::from(row[lane]);
            }
        }
        let count = self.exposures.len() as f64;
        let mut means = [0.0; LANES];
        for lane in 0..LANES {
            means[lane] = (sums[lane] / count) as f32;
        }
        means
    }

    #[inline(always)]
    fn median(&mut self, network: &Network) -> [f32; LANES] {
        self.lanes.sort(network);
        let (below, above) = self.middle();
        let mut medians = [0.0; LANES];
        for lane in 0..LANES {
            medians[lane] = ((f64::from(below[lane]) + f64::from(above[lane])) / 2.0) as f32;
        }
        medians
    }

    #[inline(always)]
    fn middle(&self) -> (Row, Row) {
        let count = self.exposures.len();
        let sorted = self.lanes.sorted();
        (sorted[(count - 1) / 2], sorted[count / 2])
    }

    /// Clips every lane that is not `apart`; a lane in which nothing survives becomes so. Counts
    /// what is dropped.
    #[inline(always)]
    fn clip(
        &mut self,
        network: &Network,
        limits: &Limits,
        apart: &mut [bool; LANES],
    ) -> [f32; LANES] {
        self.lanes.sort(network);
        let count = self.exposures.len();
        let size = count as f64;
        let (sums, squares) = self.sums();
        let (below, above) = self.middle();
        let mut least = self.lanes.sorted()[0];
        let mut most = self.lanes.sorted()[count - 1];
        let mut values = [0.0; LANES];
        let mut loses = [false; LANES];
        for lane in 0..LANES {
            let reference = f64::from(above[lane]);
            let median = (f64::from(below[lane]) + reference) / 2.0;
            values[lane] = (reference + sums[lane] / size) as f32;
            let bounds = float_bounds(limits, size, sums[lane], squares[lane], reference, median);
            loses[lane] =
                bounds.below(f64::from(least[lane])) | bounds.above(f64::from(most[lane]));
        }
        let mut any = false;
        for lane in 0..LANES {
            if apart[lane] {
                // NaN may have upset the order; with these bounds nothing is counted.
                least[lane] = f32::NEG_INFINITY;
                most[lane] = f32::INFINITY;
                continue;
            }
            if limits.iterations == 0 || !loses[lane] {
                continue;
            }
            self.column.clear();
            self.column
                .extend(self.lanes.sorted().iter().map(|row| row[lane]));
            let (kept, _) = scalar::survivors(&self.column, limits);
            if kept.is_empty() {
                apart[lane] = true;
                continue;
            }
            any = true;
            least[lane] = self.column[kept.start];
            most[lane] = self.column[kept.end - 1];
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
        let reference = self.middle().1;
        let mut sums = [0.0; LANES];
        let mut squares = [0.0; LANES];
        for row in self.lanes.sorted() {
            for lane in 0..LANES {
                let offset = f64::from(row[lane]) - f64::from(reference[lane]);
                sums[lane] += offset;
                squares[lane] += offset * offset;
            }
        }
        (sums, squares)
    }

    /// Adds how many of each exposure's samples lie outside what is kept.
    #[inline(always)]
    fn count(&mut self, least: &Row, most: &Row) {
        for (row, count) in self.lanes.raw().iter().zip(self.rejected.iter_mut()) {
            let (mut low, mut high) = (0u32, 0u32);
            for lane in 0..LANES {
                low += u32::from(row[lane] < least[lane]);
                high += u32::from(row[lane] > most[lane]);
            }
            count.low += u64::from(low);
            count.high += u64::from(high);
        }
    }
}
