//! Lanes whose samples lie so near each other that 16 bits hold the square of a distance: those of a
//! camera's noise. One look at the samples as they are stored tells their extremes and sums.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use super::chunk::{self, PART};
use super::form::MOST_EXPOSURES;
use super::lanes::{LANES, Lane, means};
use super::network::Ordered;
use super::simd::ask_for_line;
use super::stored::Stored;
use super::strays;

type Row = chunk::Row<i16, LANES>;

/// The whole chunks of each exposure.
pub(super) type Chunks<'a> = [&'a [[Stored; LANES]]];

pub(super) fn chunks_of<'a>(exposures: &[&'a [Stored]]) -> Vec<&'a [[Stored; LANES]]> {
    exposures
        .iter()
        .map(|exposure| exposure.as_chunks().0)
        .collect()
}

type Flags = strays::Flags<LANES>;

/// As far from its reference as a sample may lie: the square of more is no `u16`.
pub(super) const NEAR: i16 = 255;

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

/// What a look tells of a chunk most of whose lanes are near.
pub(super) struct Near {
    /// What each lane is counted from: midway between its first two samples.
    pub reference: Row,
    /// Extremes of each lane, counted from there, no farther than `i16` goes.
    pub least: Row,
    /// The other ones.
    pub most: Row,
    /// The next ones after them, where they were asked for; equal to them where several samples are.
    pub second_least: Row,
    /// The other ones.
    pub second_most: Row,
    /// Sum of each lane, counted from there.
    pub plain: [i32; LANES],
    /// Sum of the squares of what was summed.
    pub squares: [u32; LANES],
    /// One for lanes whose sums mean nothing, else zero.
    pub is_far: Flags,
    fars: u32,
    /// How far any sample of the others lies from its reference.
    reach: u16,
}

/// What chunks seen before say of the next: they are much alike.
pub(super) struct Pace {
    /// How far samples may lie from their references.
    reach: u16,
    /// Chunks yet to be passed over, and how many those were the last time.
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

    /// Whether the next chunk is worth a look.
    #[inline(always)]
    pub(super) fn looks(&mut self) -> bool {
        let looks = self.passes == 0;
        self.passes = self.passes.saturating_sub(1);
        looks
    }

    /// What became of a look: after one in vain some chunks are passed over, and more after each.
    #[inline(always)]
    pub(super) fn tell(&mut self, was_worth_it: bool) {
        self.passed = if was_worth_it {
            0
        } else {
            (2 * self.passed).clamp(1, MOST_PASSED)
        };
        self.passes = self.passed;
    }

