//! A chunk of pixels side by side: one row per exposure, one lane per pixel.
//!
//! Everything runs down the rows in lockstep over the lanes. Row lengths are constants, so that the
//! loops become vector instructions of whatever width the caller is compiled for; hence
//! `#[inline(always)]` (see [`super::simd`]).

use super::network::{self, Ordered, Pairs};

/// One sample of each pixel, at the start of a cache line.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
pub(super) struct Row<T, const LANES: usize>(pub [T; LANES]);

/// The samples of a chunk as they came, and sorted.
pub(super) struct Lanes<T, const LANES: usize> {
    /// One row per exposure.
    pub raw: Vec<Row<T, LANES>>,
    /// The same with every lane sorted upwards, after [`Lanes::sort`].
    pub sorted: Vec<Row<T, LANES>>,
}

impl<T: Ordered, const LANES: usize> Lanes<T, LANES> {
    /// Room for `count` exposures; `rest` is in the lanes that no pixel has.
    pub(super) fn new(count: usize, rest: T) -> Self {
        Self {
            raw: vec![Row([rest; LANES]); count],
            sorted: vec![Row([rest; LANES]); count],
        }
    }

    /// Lays out `width` pixels from pixel `first` on, each sample turned by `turn`; lanes beyond
    /// hold `rest`.
    #[inline(always)]
    pub(super) fn gather<S: Copy>(
        &mut self,
        exposures: &[&[S]],
        first: usize,
        width: usize,
        rest: T,
        turn: impl Fn(S) -> T,
    ) {
        for (row, exposure) in self.raw.iter_mut().zip(exposures) {
            let samples = &exposure[first..first + width];
            if let Ok(samples) = <&[S; LANES]>::try_from(samples) {
                for (turned, &sample) in row.0.iter_mut().zip(samples) {
                    *turned = turn(sample);
                }
            } else {
                row.0 = [rest; LANES];
                for (turned, &sample) in row.0.iter_mut().zip(samples) {
                    *turned = turn(sample);
                }
            }
        }
    }

    /// Sorts every lane; with fewer `pairs` than the whole network, what those put in place.
    #[inline(always)]
    pub(super) fn sort(&mut self, pairs: &Pairs) {
        self.sorted.copy_from_slice(&self.raw);
        network::sort(pairs, &mut self.sorted);
    }

    /// Smallest and largest sample of each lane, without sorting.
    #[inline(always)]
    pub(super) fn extremes(&self) -> (Row<T, LANES>, Row<T, LANES>) {
        let (mut least, mut most) = (self.raw[0], self.raw[0]);
        for row in &self.raw[1..] {
            for lane in 0..LANES {
                least.0[lane] = row.0[lane].lesser(least.0[lane]);
                most.0[lane] = row.0[lane].greater(most.0[lane]);
            }
        }
        (least, most)
    }
}
