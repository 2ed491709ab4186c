//! Lanes whose samples lie so near each other that 16 bits hold the square of a distance: those of a
//! camera's noise. Twice as many of them go side by side.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use super::{LANES, Row};
use crate::combine::chunk::{self, PART};
use crate::combine::form::{Limits, MOST_EXPOSURES};

/// As far from its reference as a sample may lie: the square of more is no `u16`.
const NEAR: u16 = 255;

// Counted from a reference, and times the number of exposures, a distance between two samples is a whole
// number that `f32` holds, and a sum of squares one that `i32` does.
const _: () = {
    assert!(MOST_EXPOSURES * 2 * (NEAR as usize) < 1 << f32::MANTISSA_DIGITS);
    assert!(MOST_EXPOSURES * (NEAR as usize).pow(2) <= i32::MAX as usize);
};

/// More lanes than these that are far, and there is nothing to be gained.
const FAR: u32 = LANES as u32 / 8;

/// A chunk most of whose lanes are near.
pub(super) struct Near {
    /// What each lane is counted from.
    pub reference: Row,
    /// One for lanes whose sums mean nothing, else zero.
    pub is_far: [u8; LANES],
    /// How far any sample of the others lies from its reference.
    reach: u16,
}

/// Sums of each lane, counted from its reference.
pub(super) struct NearSums {
    pub plain: [i32; LANES],
    pub squares: [u32; LANES],
}

/// Nothing where many lanes are far, or none is to be clipped. References are the lower of the middle two
/// samples of a lane, or lie midway between its extremes.
#[inline(always)]
pub(super) fn mostly_near(
    limits: &Limits,
    samples: &[Row],
    least: &Row,
    most: &Row,
) -> Option<Near> {
    let mut reference = chunk::Row([0; LANES]);
    if limits.median_centre {
        reference = samples[(samples.len() - 1) / 2];
    } else {
        for lane in 0..LANES {
            reference[lane] = least[lane].midpoint(most[lane]);
        }
    }
    let mut is_far = [0; LANES];
    let (mut reach, mut fars) = (0, 0);
    for lane in 0..LANES {
        let away = |one: i16, other: i16| (one as u16).wrapping_sub(other as u16);
        let away = away(reference[lane], least[lane]).max(away(most[lane], reference[lane]));
        let far = away > NEAR;
        is_far[lane] = u8::from(far);
        fars += u32::from(far);
        reach = reach.max(if far { 0 } else { away });
    }
    (fars <= FAR && limits.iterations > 0).then_some(Near {
        reference,
        is_far,
        reach,
    })
}

impl Near {
    /// Sums of the lanes of these rows.
    #[inline(always)]
    pub(super) fn sums(&self, samples: &[Row]) -> NearSums {
        let mut sums = NearSums {
            plain: [0; LANES],
            squares: [0; LANES],
        };
        // As many rows as their squares, and 128 times a distance, fit 16 bits.
        let reach = u32::from(self.reach.max(1));
        let block = (u32::from(u16::MAX) / (reach * reach)).min(128) as usize;
        for rows in samples.chunks(block) {
            for place in 0..LANES / PART {
                let reference = self.reference.part(place);
                let (mut plain, mut squares) = ([0i16; PART], [0u16; PART]);
                for row in rows {
                    let row = row.part(place);
                    for lane in 0..PART {
                        let away = row[lane].wrapping_sub(reference[lane]);
                        plain[lane] = plain[lane].wrapping_add(away);
                        squares[lane] = squares[lane].wrapping_add(away.wrapping_mul(away) as u16);
                    }
                }
                let first = place * PART;
                for lane in 0..PART {
                    sums.plain[first + lane] += i32::from(plain[lane]);
                    sums.squares[first + lane] += u32::from(squares[lane]);
                }
            }
        }
        sums
    }
}
