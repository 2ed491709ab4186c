//! The methods of [`Ranked`], a chunk of neighbouring pixels at a time.
//!
//! A chunk is sorted by the network. Most pixels of most images lose nothing, which is settled side
//! by side; the others are looked at one by one, by the specification's own function. Pixels with a
//! sample that must not enter are left to the specification altogether.

use std::ops::Range;

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::chunk::{self, Chunk, PART};
use super::form::MOST_EXPOSURES;
use super::network::Network;
use super::ranked::Ranked;
use super::scalar::{self, Pixel, Sample, float_sums_of_rows, unsigned_zero};
use super::simd::{Kernel, Level};
use super::winsor::Away;

/// Pixels that go through side by side.
const LANES: usize = 64;

type Row<T> = chunk::Row<T, LANES>;

/// A sample as it goes through the network.
pub(super) trait Lane: Away + PartialOrd + Default {
    /// No sample that enters is below the one or above the other.
    const LEAST: Self;
    const MOST: Self;
    /// As it comes.
    type Raw: Sample;
    /// The highest that enters.
    type Limit: Copy;

    fn limit(saturation: f64) -> Self::Limit;
    fn of(raw: Self::Raw) -> Self;
    fn raw(self) -> Self::Raw;
    /// Lanes with a sample that must not enter, of a chunk that was gathered and, for integers, sorted.
    fn spoiled<const L: usize>(chunk: &Chunk<Self, L>, limit: Self::Limit) -> [bool; L];
    /// Means of sorted lanes.
    fn means<const L: usize>(rows: &[chunk::Row<Self, L>]) -> [f32; L];
}

/// 16-bit samples with the top bit turned over: every x86-64 has a vector minimum of signed 16-bit
/// numbers.
impl Away for i16 {
    #[inline(always)]
    fn away(self, reference: Self) -> f32 {
        (i32::from(self) - i32::from(reference)) as f32
    }
}

impl Lane for i16 {
    const LEAST: Self = Self::MIN;
    const MOST: Self = Self::MAX;
    type Raw = u16;
    type Limit = i32;

    fn limit(saturation: f64) -> i32 {
        if saturation <= f64::from(u16::MAX) {
            saturation.max(0.0).ceil() as i32 - 32769
        } else {
            i32::from(i16::MAX)
        }
    }

    #[inline(always)]
    fn of(raw: u16) -> Self {
        (raw ^ 0x8000) as i16
    }

    #[inline(always)]
    fn raw(self) -> u16 {
        self as u16 ^ 0x8000
    }

    #[inline(always)]
    fn spoiled<const L: usize>(chunk: &Chunk<Self, L>, limit: i32) -> [bool; L] {
        let mut spoiled = [false; L];
        if let Some(top) = chunk.sorted().last() {
            for lane in 0..L {
                spoiled[lane] = i32::from(top[lane]) > limit;
            }
        }
        spoiled
    }

    #[inline(always)]
    fn means<const L: usize>(rows: &[chunk::Row<Self, L>]) -> [f32; L] {
        let mut totals = [0; L];
        for place in 0..L / PART {
            let mut sums = [0i32; PART];
            for row in rows {
                for (sum, &value) in sums.iter_mut().zip(row.part(place)) {
                    *sum += i32::from(value);
                }
            }
            for lane in 0..PART {
                totals[place * PART + lane] = (sums[lane] + (rows.len() << 15) as i32) as u32;
            }
        }
        means(&totals, rows.len())
    }
}

/// Totals of `count` samples divided by their number, in `f64` and then rounded to `f32`.
///
/// Up to 256 samples that is what `f32` gives at once: it holds the total, and no quotient lies so near
/// the middle between two of its numbers, without being it, that `f64` would round it there. (Times the
/// count a quotient is a whole number, and so is a middle in units of 2^-25 of the quotient: they differ by
/// 2^-33 of it or more.)
#[inline(always)]
pub(super) fn means<const L: usize>(totals: &[u32; L], count: usize) -> [f32; L] {
    let mut means = [0.0; L];
    if count <= 256 {
        for lane in 0..L {
            means[lane] = (totals[lane] as i32 as f32) / count as f32;
        }
    } else {
        for lane in 0..L {
            means[lane] = (f64::from(totals[lane]) / count as f64) as f32;
        }
    }
    means
}

