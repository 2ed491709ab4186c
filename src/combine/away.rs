//! How far the samples of each lane lie from a reference, and the sums of that.

use super::chunk::{PART, Row};
use super::network::Ordered;

/// A sample whose distance from another is a number.
pub(super) trait Away: Ordered {
    /// Whether it is a whole number.
    const WHOLE: bool;

    /// Distance from a reference, with a relative error of one rounding.
    fn away(self, reference: Self) -> f32;

    /// Sums of distances from a reference where they can be had faster than in `f32`. Samples farther below
    /// the reference than `down`, or farther above than `up`, neither of them below zero, are pulled in to
    /// there, to a whole number at most one further in.
    #[inline(always)]
    fn whole_sums<const L: usize>(
        _rows: &[Row<Self, L>],
        _reference: &Row<Self, L>,
        _down: &[f32; L],
        _up: &[f32; L],
    ) -> Option<WholeSums<L>> {
        None
    }
}

/// Sums of whole distances.
pub(super) struct WholeSums<const L: usize> {
    pub plain: [i32; L],
    pub squares: [i32; L],
    /// All bits of lanes whose samples may have been pulled in further, since 16 bits hold no more.
    pub further: [u32; L],
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

    /// Twice as many lanes go side by side as in floats where 16 bits hold the sum of squares: that of a
    /// camera's noise. Nothing where they do not in many lanes.
    #[inline(always)]
    fn whole_sums<const L: usize>(
        rows: &[Row<Self, L>],
        reference: &Row<Self, L>,
        down: &[f32; L],
        up: &[f32; L],
    ) -> Option<WholeSums<L>> {
        if rows.len() > MOST_NEAR {
            return None;
        }
        let reach = (u32::from(u16::MAX) / rows.len() as u32).isqrt() as f32;
        let (mut low, mut high) = (*reference, *reference);
        let mut further = [0; L];
        let mut many = 0;
        for lane in 0..L {
            let is_further = u32::from((down[lane] > reach) | (up[lane] > reach));
            many += is_further;
            further[lane] = is_further.wrapping_neg();
            low[lane] = reference[lane].saturating_sub(whole_within(down[lane].lesser(reach)));
            high[lane] = reference[lane].saturating_add(whole_within(up[lane].lesser(reach)));
        }
        if many > L as u32 / 4 {
            return None;
        }
        let mut sums = WholeSums {
            plain: [0; L],
            squares: [0; L],
            further,
        };
        for place in 0..L / PART {
            let first = place * PART;
            let (low, high, reference) = (low.part(place), high.part(place), reference.part(place));
            let (mut plain, mut squares) = ([0i16; PART], [0u16; PART]);
            for row in rows {
                let row = row.part(place);
                for lane in 0..PART {
                    let value = row[lane].max(low[lane]).min(high[lane]);
                    let away = value.wrapping_sub(reference[lane]);
                    plain[lane] = plain[lane].wrapping_add(away);
                    squares[lane] = squares[lane].wrapping_add(away.wrapping_mul(away) as u16);
                }
            }
            for lane in 0..PART {
                sums.plain[first + lane] = i32::from(plain[lane]);
                sums.squares[first + lane] = i32::from(squares[lane]);
            }
        }
        Some(sums)
    }
}

/// Of up to so many distances whose squares add up to 2^16 the sum is below 2^15: it is at most the root of
/// their number times that.
const MOST_NEAR: usize = 1 << 14;

/// A number of 0 to 255 as the whole one at or below it, or one less. Where numbers have no fraction any more the
/// processor rounds to a whole one, which is all that their last bits hold.
#[inline(always)]
fn whole_within(number: f32) -> i16 {
    const WHOLE: f32 = (3 << 22) as f32;
    (number - 0.5 + WHOLE).to_bits() as i16
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
