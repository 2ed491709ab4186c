//! The methods of [`Ranked`], a chunk of neighbouring pixels at a time.
//!
//! A chunk is sorted by the network. Most pixels of most images lose nothing, which is settled side
//! by side; the others are looked at one by one, by the specification's own function. Pixels with a
//! sample that must not enter are left to the specification altogether.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use std::ops::Range;

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::lanes::{Lanes, Row};
use super::network::merge_exchange;
use super::ranked::Ranked;
use super::scalar::{self, Pixel, Sample, float_sums_of_rows, unsigned_zero};
use super::simd::{Kernel, Level};
use super::winsor::Away;

/// Pixels that go through side by side.
const LANES: usize = 64;

/// Lanes whose sums stay in registers.
const GROUP: usize = 16;

/// Above this many exposures 32-bit sums of a pixel might not fit, and speed is no concern.
const MOST: usize = 1 << 15;

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
    /// Lanes with a sample that must not enter.
    fn spoiled<const L: usize>(rows: &[Row<Self, L>], limit: Self::Limit) -> [bool; L];
    /// Means of sorted lanes.
    fn means<const L: usize>(rows: &[Row<Self, L>]) -> [f32; L];
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
    fn spoiled<const L: usize>(rows: &[Row<Self, L>], limit: i32) -> [bool; L] {
        let mut top = [i16::MIN; L];
        for row in rows {
            for lane in 0..L {
                top[lane] = top[lane].max(row.0[lane]);
            }
        }
        top.map(|top| i32::from(top) > limit)
    }

    #[inline(always)]
    fn means<const L: usize>(rows: &[Row<Self, L>]) -> [f32; L] {
        let mut sums = [0i32; L];
        for (at, sums) in sums.as_chunks_mut::<GROUP>().0.iter_mut().enumerate() {
            let mut group = [0i32; GROUP];
            for row in rows {
                let row = &row.0.as_chunks::<GROUP>().0[at];
                for lane in 0..GROUP {
                    group[lane] += i32::from(row[lane]);
                }
            }
            *sums = group;
        }
        let count = rows.len() as f64;
        sums.map(|sum| ((f64::from(sum) + 32768.0 * count) / count) as f32)
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
        if saturation.is_nan() {
            return Self::INFINITY;
        }
        let level = saturation as Self;
        if f64::from(level) < saturation {
            level.next_up()
        } else {
            level
        }
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
    fn spoiled<const L: usize>(rows: &[Row<Self, L>], limit: Self) -> [bool; L] {
        let mut spoiled = [false; L];
        for row in rows {
            for lane in 0..L {
                // False for NaN and both infinities as well.
                let enters = (row.0[lane] < limit) & (row.0[lane] > Self::NEG_INFINITY);
                spoiled[lane] |= !enters;
            }
        }
        spoiled
    }

    #[inline(always)]
    fn means<const L: usize>(rows: &[Row<Self, L>]) -> [f32; L] {
        let (sums, references) = float_sums_of_rows(rows);
        let count = rows.len() as f64;
        std::array::from_fn(|lane| (references[lane] + sums[lane] / count) as f32)
    }
}

