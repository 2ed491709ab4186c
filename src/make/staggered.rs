//! Room for the same rows of all exposures.
//!
//! Combining takes a few pixels of every exposure, again and again. A cache keeps a line of memory at a place
//! that the low bits of its address name, so if all exposures began at the same place of a page, a few of
//! them would drive each other out of it. Each therefore begins a line further into its page than the
//! one before.

/// Bytes after which places in a processor's first cache come round again.
const PAGE: usize = 4096;

/// Bytes by which an exposure begins further into its page: a line.
const FURTHER: usize = 64;

/// Rows of all exposures, of as many samples each.
#[derive(Default)]
pub(super) struct Staggered<T> {
    samples: Vec<T>,
    length: usize,
}

impl<T: Copy + Default> Staggered<T> {
    /// Makes room for so many exposures of `length` samples, and yields it, to be filled.
    pub(super) fn lay_out(
        &mut self,
        exposures: usize,
        length: usize,
    ) -> impl Iterator<Item = &mut [T]> {
        self.length = length;
        let step = self.step();
        self.samples.resize(exposures * step, T::default());
        let pieces = self.samples.chunks_exact_mut(step);
        pieces.map(move |piece| &mut piece[..length])
    }

    /// What was filled.
    pub(super) fn each(&self) -> Vec<&[T]> {
        let pieces = self.samples.chunks_exact(self.step());
        pieces.map(|piece| &piece[..self.length]).collect()
    }

    /// Samples from the begin of one exposure to that of the next.
    fn step(&self) -> usize {
        let pages = (self.length * size_of::<T>()).div_ceil(PAGE);
        (pages * PAGE + FURTHER) / size_of::<T>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::combine::{Stored, stored};

    #[test]
    fn each_begins_elsewhere_in_its_page() {
        for length in [1, 2048, 2049, 49_984] {
            let mut rows = Staggered::<Stored>::default();
            for (number, piece) in (0..).zip(rows.lay_out(40, length)) {
                piece.fill(stored(number));
            }
            let each = rows.each();
            assert_eq!(each.len(), 40);
            let lines: std::collections::BTreeSet<usize> = each
                .iter()
                .map(|piece| piece.as_ptr().addr() % PAGE / 64)
                .collect();
            assert_eq!(lines.len(), 40);
            for (number, piece) in (0..).zip(each) {
                assert_eq!(piece.len(), length);
                assert!(piece.iter().all(|sample| *sample == stored(number)));
            }
        }
    }

    #[test]
    fn is_laid_out_anew_for_other_rows() {
        let mut rows = Staggered::<f32>::default();
        for (exposures, length) in [(3, 5000), (5, 7), (2, 9000), (0, 4)] {
            assert_eq!(rows.lay_out(exposures, length).count(), exposures);
            assert!(rows.each().iter().all(|piece| piece.len() == length));
            assert_eq!(rows.each().len(), exposures);
        }
    }
}
