//! Clipping of integer lanes.
//!
//! Most pixels lose nothing, which their extremes, sums and, around the median, their middle tell
//! without a look at any other sample. The pixels that do lose something are collected into chunks
//! of their own, and only those are sorted.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use std::ops::Range;

use super::sums::Sums;
use super::{LANES, Row, Stretch};
use crate::combine::chunk::{self, Chunk};
use crate::combine::form::Limits;
use crate::combine::lanes::Lane;
use crate::combine::network::{Pairs, merge_exchange, pruned};
use crate::combine::scalar::integer_bounds;
use crate::facts::InputCount;

impl Stretch<'_> {
    #[inline(always)]
    pub(super) fn clip(&mut self, limits: &Limits) {
        let count = self.exposures.len();
        let last = count - 1;
        let limit = i16::limit(self.saturation);
        let pairs = merge_exchange(count);
        let ranks = pruned(&pairs, &[0, last / 2, count / 2, last]);
        let mut lanes = Chunk::new(count);
        let mut tally = Tally::new(count);
        let mut strays = Strays::new(count);
        for (first, width) in self.chunks() {
            lanes.gather(self.exposures, first, width);
            let (least, most) = if limits.median_centre {
                lanes.sort(&ranks);
                (lanes.sorted[0], lanes.sorted[last])
            } else {
                lanes.extremes()
            };
            let mut apart = [false; LANES];
            for lane in 0..LANES {
                apart[lane] = i32::from(most[lane]) > limit;
            }
            let widest = widest(&least, &most, &apart);
            let sums = lanes.sums(&least, widest);
            let means = means(&sums, &least, count);
            self.out[first..first + width].copy_from_slice(&means[..width]);
            let loses = first_round(limits, &lanes, &sums, &least, &most, widest);
            for lane in set(&loses, &apart).take_while(|&lane| lane < width) {
                if apart[lane] {
                    self.set_apart(first + lane);
                    continue;
                }
                strays.take(&lanes.raw, lane, first + lane, &sums);
                if strays.held == LANES {
                    self.settle(&mut strays, limits, &pairs, &mut tally);
                }
            }
        }
        self.settle(&mut strays, limits, &pairs, &mut tally);
        tally.hand_over(self.rejected);
    }

    /// Clips the pixels that were collected.
    #[inline(always)]
    fn settle(&mut self, strays: &mut Strays, limits: &Limits, pairs: &Pairs, tally: &mut Tally) {
        if strays.held == 0 {
            return;
        }
        strays.lanes.sort(pairs);
        let sorted = &strays.lanes.sorted;
        let mut kept = Kept::everything();
        for lane in 0..strays.held {
            let at = strays.places[lane];
            self.lane(sorted, lane, at, limits, &strays.sums, &mut kept);
        }
        tally.add(&strays.lanes.raw, &kept);
        strays.held = 0;
    }

    /// Clips one sorted lane, which is pixel `at`.
    fn lane(
        &mut self,
        sorted: &[Row],
        lane: usize,
        at: usize,
        limits: &Limits,
        sums: &Sums,
        kept: &mut Kept,
    ) {
        let Some((range, sum)) = survivors(sorted, lane, limits, sums) else {
            self.set_apart(at);
            return;
        };
        let smallest = u64::from(sorted[0][lane].raw());
        let survivors = range.len() as u64;
        let total = smallest * survivors + sum;
        self.out[at] = (total as f64 / survivors as f64) as f32;
        kept.least[lane] = sorted[range.start][lane];
        kept.most[lane] = sorted[range.end - 1][lane];
    }
}

/// Smallest and largest sample that each lane keeps.
struct Kept {
    least: Row,
    most: Row,
}

impl Kept {
    fn everything() -> Self {
        Self {
            least: chunk::Row([i16::MIN; LANES]),
            most: chunk::Row([i16::MAX; LANES]),
        }
    }
}

/// Pixels of several chunks that lose something.
struct Strays {
    lanes: Chunk<i16, LANES>,
    sums: Sums,
    /// Which pixels they are.
    places: [usize; LANES],
    held: usize,
}

impl Strays {
    fn new(count: usize) -> Self {
        Self {
            lanes: Chunk::new(count),
            sums: Sums::zero(),
            places: [0; LANES],
            held: 0,
        }
    }

    /// Takes pixel `at`, which is `lane` of `raw`.
    fn take(&mut self, raw: &[Row], lane: usize, at: usize, sums: &Sums) {
        for (mine, row) in self.lanes.raw.iter_mut().zip(raw) {
            mine[self.held] = row[lane];
        }
        self.sums.plain[self.held] = sums.plain[lane];
        self.sums.squares[self.held] = sums.squares[lane];
        self.places[self.held] = at;
        self.held += 1;
    }
}

/// Samples dropped per exposure, lane by lane; carried over to wide counters before they overflow.
struct Tally {
    lanes: Vec<(Row<u16>, Row<u16>)>,
    chunks: u16,
    counts: Vec<InputCount>,
}

impl Tally {
    fn new(count: usize) -> Self {
        Self {
            lanes: vec![(chunk::Row([0; LANES]), chunk::Row([0; LANES])); count],
            chunks: 0,
            counts: vec![InputCount::default(); count],
        }
    }

    /// Counts the samples of a chunk that lie outside what is kept.
    #[inline(always)]
    fn add(&mut self, raw: &[Row], kept: &Kept) {
        for ((low, high), row) in self.lanes.iter_mut().zip(raw) {
            for lane in 0..LANES {
                low[lane] += u16::from(row[lane] < kept.least[lane]);
                high[lane] += u16::from(row[lane] > kept.most[lane]);
            }
        }
        self.chunks += 1;
        if self.chunks == u16::MAX {
            self.carry();
        }
    }

