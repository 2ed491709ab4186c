//! Exact sums of integer lanes.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use super::{LANES, Row};
use crate::combine::chunk::Chunk;
use crate::combine::lanes::Lane;

/// Sums of each lane, counted from its smallest sample.
pub(super) struct Sums {
    pub plain: [u32; LANES],
    pub squares: [u64; LANES],
}

impl Sums {
    pub(super) fn zero() -> Self {
        Self {
            plain: [0; LANES],
            squares: [0; LANES],
        }
    }
}

impl Chunk<i16, LANES> {
    /// Sum of each lane's samples.
    #[inline(always)]
    pub(super) fn totals(&self) -> [u32; LANES] {
        let mut totals = [0u32; LANES];
        for row in self.raw() {
            for lane in 0..LANES {
                totals[lane] += u32::from(row[lane].value());
            }
        }
        totals
    }
}

/// Sum and sum of squares of each lane. No lane that matters is wider than `widest`; the
/// others may overflow.
#[inline(always)]
pub(super) fn sums(samples: &[Row], least: &Row, widest: u16) -> Sums {
    let mut sums = Sums::zero();
    // As many rows as their squares fit 32 bits, in which more are added at once.
    let widest = u32::from(widest.max(1));
    let block = (u32::MAX / (widest * widest)) as usize;
    for rows in samples.chunks(block) {
        let mut part = [0u32; LANES];
        for row in rows {
            for lane in 0..LANES {
                let offset = u32::from((row[lane] as u16).wrapping_sub(least[lane] as u16));
                sums.plain[lane] += offset;
                part[lane] = part[lane].wrapping_add(offset * offset);
            }
        }
        for lane in 0..LANES {
            sums.squares[lane] += u64::from(part[lane]);
        }
    }
    sums
}
