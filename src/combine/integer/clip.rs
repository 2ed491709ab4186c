//! Clipping of integer lanes.
//!
//! Most pixels lose nothing. Their extremes and sums and, around the median, how many samples lie to
//! either side tell that without sorting anything, where most lanes' samples lie near each other (`near`).
//! The pixels that may lose something are collected into chunks of their own, and those are sorted.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use std::ops::Range;

use super::sums::{Sums, sums};
use super::{LANES, Row, Stretch};
use crate::combine::chunk::{self, Chunk};
use crate::combine::form::Limits;
use crate::combine::lanes::{Lane, chunks, means};
use crate::combine::near::{Chunks, Near, Pace, chunks_of, means_from, whole_below};
use crate::combine::network::{Network, Ordered};
use crate::combine::scalar::integer_bounds;
use crate::combine::strays::{self, Picked};
use crate::facts::InputCount;

impl Stretch<'_> {
    #[inline(always)]
    pub(super) fn clip(&mut self, limits: &Limits) {
        let count = self.exposures.len();
        let last = count - 1;
        let limit = i16::limit(self.saturation);
        let whole = Network::whole(count);
        let ranks = Network::of(count, &[0, last / 2, count / 2, last]);
        let whole_chunks = chunks_of(self.exposures);
        let (mut pace, mut near) = (Pace::new(), Near::new());
        let mut lanes = Chunk::new(count);
        let mut tally = Tally::new(count);
        let mut strays = Strays::new(count);
        for (first, width) in chunks(self.out.len()) {
            let mut told = false;
            if width == LANES && limits.iterations > 0 && pace.looks() {
                told = pace.look::<false>(&whole_chunks, first / LANES, &mut near);
                pace.tell(told);
            }
            let (means, mut loses, apart) = if told {
                let (means, loses) = first_look(limits, &whole_chunks, first / LANES, &near);
                (means, loses, near.above(limit))
            } else {
                // All samples of each lane, in whatever order.
                let (samples, least, most) = if limits.median_centre {
                    lanes.gather_sorted(self.exposures, first, width, &ranks);
                    let sorted = lanes.sorted();
                    (sorted, sorted[0], sorted[last])
                } else {
                    lanes.gather(self.exposures, first, width);
                    let (least, most) = lanes.extremes();
                    (lanes.raw(), least, most)
                };
                let mut apart = [0; LANES];
                for lane in 0..LANES {
                    apart[lane] = u8::from(i32::from(most[lane]) > limit);
                }
                let (means, loses) = first_round(limits, samples, &least, &most, &apart);
                (means, loses, apart)
            };
            self.out[first..first + width].copy_from_slice(&means[..width]);
            for lane in 0..LANES {
                loses[lane] &= !apart[lane];
            }
            for &lane in Picked::of(&apart, width).lanes() {
                self.set_apart(first + usize::from(lane));
            }
            let losing = Picked::of(&loses, width);
            let mut left = losing.lanes();
            while !left.is_empty() {
                left = strays.take(self.exposures, first, left);
                if strays.is_full() {
                    self.settle(&mut strays, limits, &whole, &mut tally);
                }
            }
        }
        self.settle(&mut strays, limits, &whole, &mut tally);
        tally.hand_over(self.rejected);
    }

    /// Clips the pixels that were collected.
    #[inline(always)]
    fn settle(&mut self, strays: &mut Strays, limits: &Limits, whole: &Network, tally: &mut Tally) {
        if strays.held == 0 {
            return;
        }
        strays.sort(whole);
        let sorted = strays.lanes.sorted();
        let (least, most) = (&sorted[0], &sorted[sorted.len() - 1]);
        let limit = i16::limit(self.saturation);
        let mut free = [1; LANES];
        for lane in 0..strays.held {
            free[lane] = u8::from(i32::from(most[lane]) > limit);
        }
        let sums = sums(strays.lanes.raw(), least, widest(least, most, &free));
        let mut kept = Kept::everything();
        for lane in 0..strays.held {
            let at = strays.pixels[lane];
            if free[lane] != 0 {
                // A look does not tell this of all.
                self.set_apart(at);
            } else {
                self.lane(sorted, lane, at, limits, &sums, &mut kept);
            }
        }
        tally.add(strays.lanes.raw(), &kept);
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
        let smallest = u64::from(sorted[0][lane].value());
        let survivors = range.len() as u64;
        let total = smallest * survivors + sum;
        self.out[at] = (total as f64 / survivors as f64) as f32;
        kept.least[lane] = sorted[range.start][lane];
        kept.most[lane] = sorted[range.end - 1][lane];
    }
}