    fn carry(&mut self) {
        let total = |row: &mut Row<u16>| {
            let total: u64 = row.iter().copied().map(u64::from).sum();
            row.0 = [0; LANES];
            total
        };
        for ((low, high), count) in self.lanes.iter_mut().zip(&mut self.counts) {
            count.low += total(low);
            count.high += total(high);
        }
        self.chunks = 0;
    }

    fn hand_over(mut self, rejected: &mut [InputCount]) {
        self.carry();
        for (all, mine) in rejected.iter_mut().zip(&self.counts) {
            all.low += mine.low;
            all.high += mine.high;
        }
    }
}

/// The largest difference of two samples of a lane that is not `apart`.
#[inline(always)]
fn widest(least: &Row, most: &Row, apart: &[bool; LANES]) -> u16 {
    let mut widest = 0;
    for lane in 0..LANES {
        let width = (most[lane] as u16).wrapping_sub(least[lane] as u16);
        widest = widest.max(if apart[lane] { 0 } else { width });
    }
    widest
}

/// The lanes for which one of the two flags is set, in order.
#[inline(always)]
fn set(one: &[bool; LANES], other: &[bool; LANES]) -> impl Iterator<Item = usize> + use<> {
    const WORD: usize = u64::BITS as usize;
    let mut words = [0u64; LANES / WORD];
    for lane in 0..LANES {
        words[lane / WORD] |= u64::from(one[lane] | other[lane]) << (lane % WORD);
    }
    (0..words.len()).flat_map(move |place| {
        let mut word = words[place];
        std::iter::from_fn(move || {
            let lane = word.trailing_zeros() as usize;
            word &= word.wrapping_sub(1);
            (lane < WORD).then_some(place * WORD + lane)
        })
    })
}

/// Mean of all samples of each lane.
#[inline(always)]
fn means(sums: &Sums, least: &Row, count: usize) -> [f32; LANES] {
    let mut means = [0.0; LANES];
    for lane in 0..LANES {
        // At most 2^15 samples: the whole sum fits 32 bits.
        let smallest = u32::from(least[lane].raw());
        let total = smallest * count as u32 + sums.plain[lane];
        means[lane] = (f64::from(total) / count as f64) as f32;
    }
    means
}

/// Lanes that lose something in the first round, or for which that is not certain.
#[inline(always)]
fn first_round(
    limits: &Limits,
    lanes: &Chunk<i16, LANES>,
    sums: &Sums,
    least: &Row,
    most: &Row,
    widest: u16,
) -> [bool; LANES] {
    let size = lanes.raw.len();
    let count = size as f64;
    let largest_sum = count * f64::from(widest);
    // Everything that follows is a whole number below this, hence exact.
    if largest_sum * largest_sum >= (1u64 << 53) as f64 {
        return [limits.iterations > 0; LANES];
    }
    let mut loses = [false; LANES];
    if limits.iterations == 0 {
        return loses;
    }
    let offset =
        |row: &Row, lane: usize| f64::from((row[lane] as u16).wrapping_sub(least[lane] as u16));
    let (below, above) = (&lanes.sorted[(size - 1) / 2], &lanes.sorted[size / 2]);
    for lane in 0..LANES {
        let sum = f64::from(sums.plain[lane]);
        let variance = count * sums.squares[lane] as f64 - sum * sum;
        let centre = if limits.median_centre {
            count * (offset(below, lane) + offset(above, lane))
        } else {
            2.0 * sum
        };
        let bounds = integer_bounds(limits, count, variance, centre);
        loses[lane] = bounds.below(0.0) | bounds.above(offset(most, lane));
    }
    loses
}

/// The range of a sorted lane that survives, and its sum counted from the smallest sample.
fn survivors(
    sorted: &[Row],
    lane: usize,
    limits: &Limits,
    sums: &Sums,
) -> Option<(Range<usize>, u64)> {
    let count = sorted.len();
    let smallest = sorted[0][lane] as u16;
    let offset = |at: usize| u64::from((sorted[at][lane] as u16).wrapping_sub(smallest));
    let mut sum = u64::from(sums.plain[lane]);
    let mut squares = sums.squares[lane];
    let mut kept = 0..count;
    let mut last = None;
    for _ in 0..limits.iterations {
        let survivors = kept.len();
        let size = survivors as u64;
        let centre = if limits.median_centre {
            let other = offset(kept.start + (survivors - 1) / 2);
            size * (other + offset(kept.start + survivors / 2))
        } else {
            2 * sum
        };
        let variance = size * squares - sum * sum;
        let bounds = integer_bounds(limits, size as f64, variance as f64, centre as f64);
        last = Some(bounds);
        while kept.start < kept.end {
            let value = offset(kept.start);
            if !bounds.below(value as f64) {
                break;
            }
            kept.start += 1;
            sum -= value;
            squares -= value * value;
        }
        while kept.start < kept.end {
            let value = offset(kept.end - 1);
            if !bounds.above(value as f64) {
                break;
            }
            kept.end -= 1;
            sum -= value;
            squares -= value * value;
        }
        if kept.is_empty() {
            return None;
        }
        if kept.len() == survivors {
            break;
        }
    }
    if let Some(bounds) = last {
        while kept.start > 0 && !bounds.below(offset(kept.start - 1) as f64) {
            kept.start -= 1;
            sum += offset(kept.start);
        }
        while kept.end < count && !bounds.above(offset(kept.end) as f64) {
            sum += offset(kept.end);
            kept.end += 1;
        }
    }
    Some((kept, sum))
}