/// Combines a stretch.
pub(super) fn combine<T: Lane>(
    level: Level,
    method: &Combining,
    exposures: &[&[T::Raw]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    let size = exposures.len();
    if size == 0 || size > MOST {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    level.run(Stretch::<T> {
        method,
        exposures,
        saturation,
        out,
        rejected,
        ranked: Ranked::of(method, size),
        column: Vec::with_capacity(size),
        pixel: Pixel::new(),
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a, T: Lane> {
    method: &'a Combining,
    exposures: &'a [&'a [T::Raw]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
    ranked: Ranked,
    column: Vec<T::Raw>,
    pixel: Pixel<T::Raw>,
    seen: Combined,
}

impl<T: Lane> Kernel for Stretch<'_, T> {
    type Output = Combined;

    #[inline(always)]
    fn run(mut self) -> Combined {
        let size = self.exposures.len();
        let pairs = merge_exchange(size);
        let limit = T::limit(self.saturation);
        let fixed = self.ranked.fixed(size);
        let mut lanes = Lanes::<T, LANES>::new(size, T::default());
        let length = self.out.len();
        for first in (0..length).step_by(LANES) {
            let width = LANES.min(length - first);
            lanes.gather(self.exposures, first, width, T::default(), T::of);
            let mut apart = T::spoiled(&lanes.raw, limit);
            lanes.sort(&pairs);
            let mut edges = Edges::everything();
            let means = match &fixed {
                Some(range) => {
                    for lane in (0..width).filter(|&lane| !apart[lane]) {
                        edges.set(&lanes.sorted, lane, range);
                    }
                    T::means(&lanes.sorted[range.clone()])
                }
                None => self.look(&lanes.sorted, width, &mut apart, &mut edges),
            };
            if edges.any {
                edges.charge(&lanes.raw, width, self.rejected);
            }
            for lane in 0..width {
                self.out[first + lane] = if apart[lane] {
                    let samples = self.exposures.iter().map(|exposure| exposure[first + lane]);
                    self.pixel.combine(
                        self.method,
                        samples,
                        self.saturation,
                        self.rejected,
                        &mut self.seen,
                    )
                } else {
                    unsigned_zero(means[lane])
                };
            }
        }
        self.seen
    }
}

impl<T: Lane> Stretch<'_, T> {
    /// Means of what each lane keeps, where it ends, and the lanes in which nothing is left.
    #[inline(always)]
    fn look(
        &mut self,
        sorted: &[Row<T, LANES>],
        width: usize,
        apart: &mut [bool; LANES],
        edges: &mut Edges<T>,
    ) -> [f32; LANES] {
        let mut means = T::means(sorted);
        let settled = self.ranked.settled(sorted);
        for lane in 0..width {
            if settled[lane] || apart[lane] {
                continue;
            }
            self.column.clear();
            self.column
                .extend(sorted.iter().map(|row| row.0[lane].raw()));
            let range = self.ranked.kept(&self.column);
            if range.is_empty() {
                apart[lane] = true;
            } else if range.len() < sorted.len() {
                edges.set(sorted, lane, &range);
                means[lane] = <T::Raw as Sample>::mean(&self.column[range]) as f32;
            }
        }
        means
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
    /// Whether anything goes.
    any: bool,
    /// Whether any range ends among equal samples.
    among_equals: bool,
}

impl<T: Lane> Edges<T> {
    #[inline(always)]
    fn everything() -> Self {
        Self {
            smallest: [T::LEAST; LANES],
            largest: [T::MOST; LANES],
            first_of_smallest: [0; LANES],
            first_of_largest: [u16::MAX; LANES],
            any: false,
            among_equals: false,
        }
    }

    /// A lane keeps this range, which is not empty.
    fn set(&mut self, sorted: &[Row<T, LANES>], lane: usize, kept: &Range<usize>) {
        let at = |row: usize| sorted[row].0[lane];
        let (smallest, largest) = (at(kept.start), at(kept.end - 1));
        self.any |= kept.len() < sorted.len();
        self.smallest[lane] = smallest;
        self.largest[lane] = largest;
        if kept.start > 0 && at(kept.start - 1) == smallest {
            let equal = (0..kept.start).rev().take_while(|&row| at(row) == smallest);
            self.first_of_smallest[lane] = equal.count() as u16;
            self.among_equals = true;
        }
        if kept.end < sorted.len() && at(kept.end) == largest {
            let equal = (0..kept.end).rev().take_while(|&row| at(row) == largest);
            self.first_of_largest[lane] = equal.count() as u16;
            self.among_equals = true;
        }
    }

    /// Adds what goes of each exposure. Lanes that were not set lose nothing here.
    #[inline(always)]
    fn charge(&mut self, raw: &[Row<T, LANES>], width: usize, rejected: &mut [InputCount]) {
        for (row, count) in raw.iter().zip(rejected) {
            let (mut low, mut high) = (0u16, 0u16);
            for lane in 0..LANES {
                low += u16::from(row.0[lane] < self.smallest[lane]);
                high += u16::from(row.0[lane] > self.largest[lane]);
            }
            if self.among_equals {
                for lane in 0..width {
                    let equal = u16::from(row.0[lane] == self.smallest[lane]);
                    let goes = equal.min(self.first_of_smallest[lane]);
                    self.first_of_smallest[lane] -= goes;
                    low += goes;
                    let equal = u16::from(row.0[lane] == self.largest[lane]);
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