/// The lowest `f32` at or above a level: samples reach it where they reach the level. Infinity
/// where the level is no number.
pub fn lowest_at_or_above(level: f64) -> f32 {
    if level.is_nan() {
        return f32::INFINITY;
    }
    let nearest = level as f32;
    if f64::from(nearest) < level {
        nearest.next_up()
    } else {
        nearest
    }
}

impl Away for f32 {
    #[inline(always)]
    fn away(self, reference: Self) -> f32 {
        self - reference
    }
}

impl Lane for f32 {
    const LEAST: Self = Self::NEG_INFINITY;
    const MOST: Self = Self::INFINITY;
    type Raw = Self;
    /// The lowest that does not enter.
    type Limit = Self;

    fn limit(saturation: f64) -> Self {
        lowest_at_or_above(saturation)
    }

    #[inline(always)]
    fn of(raw: Self) -> Self {
        raw
    }

    #[inline(always)]
    fn raw(self) -> Self {
        self
    }

    #[inline(always)]
    fn spoiled<const L: usize>(chunk: &Chunk<Self, L>, limit: Self) -> [bool; L] {
        let mut spoiled = [false; L];
        for row in chunk.raw() {
            for (spoiled, &value) in spoiled.iter_mut().zip(row.iter()) {
                // False for NaN and both infinities as well.
                *spoiled |= !(value < limit && value > Self::NEG_INFINITY);
            }
        }
        spoiled
    }

    #[inline(always)]
    fn means<const L: usize>(rows: &[chunk::Row<Self, L>]) -> [f32; L] {
        let (sums, references) = float_sums_of_rows(rows);
        let count = rows.len() as f64;
        let mut means = [0.0; L];
        for lane in 0..L {
            means[lane] = (references[lane] + sums[lane] / count) as f32;
        }
        means
    }
}

