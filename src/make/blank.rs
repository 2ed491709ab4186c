//! Planes to be filled, and their rows.

use ndarray::Array2;
use ndarray::parallel::prelude::*;

/// Pixels that one thread blanks at a time.
const RUN: usize = 1 << 18;

/// A plane of zeros, `(height, width)`. All threads touch its memory: the first touch of fresh memory
/// costs more than reading a frame into it, and the allocator's own zeroing would be left to one.
#[allow(clippy::expect_used, reason = "the vector has the length of its shape")]
pub(super) fn blank<T: Clone + Default + Send>((height, width): (usize, usize)) -> Array2<T> {
    let pixels = (0..height * width).into_par_iter().with_min_len(RUN);
    let pixels = pixels.map(|_| T::default()).collect();
    Array2::from_shape_vec((height, width), pixels).expect("a plane of its own length")
}

#[allow(
    clippy::expect_used,
    reason = "whole rows of a standard-layout array are contiguous"
)]
pub(super) fn contiguous<T>(slice: Option<&[T]>) -> &[T] {
    slice.expect("rows of a plane are contiguous")
}

#[allow(
    clippy::expect_used,
    reason = "whole rows of a standard-layout array are contiguous"
)]
pub(super) fn contiguous_mut<T>(slice: Option<&mut [T]>) -> &mut [T] {
    slice.expect("rows of a plane are contiguous")
}
