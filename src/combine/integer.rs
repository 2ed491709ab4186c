//! 16-bit samples, a chunk of neighbouring pixels at a time.
//!
//! Samples are `i16`, less 32,768, as FITS has them: every x86-64 has a vector minimum of signed 16-bit
//! numbers. Pixels with a sample that must not enter are left to the
//! specification; everything else yields the specification's bits.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::chunk::{self, Chunk};
use super::form::{Basic, MOST_EXPOSURES};
use super::lanes::{LANES, Lane, chunks, means};
use super::network::Network;
use super::scalar::{self, Pixel};
use super::simd::{Kernel, Level};
use super::stored::Stored;

mod clip;
mod sums;

type Row<T = i16> = chunk::Row<T, LANES>;

pub(super) fn combine(
    level: Level,
    form: Basic,
    method: &Combining,
    exposures: &[&[Stored]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    if exposures.is_empty() || exposures.len() > MOST_EXPOSURES {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    level.run(Stretch {
        form,
        exposures,
        saturation,
        out,
        rejected,
        pixel: Pixel::new(method),
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a> {
    form: Basic,
    exposures: &'a [&'a [Stored]],
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
        match self.form {
            Basic::Mean => self.mean(),
            Basic::Median => self.median(),
            Basic::Clip(limits) => self.clip(&limits),
        }
        self.seen
    }
}

impl Stretch<'_> {
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

    /// Leaves those pixels of a chunk to the specification that have a sample above `limit`.
    #[inline(always)]
    fn set_spoiled_apart(&mut self, limit: i32, most: &Row, first: usize, width: usize) {
        let mut any = false;
        for &most in most.iter() {
            any |= i32::from(most) > limit;
        }
        if any {
            for lane in (0..width).filter(|&lane| i32::from(most[lane]) > limit) {
                self.set_apart(first + lane);
            }
        }
    }

    #[inline(always)]
    fn mean(&mut self) {
        let limit = i16::limit(self.saturation);
        let count = self.exposures.len();
        let mut lanes = Chunk::<i16, LANES>::new(count);
        for (first, width) in chunks(self.out.len()) {
            lanes.gather(self.exposures, first, width);
            let means = means(&lanes.totals(), count);
            self.out[first..first + width].copy_from_slice(&means[..width]);
            if limit < i32::from(i16::MAX) {
                let (_, most) = lanes.extremes();
                self.set_spoiled_apart(limit, &most, first, width);
            }
        }
    }

    #[inline(always)]
    fn median(&mut self) {
        let limit = i16::limit(self.saturation);
        let count = self.exposures.len();
        let (below, above) = ((count - 1) / 2, count / 2);
        let network = Network::only(count, &[below, above]);
        let mut lanes = Chunk::<i16, LANES>::new(count);
        for (first, width) in chunks(self.out.len()) {
            lanes.gather_blocks(self.exposures, first, width);
            let (_, most) = lanes.extremes_of_blocks();
            lanes.merge(&network);
            let sorted = lanes.sorted();
            let (below, above) = (&sorted[below], &sorted[above]);
            let mut medians = [0.0; LANES];
            for lane in 0..LANES {
                let sum = u32::from(below[lane].value()) + u32::from(above[lane].value());
                // Below 2^24: exact.
                medians[lane] = sum as f32 / 2.0;
            }
            self.out[first..first + width].copy_from_slice(&medians[..width]);
            self.set_spoiled_apart(limit, &most, first, width);
        }
    }
}