    /// Looks at a chunk by its number, and asks for the memory of the one behind it; false where many lanes are
    /// far. The `SECOND` extremes are had only if they are asked for.
    #[inline(always)]
    pub(super) fn look<const SECOND: bool>(
        &mut self,
        exposures: &Chunks,
        chunk: usize,
        near: &mut Near,
    ) -> bool {
        loop {
            let block = rows_at_once(self.reach);
            for place in 0..LANES / PART {
                near.look_at::<SECOND>(exposures, chunk, place, block);
            }
            near.find_far();
            if near.fars > FAR {
                return false;
            }
            let right = block.min(exposures.len()) <= rows_at_once(near.reach);
            self.reach = near.reach.max(self.reach - self.reach / 32);
            if right {
                return true;
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
    pub(super) fn new() -> Self {
        let zero = chunk::Row([0; LANES]);
        Self {
            reference: zero,
            least: zero,
            most: zero,
            second_least: zero,
            second_most: zero,
            plain: [0; LANES],
            squares: [0; LANES],
            is_far: [0; LANES],
            fars: 0,
            reach: 0,
        }
    }

    /// Looks at part number `place` of the lanes of a chunk, `block` rows in 16 bits at a time.
    #[inline(always)]
    fn look_at<const SECOND: bool>(
        &mut self,
        exposures: &Chunks,
        chunk: usize,
        place: usize,
        block: usize,
    ) {
        let other = exposures[1.min(exposures.len() - 1)];
        let (one, other) = (part(exposures[0], chunk, place), part(other, chunk, place));
        let mut reference = [0; PART];
        for lane in 0..PART {
            reference[lane] = one[lane].midpoint(other[lane]);
        }
        let (mut least, mut most) = ([i16::MAX; PART], [i16::MIN; PART]);
        let (mut second_least, mut second_most) = (least, most);
        let own = place * PART..(place + 1) * PART;
        self.plain[own.clone()].fill(0);
        self.squares[own.clone()].fill(0);
        for exposures in exposures.chunks(block) {
            let (mut plain, mut squares) = ([0i16; PART], [0u16; PART]);
            for exposure in exposures {
                if let Some(next) = exposure.get(chunk + 1) {
                    ask_for_line(&next[place * PART]);
                }
                let samples = part(exposure, chunk, place);
                for lane in 0..PART {
                    let away = samples[lane].saturating_sub(reference[lane]);
                    if SECOND {
                        let (low, high) = (away.greater(least[lane]), away.lesser(most[lane]));
                        second_least[lane] = low.lesser(second_least[lane]);
                        second_most[lane] = high.greater(second_most[lane]);
                    }
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
        self.reference[own.clone()].copy_from_slice(&reference);
        self.least[own.clone()].copy_from_slice(&least);
        self.most[own.clone()].copy_from_slice(&most);
        if SECOND {
            self.second_least[own.clone()].copy_from_slice(&second_least);
            self.second_most[own].copy_from_slice(&second_most);
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

    /// One for lanes one of whose middle two samples lies below `low` or above `high`, both counted from the
    /// reference, else zero.
    #[inline(always)]
    pub(super) fn middle_outside(
        &self,
        exposures: &Chunks,
        chunk: usize,
        low: &Row,
        high: &Row,
    ) -> Flags {
        let allowed = (exposures.len() - 1) / 2;
        let mut outside = [0; LANES];
        for place in 0..LANES / PART {
            let [reference, low, high] = [&self.reference, low, high].map(|row| row.part(place));
            let (mut below, mut above) = ([0_u16; PART], [0_u16; PART]);
            for exposure in exposures {
                let samples = part(exposure, chunk, place);
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

    /// One for lanes with a sample above `limit`, that of [`Lane::limit`], else zero. In some lanes that are far it
    /// is not known.
    #[inline(always)]
    pub(super) fn above(&self, limit: i32) -> Flags {
        let mut above = [0; LANES];
        for lane in 0..LANES {
            let most = i32::from(self.reference[lane]) + i32::from(self.most[lane]);
            above[lane] = u8::from(most > limit);
        }
        above
    }
}

/// Sums of a chunk's samples, counted from a reference.
pub(super) struct Pulled {
    /// Of all once those beyond either end are pulled in to there, and of their squares.
    pub plain: [i32; LANES],
    pub squares: [i32; LANES],
    /// Of all as they are, and how many lie below and above the ends; where that was asked for.
    pub all: [i32; LANES],
    pub below: [u32; LANES],
    pub above: [u32; LANES],
}

/// Sums of a chunk by its number with samples below `low` and above `high` pulled in, both counted from the
/// reference. They mean something for lanes no sample of which lies farther from there than [`NEAR`]. What is
/// `COUNTED` besides is had only if it is asked for.
#[inline(always)]
pub(super) fn pulled<const COUNTED: bool>(
    exposures: &Chunks,
    chunk: usize,
    reference: &Row,
    low: &Row,
    high: &Row,
) -> Pulled {
    let mut sums = Pulled {
        plain: [0; LANES],
        squares: [0; LANES],
        all: [0; LANES],
        below: [0; LANES],
        above: [0; LANES],
    };
    let mut reach = 0;
    for lane in 0..LANES {
        let end = 0_i16.saturating_sub(low[lane]).greater(high[lane]);
        reach = end.greater(reach);
    }
    let block = rows_at_once(reach.lesser(NEAR).unsigned_abs());
    for place in 0..LANES / PART {
        let [reference, low, high] = [reference, low, high].map(|row| row.part(place));
        for exposures in exposures.chunks(block) {
            let (mut plain, mut squares) = ([0i16; PART], [0u16; PART]);
            let (mut all, mut below, mut above) = ([0i16; PART], [0u16; PART], [0u16; PART]);
            for exposure in exposures {
                let samples = part(exposure, chunk, place);
                for lane in 0..PART {
                    let away = samples[lane].saturating_sub(reference[lane]);
                    let pulled = away.greater(low[lane]).lesser(high[lane]);
                    plain[lane] = plain[lane].wrapping_add(pulled);
                    squares[lane] = squares[lane].wrapping_add(pulled.wrapping_mul(pulled) as u16);
                    if COUNTED {
                        all[lane] = all[lane].wrapping_add(away);
                        below[lane] += u16::from(away < low[lane]);
                        above[lane] += u16::from(away > high[lane]);
                    }
                }
            }
            for lane in 0..PART {
                let at = place * PART + lane;
                sums.plain[at] += i32::from(plain[lane]);
                sums.squares[at] += i32::from(squares[lane]);
                if COUNTED {
                    sums.all[at] += i32::from(all[lane]);
                    sums.below[at] += u32::from(below[lane]);
                    sums.above[at] += u32::from(above[lane]);
                }
            }
        }
    }
    sums
}

/// Means of lanes of `count` samples whose sums are counted from a reference.
#[inline(always)]
pub(super) fn means_from(reference: &Row, sums: &[i32; LANES], count: usize) -> [f32; LANES] {
    let mut totals = [0; LANES];
    for lane in 0..LANES {
        let whole = u32::from(reference[lane].value()) * count as u32;
        totals[lane] = whole.wrapping_add_signed(sums[lane]);
    }
    means(&totals, count)
}

/// A whole number that is no greater than this one, nearly always the largest; beyond 512, which no near sample
/// reaches, one of those. The number is exact where there is no `room` in it, and else off by far less than a
/// thousandth.
#[inline(always)]
pub(super) fn whole_below(number: f32, room: f32) -> i16 {
    const END: f32 = 512.0;
    let number = if number < END { number } else { END };
    let number = if number > -END { number } else { -END };
    // From here on neighbours are one apart, and the last bits count them.
    const ONES: f32 = 12_582_912.0;
    let off = if room > 0.0 { 0.501 } else { 0.25 };
    (number - off + ONES).to_bits() as i16
}

/// The samples of part number `place` of a chunk.
#[inline(always)]
fn part(exposure: &[[Stored; LANES]], chunk: usize, place: usize) -> [i16; PART] {
    exposure[chunk].as_chunks().0[place].map(i16::of)
}
