//! The methods of [`Ranked`], a chunk of neighbouring pixels at a time.
//!
//! A chunk is sorted by the network. Most pixels of most images lose nothing, which is settled side
//! by side; the others are looked at one by one, by the specification's own function. Those that do lose
//! something are collected, and what they lose is charged to the exposures side by side again; where all lose
//! as much, chunk by chunk. Pixels with a sample that must not enter are left to the specification altogether.

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
const LANES: usize = 128;

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
    /// Lanes with a sample that must not enter; those of integers are sorted.
    fn spoiled<const L: usize>(rows: &[chunk::Row<Self, L>], limit: Self::Limit) -> [bool; L];
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
    fn spoiled<const L: usize>(rows: &[chunk::Row<Self, L>], limit: i32) -> [bool; L] {
        let mut spoiled = [false; L];
        if let Some(top) = rows.last() {
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

    /// One that is no number may have changed places with what lies beyond the last row, which does not
    /// enter either.
    #[inline(always)]
    fn spoiled<const L: usize>(rows: &[chunk::Row<Self, L>], limit: Self) -> [bool; L] {
        let mut spoiled = [false; L];
        for row in rows {
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
        let mut strays = Strays::<T>::new(size);
        let mut pixel = Pixel::new(method);
        let mut seen = Combined::default();
        for (chunk, values) in out.chunks_mut(LANES).enumerate() {
            let first = chunk * LANES;
            let width = values.len();
            lanes.gather_sorted(exposures, first, width, &network);
            let rows = lanes.sorted();
            let mut apart = T::spoiled(rows, limit);
            let mut means;
            if let Some(range) = &fixed {
                means = T::means(&rows[range.clone()]);
                if range.len() < size {
                    let mut edges = Edges::everything();
                    for lane in (0..width).filter(|&lane| !apart[lane]) {
                        column.clear();
                        column.extend(rows.iter().map(|row| row[lane].raw()));
                        edges.set(lane, &column, range);
                    }
                    lanes.gather(exposures, first, width);
                    edges.charge(lanes.raw(), width, rejected);
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
                        strays.take(exposures, first + lane, &column, &range);
                        if strays.held == LANES {
                            strays.charge(rejected);
                        }
                    }
                }
            }
            for (lane, value) in values.iter_mut().enumerate() {
                *value = if apart[lane] {
                    pixel.combine(exposures, first + lane, saturation, rejected, &mut seen)
                } else {
                    unsigned_zero(means[lane])
                };
            }
        }
        strays.charge(rejected);
        seen
    }
}

/// Pixels of several chunks that lose something.
struct Strays<T> {
    rows: Vec<Row<T>>,
    edges: Edges<T>,
    held: usize,
}

impl<T: Lane> Strays<T> {
    fn new(size: usize) -> Self {
        Self {
            rows: vec![chunk::Row([T::default(); LANES]); size],
            edges: Edges::everything(),
            held: 0,
        }
    }

    /// Takes pixel `at`, of whose sorted samples a range is kept.
    #[inline(always)]
    fn take(&mut self, exposures: &[&[T::Raw]], at: usize, sorted: &[T::Raw], kept: &Range<usize>) {
        for (mine, exposure) in self.rows.iter_mut().zip(exposures) {
            mine[self.held] = T::of(exposure[at]);
        }
        self.edges.set(self.held, sorted, kept);
        self.held += 1;
    }

    /// Adds what was dropped of each exposure, and holds nothing any more.
    #[inline(always)]
    fn charge(&mut self, rejected: &mut [InputCount]) {
        if self.held == 0 {
            return;
        }
        let edges = std::mem::replace(&mut self.edges, Edges::everything());
        edges.charge(&self.rows, self.held, rejected);
        self.held = 0;
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
    /// Edges that nothing lies beyond.
    fn everything() -> Self {
        Self {
            smallest: [T::LEAST; LANES],
            largest: [T::MOST; LANES],
            first_of_smallest: [0; LANES],
            first_of_largest: [u16::MAX; LANES],
            among_equals: false,
        }
    }

    /// Those of one lane: the ends of a range, not empty, of its sorted samples.
    #[inline(always)]
    fn set(&mut self, lane: usize, sorted: &[T::Raw], kept: &Range<usize>) {
        let (smallest, largest) = (sorted[kept.start], sorted[kept.end - 1]);
        self.smallest[lane] = T::of(smallest);
        self.largest[lane] = T::of(largest);
        let (below, above) = (&sorted[..kept.start], &sorted[kept.end..]);
        let equal = |value: T::Raw, of: &[T::Raw]| {
            let of = of.iter().rev();
            of.take_while(|&&other| other == value).count() as u16
        };
        if below.last() == Some(&smallest) {
            self.first_of_smallest[lane] = equal(smallest, below);
            self.among_equals = true;
        }
        if above.first() == Some(&largest) {
            self.first_of_largest[lane] = equal(largest, &sorted[..kept.end]);
            self.among_equals = true;
        }
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
