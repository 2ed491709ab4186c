//! A chunk of pixels side by side: one row per exposure, one lane per pixel.
//!
//! Everything runs down the rows in lockstep over the lanes. Row lengths are constants, so that the
//! loops become vector instructions of whatever width the caller is compiled for; hence
//! `#[inline(always)]` (see [`super::simd`]).

use std::ops::{Deref, DerefMut};

use super::lanes::Lane;
use super::network::{BLOCK, Block, Network, sort_into};
use super::simd::ask_for;

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

/// Lanes whose sums down the rows stay in registers.
pub(super) const PART: usize = 32;

impl<T, const LANES: usize> Row<T, LANES> {
    /// The lanes in parts; there are whole ones only.
    #[inline(always)]
    pub(super) fn part(&self, place: usize) -> &[T; PART] {
        const { assert!(LANES.is_multiple_of(PART)) };
        &self.0.as_chunks().0[place]
    }
}

/// Asks for an exposure's samples of the next chunk. A processor that sees many exposures read in turn does
/// not guess that they go on.
#[inline(always)]
fn ask_for_next<T, const LANES: usize>(exposure: &[T], first: usize) {
    if let Some(next) = exposure.get(first + LANES..first + 2 * LANES) {
        ask_for(next);
    }
}

/// The samples of a chunk as they came, and sorted.
pub(super) struct Chunk<T, const LANES: usize> {
    count: usize,
    raw: Vec<Block<T, LANES>>,
    sorted: Vec<Block<T, LANES>>,
}

impl<T: Lane, const LANES: usize> Chunk<T, LANES> {
    /// Room for `count` exposures.
    pub(super) fn new(count: usize) -> Self {
        // Rows beyond the last exposure stay as they are.
        let blocks = vec![[Row([T::MOST; LANES]); BLOCK]; count.div_ceil(BLOCK)];
        Self {
            count,
            sorted: blocks.clone(),
            raw: blocks,
        }
    }

    /// One row per exposure.
    #[inline(always)]
    pub(super) fn raw(&self) -> &[Row<T, LANES>] {
        &self.raw.as_flattened()[..self.count]
    }

    /// The same, to be filled.
    #[inline(always)]
    pub(super) fn raw_mut(&mut self) -> &mut [Row<T, LANES>] {
        &mut self.raw.as_flattened_mut()[..self.count]
    }

    /// The same with every lane sorted upwards, after [`Chunk::sort`].
    #[inline(always)]
    pub(super) fn sorted(&self) -> &[Row<T, LANES>] {
        &self.sorted.as_flattened()[..self.count]
    }

    /// Lays out `width` pixels from pixel `first` on; lanes beyond are zero.
    #[inline(always)]
    pub(super) fn gather(&mut self, exposures: &[&[T::Raw]], first: usize, width: usize) {
        for (row, exposure) in self.raw_mut().iter_mut().zip(exposures) {
            let samples = &exposure[first..first + width];
            ask_for_next::<_, LANES>(exposure, first);
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

    /// Sorts every lane, as far as the network does.
    #[inline(always)]
    pub(super) fn sort(&mut self, network: &Network) {
        self.sort_blocks();
        network.merge(&mut self.sorted);
    }

    #[inline(always)]
    fn sort_blocks(&mut self) {
        for (raw, block) in self.raw.iter().zip(&mut self.sorted) {
            sort_into(raw.each_ref().map(|row| &row.0), |sample| sample, block);
        }
    }

    /// [`Chunk::gather`] and [`Chunk::sort`] where only the sorted samples are wanted: [`Chunk::raw`] is
    /// of another chunk after it.
    #[inline(always)]
    pub(super) fn gather_sorted(
        &mut self,
        exposures: &[&[T::Raw]],
        first: usize,
        width: usize,
        network: &Network,
    ) {
        self.gather_blocks(exposures, first, width);
        network.merge(&mut self.sorted);
    }

    /// The same as far as blocks are sorted each, which [`Chunk::merge`] goes on with.
    #[inline(always)]
    pub(super) fn gather_blocks(&mut self, exposures: &[&[T::Raw]], first: usize, width: usize) {
        if width < LANES {
            self.gather(exposures, first, width);
            return self.sort_blocks();
        }
        let beyond = [T::BEYOND; LANES];
        for (exposures, block) in exposures.chunks(BLOCK).zip(&mut self.sorted) {
            let mut rows = [&beyond; BLOCK];
            for (row, exposure) in rows.iter_mut().zip(exposures) {
                ask_for_next::<_, LANES>(exposure, first);
                let (samples, _) = exposure[first..first + width].as_chunks();
                // The one that there is: the chunk is as wide as its lanes.
                *row = &samples[0];
            }
            sort_into(rows, T::of, block);
        }
    }

    /// Sorts every lane, as far as the network does, whose blocks are sorted each.
    #[inline(always)]
    pub(super) fn merge(&mut self, network: &Network) {
        network.merge(&mut self.sorted);
    }

    /// Smallest and largest sample of each lane, whose blocks are sorted each.
    #[inline(always)]
    pub(super) fn extremes_of_blocks(&self) -> (Row<T, LANES>, Row<T, LANES>) {
        let (mut least, mut most) = (Row([T::MOST; LANES]), Row([T::LEAST; LANES]));
        for (place, block) in self.sorted.iter().enumerate() {
            // Behind the last exposure come rows that nothing is greater than.
            let last = (self.count - place * BLOCK).min(BLOCK) - 1;
            for lane in 0..LANES {
                least[lane] = block[0][lane].lesser(least[lane]);
                most[lane] = block[last][lane].greater(most[lane]);
            }
        }
        (least, most)
    }

    /// Smallest and largest sample of each lane, without sorting.
    #[inline(always)]
    pub(super) fn extremes(&self) -> (Row<T, LANES>, Row<T, LANES>) {
        let raw = self.raw();
        let (mut least, mut most) = (raw[0], raw[0]);
        for row in &raw[1..] {
            for lane in 0..LANES {
                least[lane] = row[lane].lesser(least[lane]);
                most[lane] = row[lane].greater(most[lane]);
            }
        }
        (least, most)
    }
}
