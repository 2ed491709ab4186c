//! How far the samples of each lane lie from a reference, and the sums of that.

use super::chunk::{PART, Row};
use super::network::Ordered;

/// A sample whose distance from another is a number.
pub(super) trait Away: Ordered {
    /// Whether it is a whole number.
    const WHOLE: bool;

    /// Distance from a reference, with a relative error of one rounding.
    fn away(self, reference: Self) -> f32;
}

impl Away for f32 {
    const WHOLE: bool = false;

    #[inline(always)]
    fn away(self, reference: Self) -> f32 {
        self - reference
    }
}

impl Away for i16 {
    const WHOLE: bool = true;

    #[inline(always)]
    fn away(self, reference: Self) -> f32 {
        (i32::from(self) - i32::from(reference)) as f32
    }
}

/// Sum and sum of squares of each lane's distances, `away` giving that of a sample of a lane. A part of the
/// lanes after the other, so that their sums stay in registers.
#[inline(always)]
pub(super) fn sums<T: Copy, const L: usize>(
    rows: &[Row<T, L>],
    away: impl Fn(T, usize) -> f32,
) -> ([f32; L], [f32; L]) {
    let (mut sums, mut squares) = ([0.0; L], [0.0; L]);
    for place in 0..L / PART {
        let first = place * PART;
        let (mut sum, mut square) = ([0.0f32; PART], [0.0f32; PART]);
        for row in rows {
            let row = row.part(place);
            for lane in 0..PART {
                let away = away(row[lane], first + lane);
                sum[lane] += away;
                square[lane] += away * away;
            }
        }
        sums[first..first + PART].copy_from_slice(&sum);
        squares[first..first + PART].copy_from_slice(&square);
    }
    (sums, squares)
}