/// Combines a stretch.
pub(super) fn combine<T: Lane>(
    level: Level,
    ranked: Ranked,
    method: &Combining,
    exposures: &[&[T::Raw]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    let size = exposures.len();
    if size == 0 || size > MOST_EXPOSURES {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    level.run(Stretch::<T> {
        ranked,
        method,
        exposures,
        saturation,
        out,
        rejected,
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a, T: Lane> {
    ranked: Ranked,
    method: &'a Combining,
    exposures: &'a [&'a [T::Raw]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
}

impl<T: Lane> Kernel for Stretch<'_, T> {
    type Output = Combined;

    #[inline(always)]
    fn run(self) -> Combined {
        let Self {
            mut ranked,
            method,
            exposures,
            saturation,
            out,
            rejected,
        } = self;
        let size = exposures.len();
        let network = Network::whole(size);
        let limit = T::limit(saturation);
        let fixed = ranked.fixed(size);
        let mut lanes = Chunk::<T, LANES>::new(size);
        let mut column = Vec::with_capacity(size);
        let mut pixel = Pixel::new(method);
        let mut seen = Combined::default();
        for (chunk, values) in out.chunks_mut(LANES).enumerate() {
            let first = chunk * LANES;
            let width = values.len();
            lanes.gather(exposures, first, width);
            lanes.sort(&network);
            let mut apart = T::spoiled(&lanes, limit);
            let rows = lanes.sorted();
            let mut kept: [Range<usize>; LANES] = std::array::from_fn(|_| 0..size);
            let mut any = false;
            let mut means;
            if let Some(range) = &fixed {
                any = range.len() < size;
                means = T::means(&rows[range.clone()]);
                for lane in (0..width).filter(|&lane| !apart[lane]) {
                    kept[lane] = range.clone();
                }
            } else {
                means = T::means(rows);
                let settled = ranked.settled(rows);
                for lane in (0..width).filter(|&lane| !settled[lane]) {
                    if apart[lane] {
                        continue;
                    }
                    column.clear();
                    column.extend(rows.iter().map(|row| row[lane].raw()));
                    let range = ranked.kept(&column);
                    if range.is_empty() {
                        apart[lane] = true;
                    } else if range.len() < size {
                        means[lane] = <T::Raw as Sample>::mean(&column[range.clone()]) as f32;
                        kept[lane] = range;
                        any = true;
                    }
                }
            }
            if any {
                let edges = Edges::of(rows, &kept);
                edges.charge(lanes.raw(), width, rejected);
            }
            for (lane, value) in values.iter_mut().enumerate() {
                *value = if apart[lane] {
                    pixel.combine(exposures, first + lane, saturation, rejected, &mut seen)
                } else {
                    unsigned_zero(means[lane])
                };
            }
        }
        seen
    }
}

/// Where the ranges of a chunk end.
struct Edges<T> {
    /// Smallest and largest sample kept.
    smallest: [T; LANES],
    largest: [T; LANES],
    /// Of the samples equal to the smallest one kept, so many of the first exposures go.
    first_of_smallest: [u16; LANES],
    /// Of those equal to the largest one kept, so many of the first exposures stay (or go below).
    first_of_largest: [u16; LANES],
    /// Whether any range ends among equal samples.
    among_equals: bool,
}

impl<T: Lane> Edges<T> {
    /// From non-empty ranges of sorted rows.
    #[inline(always)]
    fn of(rows: &[Row<T>], kept: &[Range<usize>; LANES]) -> Self {
        let mut edges = Self {
            smallest: [T::LEAST; LANES],
            largest: [T::MOST; LANES],
            first_of_smallest: [0; LANES],
            first_of_largest: [u16::MAX; LANES],
            among_equals: false,
        };
        for (lane, kept) in kept.iter().enumerate() {
            if kept.len() == rows.len() {
                continue;
            }
            let at = |row: usize| rows[row][lane];
            let (smallest, largest) = (at(kept.start), at(kept.end - 1));
            edges.smallest[lane] = smallest;
            edges.largest[lane] = largest;
            if kept.start > 0 && at(kept.start - 1) == smallest {
                let equal = (0..kept.start).rev().take_while(|&row| at(row) == smallest);
                edges.first_of_smallest[lane] = equal.count() as u16;
                edges.among_equals = true;
            }
            if kept.end < rows.len() && at(kept.end) == largest {
                let equal = (0..kept.end).rev().take_while(|&row| at(row) == largest);
                edges.first_of_largest[lane] = equal.count() as u16;
                edges.among_equals = true;
            }
        }
        edges
    }

    /// Adds what was dropped of each exposure.
    #[inline(always)]
    fn charge(mut self, raw: &[Row<T>], width: usize, rejected: &mut [InputCount]) {
        for (row, count) in raw.iter().zip(rejected) {
            let (mut low, mut high) = (0u16, 0u16);
            // Lanes that no pixel has keep everything.
            for lane in 0..LANES {
                low += u16::from(row[lane] < self.smallest[lane]);
                high += u16::from(row[lane] > self.largest[lane]);
            }
            if self.among_equals {
                for lane in 0..width {
                    let equal = u16::from(row[lane] == self.smallest[lane]);
                    let goes = equal.min(self.first_of_smallest[lane]);
                    self.first_of_smallest[lane] -= goes;
                    low += goes;
                    let equal = u16::from(row[lane] == self.largest[lane]);
                    let stays = equal.min(self.first_of_largest[lane]);
                    self.first_of_largest[lane] -= stays;
                    high += equal - stays;
                }
            }
            count.low += u64::from(low);
            count.high += u64::from(high);
        }
    }
}
