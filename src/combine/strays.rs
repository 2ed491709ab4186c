//! Lanes picked from a chunk, and the pixels of several chunks that may lose something: they are collected, and
//! settled side by side.

use super::chunk::Chunk;
use super::lanes::Lane;
use super::network::Network;

/// Exactly one for each lane of which something is so, else zero.
pub(super) type Flags<const LANES: usize> = [u8; LANES];

/// Lanes of a chunk, in order.
pub(super) struct Picked<const LANES: usize> {
    lanes: [u8; LANES],
    count: usize,
}

impl<const LANES: usize> Picked<LANES> {
    /// Those of the first `width` that are flagged.
    #[inline(always)]
    pub(super) fn of(flags: &Flags<LANES>, width: usize) -> Self {
        const { assert!(LANES.is_multiple_of(8) && LANES <= 256) };
        let mut picked = Self {
            lanes: [0; LANES],
            count: 0,
        };
        let (words, _) = flags.as_chunks::<8>();
        for (place, word) in words.iter().enumerate() {
            let mut word = u64::from_le_bytes(*word);
            while word != 0 {
                let lane = place * 8 + word.trailing_zeros() as usize / 8;
                word &= word - 1;
                if lane < width {
                    picked.lanes[picked.count] = lane as u8;
                    picked.count += 1;
                }
            }
        }
        picked
    }

    #[inline(always)]
    pub(super) fn lanes(&self) -> &[u8] {
        &self.lanes[..self.count]
    }
}

/// Such pixels, a lane each.
pub(super) struct Strays<T: Lane, const LANES: usize> {
    pub lanes: Chunk<T, LANES>,
    /// Their samples as they are handed in: they are picked one by one, and laid out all at once.
    samples: Vec<[T::Raw; LANES]>,
    /// Which pixels they are.
    pub pixels: [usize; LANES],
    pub held: usize,
}

impl<T: Lane, const LANES: usize> Strays<T, LANES> {
    pub(super) fn new(count: usize) -> Self {
        Self {
            lanes: Chunk::new(count),
            samples: vec![[T::BEYOND; LANES]; count],
            pixels: [0; LANES],
            held: 0,
        }
    }

    /// Takes as many of these lanes of a chunk as there is room for, and yields the others. Pixel `first` is
    /// the chunk's first.
    #[inline(always)]
    pub(super) fn take<'a>(
        &mut self,
        exposures: &[&[T::Raw]],
        first: usize,
        lanes: &'a [u8],
    ) -> &'a [u8] {
        let room = LANES - self.held;
        let (taken, left) = lanes.split_at(room.min(lanes.len()));
        for (mine, exposure) in self.samples.iter_mut().zip(exposures) {
            let mine = mine[self.held..].iter_mut().zip(taken);
            let samples = &exposure[first..];
            if let Some(samples) = samples.first_chunk::<LANES>() {
                // No lane lies beyond the last: the compiler sees that none does.
                mine.for_each(|(mine, &lane)| *mine = samples[usize::from(lane) % LANES]);
            } else {
                mine.for_each(|(mine, &lane)| *mine = samples[usize::from(lane)]);
            }
        }
        for (pixel, &lane) in self.pixels[self.held..].iter_mut().zip(taken) {
            *pixel = first + usize::from(lane);
        }
        self.held += taken.len();
        left
    }

    /// Lays them out and sorts each.
    #[inline(always)]
    pub(super) fn sort(&mut self, network: &Network) {
        for (row, samples) in self.lanes.raw_mut().iter_mut().zip(&self.samples) {
            for lane in 0..LANES {
                row[lane] = T::of(samples[lane]);
            }
        }
        self.lanes.sort(network);
    }

    pub(super) fn is_full(&self) -> bool {
        self.held == LANES
    }
}
