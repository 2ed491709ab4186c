//! Exact sums of integer lanes.

use super::{LANES, Row, turn_back};
use crate::combine::lanes::Lanes;

/// Lanes whose sums stay in registers.
const GROUP: usize = 16;

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

impl Lanes<i16, LANES> {
    /// Sum of each lane's samples.
    #[inline(always)]
    pub(super) fn totals(&self) -> [u32; LANES] {
        let mut totals = [0; LANES];
        for (at, totals) in totals.as_chunks_mut::<GROUP>().0.iter_mut().enumerate() {
            let mut group = [0u32; GROUP];
            for row in &self.raw {
                let row = &row.0.as_chunks::<GROUP>().0[at];
                for lane in 0..GROUP {
                    group[lane] += u32::from(turn_back(row[lane]));
                }
            }
            *totals = group;
        }
        totals
    }

    /// Sum and sum of squares of each lane. No lane that matters is wider than `widest`; the
    /// others may overflow.
    #[inline(always)]
    pub(super) fn sums(&self, least: &Row, widest: u16) -> Sums {
        let mut sums = Sums::zero();
        // As many rows as their squares fit 32 bits, in which more are added at once.
        let widest = u32::from(widest.max(1));
        let block = (u32::MAX / (widest * widest)) as usize;
        let (plain, _) = sums.plain.as_chunks_mut::<GROUP>();
        let (squares, _) = sums.squares.as_chunks_mut::<GROUP>();
        for at in 0..LANES / GROUP {
            let least = &least.0.as_chunks::<GROUP>().0[at];
            let mut sum = [0u32; GROUP];
            for rows in self.raw.chunks(block) {
                let mut part = [0u32; GROUP];
                for row in rows {
                    let row = &row.0.as_chunks::<GROUP>().0[at];
                    for lane in 0..GROUP {
                        let offset = u32::from((row[lane] as u16).wrapping_sub(least[lane] as u16));
                        sum[lane] += offset;
                        part[lane] = part[lane].wrapping_add(offset * offset);
                    }
                }
                for lane in 0..GROUP {
                    squares[at][lane] += u64::from(part[lane]);
                }
            }
            plain[at] = sum;
        }
        sums
    }
}
