//! Lanes whose samples lie so near each other that 16 bits hold the square of a distance: those of a
//! camera's noise. One look at the samples as they are stored tells their extremes and sums.

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

/// So many chunks at most are passed over after one that was far.
const MOST_PASSED: u32 = 64;

/// A chunk most of whose lanes are near.
pub(super) struct Near {
    /// What each lane is counted from: midway between its first two samples.
    pub reference: Row,
    /// Extremes of each lane, counted from there, no farther than `i16` goes.
    pub least: Row,
    /// The other ones.
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

/// What chunks seen before say of the next: they are much alike.
pub(super) struct Pace {
    /// How far samples may lie from their references.
    reach: u16,
    /// Chunks that are passed over, and how many there were the last time.
    passes: u32,
    passed: u32,
}

impl Pace {
    pub(super) fn new() -> Self {
        Self {
            reach: GUESS,
            passes: 0,
            passed: 0,
        }
    }

    /// Looks at the whole chunk from pixel `first` on, and asks for the memory of the chunk behind it; nothing
    /// where many lanes are far, or were before.
    #[inline(always)]
    pub(super) fn look(&mut self, exposures: &[&[Stored]], first: usize) -> Option<Near> {
        if self.passes > 0 {
            self.passes -= 1;
            return None;
        }
        loop {
            let mut near = Near::new();
            let block = rows_at_once(self.reach);
            for place in 0..LANES / PART {
                near.look_at(exposures, first, place, block);
            }
            near.find_far();
            if near.fars > FAR {
                self.passed = (2 * self.passed).clamp(1, MOST_PASSED);
                self.passes = self.passed;
                return None;
            }
            self.passed = 0;
            let right = block.min(exposures.len()) <= rows_at_once(near.reach);
            self.reach = near.reach.max(self.reach - self.reach / 32);
            if right {
                return Some(near);
            }
        }
    }
}

/// Of how many rows the squares of such distances, and 128 times a distance, fit 16 bits.
fn rows_at_once(reach: u16) -> usize {
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

    /// Looks at part number `place` of the lanes of a chunk, `block` rows in 16 bits at a time.
    #[inline(always)]
    fn look_at(&mut self, exposures: &[&[Stored]], first: usize, place: usize, block: usize) {
        let at = first + place * PART;
        let other = exposures[1.min(exposures.len() - 1)];
        let (one, other) = (part(exposures[0], at), part(other, at));
        let mut reference = [0; PART];
        for lane in 0..PART {
            reference[lane] = one[lane].midpoint(other[lane]);
        }
        let (mut least, mut most) = ([i16::MAX; PART], [i16::MIN; PART]);
        for exposures in exposures.chunks(block) {
            let (mut plain, mut squares) = ([0i16; PART], [0u16; PART]);
            for exposure in exposures {
                if let Some(next) = exposure.get(at + LANES) {
                    ask_for_line(next);
                }
                let samples = part(exposure, at);
                for lane in 0..PART {
                    let away = samples[lane].saturating_sub(reference[lane]);
                    least[lane] = away.lesser(least[lane]);
                    most[lane] = away.greater(most[lane]);
                    plain[lane] = plain[lane].wrapping_add(away);
                    squares[lane] = squares[lane].wrapping_add(away.wrapping_mul(away) as u16);
                }
            }
            for lane in 0..PART {
                self.plain[place * PART + lane] += i32::from(plain[lane]);
                self.squares[place * PART + lane] += u32::from(squares[lane]);
            }
        }
        let own = place * PART..(place + 1) * PART;
        self.reference[own.clone()].copy_from_slice(&reference);
        self.least[own.clone()].copy_from_slice(&least);
        self.most[own].copy_from_slice(&most);
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

    /// One for lanes one of whose middle two samples lies below `low` or above `high`, both counted from the
    /// reference, else zero.
    #[inline(always)]
    pub(super) fn middle_outside(
        &self,
        exposures: &[&[Stored]],
        first: usize,
        low: &Row,
        high: &Row,
    ) -> strays::Flags<LANES> {
        let allowed = (exposures.len() - 1) / 2;
        let mut outside = [0; LANES];
        for place in 0..LANES / PART {
            let [reference, low, high] = [&self.reference, low, high].map(|row| row.part(place));
            let (mut below, mut above) = ([0_u16; PART], [0_u16; PART]);
            for exposure in exposures {
                let samples = part(exposure, first + place * PART);
                for lane in 0..PART {
                    let away = samples[lane].saturating_sub(reference[lane]);
                    below[lane] += u16::from(away < low[lane]);
                    above[lane] += u16::from(away > high[lane]);
                }
            }
            for lane in 0..PART {
                let most = below[lane].max(above[lane]);
                outside[place * PART + lane] = u8::from(usize::from(most) > allowed);
            }
        }
        outside
    }

    /// One for lanes with a sample above `limit`, that of [`Lane::limit`], or one so far away that it is not
    /// known, else zero.
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

/// The samples of some lanes from pixel `at` on.
#[inline(always)]
fn part(exposure: &[Stored], at: usize) -> [i16; PART] {
    let (samples, _) = exposure[at..at + PART].as_chunks();
    samples[0].map(i16::of)
}