type Flags = strays::Flags<LANES>;
type Strays = strays::Strays<i16, LANES>;

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
fn widest(least: &Row, most: &Row, apart: &Flags) -> u16 {
    let mut widest = 0;
    for lane in 0..LANES {
        let width = (most[lane] as u16).wrapping_sub(least[lane] as u16);
        widest = widest.max(if apart[lane] == 0 { width } else { 0 });
    }
    widest
}

/// Mean of all samples of each lane that is near, and the lanes that may lose something in the first
/// round: all that are not near, and those of which it is not certain in `f32` that they lose nothing.
#[inline(always)]
fn first_look(
    limits: &Limits,
    exposures: &Chunks,
    chunk: usize,
    near: &Near,
) -> ([f32; LANES], Flags) {
    let size = exposures.len();
    let count = size as f32;
    let mut variance = [0.0; LANES];
    // What is rounded here and below puts a side off by less than the margin in it: each number by 2^-24 of
    // itself, and the square of a sum is never more than the count times the sum of squares.
    const MARGIN: f64 = 1e-6;
    for lane in 0..LANES {
        let sum = near.plain[lane] as f32;
        let whole = count * (near.squares[lane] as i32 as f32);
        variance[lane] = whole * (1.0 - MARGIN as f32) - sum * sum;
    }
    let [low, high] =
        [limits.low, limits.high].map(|limit| (limit * limit * (1.0 - MARGIN)) as f32);
    let mut loses = if limits.median_centre {
        // Nothing is lost as long as the median lies between these two.
        let [mut lowest, mut highest] = [chunk::Row([0; LANES]); 2];
        let scale = (1.0 - MARGIN as f32) / count;
        for lane in 0..LANES {
            let variance = variance[lane].greater(0.0);
            let down = (low * variance).sqrt() * scale;
            let up = (high * variance).sqrt() * scale;
            highest[lane] = whole_below(f32::from(near.least[lane]) + down, down);
            lowest[lane] = -whole_below(up - f32::from(near.most[lane]), up);
        }
        near.middle_outside(exposures, chunk, &lowest, &highest)
    } else {
        // The centre and both ends, counted from the reference, times the count: whole numbers below 2^24.
        let mut room = [0.0; LANES];
        for lane in 0..LANES {
            let centre = near.plain[lane] as f32;
            let down = centre - count * f32::from(near.least[lane]);
            let up = count * f32::from(near.most[lane]) - centre;
            let below = low * variance[lane] - down * down;
            let above = high * variance[lane] - up * up;
            room[lane] = below.lesser(above);
        }
        room.map(|room| u8::from(room < 0.0))
    };
    for lane in 0..LANES {
        loses[lane] |= near.is_far[lane];
    }
    (means_from(&near.reference, &near.plain, size), loses)
}

/// Mean of all samples of each lane, and the lanes that lose something in the first round, or for which
/// that is not certain.
#[inline(always)]
fn first_round(
    limits: &Limits,
    samples: &[Row],
    least: &Row,
    most: &Row,
    apart: &Flags,
) -> ([f32; LANES], Flags) {
    let size = samples.len();
    let count = size as f64;
    let widest = widest(least, most, apart);
    let sums = sums(samples, least, widest);
    let mut totals = [0; LANES];
    for lane in 0..LANES {
        // At most 2^15 samples: the whole sum fits 32 bits.
        totals[lane] = u32::from(least[lane].value()) * size as u32 + sums.plain[lane];
    }
    let means = means(&totals, size);
    let largest_sum = count * f64::from(widest);
    // Everything that follows is a whole number below this, hence exact.
    if largest_sum * largest_sum >= (1u64 << 53) as f64 {
        return (means, [u8::from(limits.iterations > 0); LANES]);
    }
    let mut loses = [0; LANES];
    if limits.iterations == 0 {
        return (means, loses);
    }
    let offset =
        |row: &Row, lane: usize| f64::from((row[lane] as u16).wrapping_sub(least[lane] as u16));
    let (below, above) = (&samples[(size - 1) / 2], &samples[size / 2]);
    let mut centre = [0.0; LANES];
    if limits.median_centre {
        for lane in 0..LANES {
            centre[lane] = count * (offset(below, lane) + offset(above, lane));
        }
    } else {
        for lane in 0..LANES {
            centre[lane] = 2.0 * f64::from(sums.plain[lane]);
        }
    }
    for lane in 0..LANES {
        let sum = f64::from(sums.plain[lane]);
        let variance = count * sums.squares[lane] as f64 - sum * sum;
        let bounds = integer_bounds(limits, count, variance, centre[lane]);
        loses[lane] = u8::from(bounds.below(0.0) | bounds.above(offset(most, lane)));
    }
    (means, loses)
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
