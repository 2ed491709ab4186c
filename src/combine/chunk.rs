//! A chunk of pixels side by side: one row per exposure, one lane per pixel.
//!
//! Everything runs down the rows in lockstep over the lanes. Row lengths are constants, so that the
//! loops become vector instructions of whatever width the caller is compiled for; hence
//! `#[inline(always)]` (see [`super::simd`]).

use std::ops::{Deref, DerefMut};

use super::lanes::Lane;
use super::network::{self, Pairs};

/// One sample of each pixel, at the start of a cache line.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
pub(super) struct Row<T, const LANES: usize>(pub [T; LANES]);

impl<T, const LANES: usize> Deref for Row<T, LANES> {
    type Target = [T; LANES];

    #[inline(always)]
    fn deref(&self) -> &[T; LANES] {
        &self.0
    }
}

impl<T, const LANES: usize> DerefMut for Row<T, LANES> {
    #[inline(always)]
    fn deref_mut(&mut self) -> &mut [T; LANES] {
        &mut self.0
    }
}

/// The samples of a chunk as they came, and sorted.
pub(super) struct Chunk<T, const LANES: usize> {
    /// One row per exposure.
    pub raw: Vec<Row<T, LANES>>,
    /// The same with every lane sorted upwards, after [`Chunk::sort`].
    pub sorted: Vec<Row<T, LANES>>,
}

impl<T: Lane, const LANES: usize> Chunk<T, LANES> {
    /// Room for `count` exposures.
    pub(super) fn new(count: usize) -> Self {
        Self {
            raw: vec![Row([T::default(); LANES]); count],
            sorted: vec![Row([T::default(); LANES]); count],
        }
    }

    /// Lays out `width` pixels from pixel `first` on; lanes beyond are zero.
    #[inline(always)]
    pub(super) fn gather(&mut self, exposures: &[&[T::Raw]], first: usize, width: usize) {
        for (row, exposure) in self.raw.iter_mut().zip(exposures) {
            let samples = &exposure[first..first + width];
            if let Ok(samples) = <&[T::Raw; LANES]>::try_from(samples) {
                for (lane, &sample) in row.iter_mut().zip(samples) {
                    *lane = T::of(sample);
                }
            } else {
                row.0 = [T::default(); LANES];
                for (lane, &sample) in row.iter_mut().zip(samples) {
                    *lane = T::of(sample);
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
                least[lane] = row[lane].lesser(least[lane]);
                most[lane] = row[lane].greater(most[lane]);
            }
        }
        (least, most)
    }
}
