//! Lanes whose samples lie so near each other that 16 bits hold the square of a distance: those of a
//! camera's noise. One pass over the samples as they are stored tells their extremes and sums.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use super::{LANES, Row};
use crate::combine::chunk::{self, PART};
use crate::combine::form::MOST_EXPOSURES;
use crate::combine::lanes::Lane;
use crate::combine::network::Ordered;
use crate::combine::simd::ask_for_line;
use crate::combine::stored::Stored;
use crate::combine::strays;

/// As far from its reference as a sample may lie: the square of more is no `u16`.
const NEAR: i16 = 255;

// Counted from a reference, and times the number of exposures, a distance between two samples is a whole
// number that `f32` holds, and a sum of squares one that `i32` holds.
const _: () = {
    assert!(MOST_EXPOSURES * 2 * (NEAR as usize) < 1 << f32::MANTISSA_DIGITS);
    assert!(MOST_EXPOSURES * (NEAR as usize).pow(2) <= i32::MAX as usize);
};

/// More lanes than these that are far, and there is nothing to be gained.
const FAR: u32 = LANES as u32 / 8;

/// A guess at how far samples lie from their references, before any was seen.
const GUESS: u16 = 16;

/// A chunk most of whose lanes are near.
pub(super) struct Near {
    /// What each lane is counted from: a number amidst its samples, or midway between the first two of them.
    pub reference: Row,
    /// Extremes of each lane, counted from there, no farther than `i16` goes.
    pub least: Row,
    /// See `least`.
    pub most: Row,
    /// Sum of each lane, counted from there.
    pub plain: [i32; LANES],
    /// Sum of the squares of what was summed.
    pub squares: [u32; LANES],
    /// One for lanes whose sums mean nothing, else zero.
    pub is_far: strays::Flags<LANES>,
    fars: u32,
    /// How far any sample of the others lies from its reference.
    reach: u16,
}

/// Looks at one chunk after the other.
pub(super) struct Look {
    /// How far samples may lie from their references at the next.
    reach: u16,
}

impl Look {
    pub(super) fn new() -> Self {
        Self { reach: GUESS }
    }

    /// The whole chunk from pixel `first` on; nothing where many lanes are far. Memory of the chunk behind it
    /// is asked for.
    #[inline(always)]
    pub(super) fn at(&mut self, exposures: &[&[Stored]], first: usize) -> Option<Near> {
        loop {
            let mut near = Near::new();
            let block = block(self.reach);
            for place in 0..LANES / PART {
                near.look_at(exposures, first, place, block);
            }
            near.find_far();
            if near.fars > FAR {
                return None;
            }
            // Chunks are much alike: what held for one is tried for the next.
            let enough = near.reach <= self.reach;
            self.reach = near.reach.max(self.reach - self.reach / 16);
            if enough {
                return Some(near);
            }
        }
    }
}

/// How many squares of such a distance, and 128 times the distance itself, fit 16 bits.
fn block(reach: u16) -> usize {
    let square = u32::from(reach.max(1)).pow(2);
    (u32::from(u16::MAX) / square).clamp(1, 128) as usize
}

impl Near {
    fn new() -> Self {
        let zero = chunk::Row([0; LANES]);
        Self {
            reference: zero,
            least: zero,
            most: zero,
            plain: [0; LANES],
            squares: [0; LANES],
            is_far: [0; LANES],
            fars: 0,
            reach: 0,
        }
    }

    /// Of lanes whose extremes and lower middle are in their places; nothing where many are far.
    #[inline(always)]
    pub(super) fn of_sorted(sorted: &[Row]) -> Option<Self> {
        let mut near = Self::new();
        near.reference = sorted[(sorted.len() - 1) / 2];
        for lane in 0..LANES {
            let away = |row: &Row| row[lane].saturating_sub(near.reference[lane]);
            near.least[lane] = away(&sorted[0]);
            near.most[lane] = away(&sorted[sorted.len() - 1]);
        }
        near.find_far();
        if near.fars > FAR {
            return None;
        }
        for rows in sorted.chunks(block(near.reach)) {
            for place in 0..LANES / PART {
                let reference = near.reference.part(place);
                let mut sums = Part::new();
                for row in rows {
                    let row = row.part(place);
                    sums.add(|lane| row[lane].wrapping_sub(reference[lane]));
                }
                near.widen(place, &sums);
            }
        }
        Some(near)
    }

    /// Looks at part number `place` of the lanes of a chunk, `block` rows in 16 bits at a time.
    #[inline(always)]
    fn look_at(&mut self, exposures: &[&[Stored]], first: usize, place: usize, block: usize) {
        let at = first + place * PART;
        let part = |exposure: &[Stored]| -> [i16; PART] {
            let (samples, _) = exposure[at..at + PART].as_chunks();
            samples[0].map(i16::of)
        };
        let (one, other) = (
            part(exposures[0]),
            part(exposures[1.min(exposures.len() - 1)]),
        );
        let mut reference = [0; PART];
        for lane in 0..PART {
            reference[lane] = one[lane].midpoint(other[lane]);
        }
        let (mut least, mut most) = ([i16::MAX; PART], [i16::MIN; PART]);
        for exposures in exposures.chunks(block) {
            let mut sums = Part::new();
            for exposure in exposures {
                if let Some(next) = exposure.get(at + LANES) {
                    ask_for_line(next);
                }
                let samples = part(exposure);
                let mut away = [0; PART];
                for lane in 0..PART {
                    away[lane] = samples[lane].saturating_sub(reference[lane]);
                    least[lane] = away[lane].lesser(least[lane]);
                    most[lane] = away[lane].greater(most[lane]);
                }
                sums.add(|lane| away[lane]);
            }
            self.widen(place, &sums);
        }
        let own = place * PART..(place + 1) * PART;
        self.reference[own.clone()].copy_from_slice(&reference);
        self.least[own.clone()].copy_from_slice(&least);
        self.most[own].copy_from_slice(&most);
    }

    /// Adds sums of part number `place` of the lanes.
    #[inline(always)]
    fn widen(&mut self, place: usize, sums: &Part) {
        let first = place * PART;
        for lane in 0..PART {
            self.plain[first + lane] += i32::from(sums.plain[lane]);
            self.squares[first + lane] += u32::from(sums.squares[lane]);
        }
    }

    /// Tells from the extremes which lanes are far.
    #[inline(always)]
    fn find_far(&mut self) {
        let mut away = [0_i16; LANES];
        for lane in 0..LANES {
            let below = 0_i16.saturating_sub(self.least[lane]);
            away[lane] = below.greater(self.most[lane]);
        }
        let mut reach = 0;
        for lane in 0..LANES {
            let far = away[lane] > NEAR;
            self.is_far[lane] = u8::from(far);
            reach = if far { 0 } else { away[lane] }.greater(reach);
        }
        self.fars = self.is_far.iter().map(|&far| u32::from(far)).sum();
        self.reach = reach.unsigned_abs();
    }

    /// One for lanes with a sample above `limit`, or one so far away that it is not known, else zero.
    #[inline(always)]
    pub(super) fn above(&self, limit: i32) -> strays::Flags<LANES> {
        let mut above = [0; LANES];
        for lane in 0..LANES {
            let most = i32::from(self.reference[lane]) + i32::from(self.most[lane]);
            above[lane] = u8::from(most > limit) | u8::from(self.most[lane] == i16::MAX);
        }
        above
    }
}

/// Sums over a block of rows, which fit 16 bits.
struct Part {
    plain: [i16; PART],
    squares: [u16; PART],
}

impl Part {
    #[inline(always)]
    fn new() -> Self {
        Self {
            plain: [0; PART],
            squares: [0; PART],
        }
    }

    /// Adds a row of distances.
    #[inline(always)]
    fn add(&mut self, away: impl Fn(usize) -> i16) {
        for lane in 0..PART {
            let away = away(lane);
            self.plain[lane] = self.plain[lane].wrapping_add(away);
            self.squares[lane] = self.squares[lane].wrapping_add(away.wrapping_mul(away) as u16);
        }
    }
}
