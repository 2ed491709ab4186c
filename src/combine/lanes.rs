//! The methods of [`Ranked`], a chunk of neighbouring pixels at a time.
//!
//! Most pixels of most images lose nothing. A look at a chunk tells of nearly all of them ([`super::glance`]), or
//! it is sorted by the network and that is settled side by side. The others are collected into chunks of
//! their own. What they keep is bracketed side by side as well where the method has a bracket, and what that
//! leaves in doubt the specification's own function decides.
//! Where all pixels lose as many samples nothing need be decided. Pixels with a sample that must not enter are
//! left to the specification altogether.

use std::ops::Range;

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::away::Away;
use super::chunk::{self, Chunk, PART};
use super::form::MOST_EXPOSURES;
use super::glance::{Eye, Glance};
use super::network::Network;
use super::ranked::{Ranges, Ranked};
use super::scalar::{self, Pixel, Raw, Sample, float_sums_of_rows, unsigned_zero};
use super::simd::{Kernel, Level};
use super::stored::{Stored, sample, stored};
use super::strays::{self, Picked};

/// Pixels that go through side by side.
pub(super) const LANES: usize = 128;

type Row<T> = chunk::Row<T, LANES>;
type Strays<T> = strays::Strays<T, LANES>;
type Flags = strays::Flags<LANES>;

/// First pixel and width of each chunk of so many pixels.
pub(super) fn chunks(length: usize) -> impl Iterator<Item = (usize, usize)> {
    let firsts = (0..length).step_by(LANES);
    firsts.map(move |first| (first, LANES.min(length - first)))
}

/// A sample as it goes through the network.
pub(super) trait Lane: Away + PartialOrd + Default {
    /// No sample that enters is below the one or above the other.
    const LEAST: Self;
    const MOST: Self;
    /// As it is handed in.
    type Raw: Raw<Value = Self::Value>;
    /// As [`Lane::MOST`] is.
    const BEYOND: Self::Raw;
    /// What it means, ADU.
    type Value: Sample;
    /// The highest that enters.
    type Limit: Copy;

    fn limit(saturation: f64) -> Self::Limit;
    fn of(raw: Self::Raw) -> Self;
    fn value(self) -> Self::Value;
    /// Lanes with a sample that must not enter; those of integers are sorted.
    fn spoiled<const L: usize>(rows: &[chunk::Row<Self, L>], limit: Self::Limit) -> [bool; L];
    /// Means of sorted lanes.
    fn means<const L: usize>(rows: &[chunk::Row<Self, L>]) -> [f32; L];
    /// Means of what each sorted lane keeps; anything for lanes that keep nothing.
    fn means_of<const L: usize>(rows: &[chunk::Row<Self, L>], kept: &Ranges<L>) -> [f32; L];

    /// What looks at chunks before they are sorted, where anything does.
    fn eye<'a>(
        _ranked: &mut Ranked,
        _exposures: &'a [&'a [Self::Raw]],
        _limit: Self::Limit,
    ) -> Option<Eye<'a>> {
        None
    }
}

/// 16-bit samples less 32,768, as FITS has them: every x86-64 has a vector minimum of signed 16-bit numbers.
impl Lane for i16 {
    const LEAST: Self = Self::MIN;
    const MOST: Self = Self::MAX;
    type Raw = Stored;
    const BEYOND: Stored = stored(u16::MAX);
    type Value = u16;
    type Limit = i32;

    fn limit(saturation: f64) -> i32 {
        if saturation <= f64::from(u16::MAX) {
            saturation.max(0.0).ceil() as i32 - 32769
        } else {
            i32::from(i16::MAX)
        }
    }

    #[inline(always)]
    fn of(raw: Stored) -> Self {
        Self::from_be_bytes(raw)
    }

    #[inline(always)]
    fn value(self) -> u16 {
        sample(self.to_be_bytes())
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

    #[inline(always)]
    fn means_of<const L: usize>(rows: &[chunk::Row<Self, L>], kept: &Ranges<L>) -> [f32; L] {
        let mut totals = [0u32; L];
        for (place, row) in rows.iter().enumerate() {
            let inside = kept.inside(place);
            for lane in 0..L {
                totals[lane] += u32::from(row[lane].value() & inside[lane]);
            }
        }
        let mut means = [0.0; L];
        for lane in 0..L {
            let count = f64::from(kept.end[lane] - kept.start[lane]);
            means[lane] = (f64::from(totals[lane]) / count) as f32;
        }
        means
    }

    fn eye<'a>(ranked: &mut Ranked, exposures: &'a [&'a [Stored]], limit: i32) -> Option<Eye<'a>> {
        Eye::new(ranked, exposures, limit)
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

impl Lane for f32 {
    const LEAST: Self = Self::NEG_INFINITY;
    const MOST: Self = Self::INFINITY;
    type Raw = Self;
    const BEYOND: Self = Self::MOST;
    type Value = Self;
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
    fn value(self) -> Self {
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

    #[inline(always)]
    fn means_of<const L: usize>(rows: &[chunk::Row<Self, L>], kept: &Ranges<L>) -> [f32; L] {
        let mut references = [0.0; L];
        for lane in 0..L {
            let middle = usize::from(kept.start[lane].midpoint(kept.end[lane]));
            references[lane] = f64::from(rows[middle.min(rows.len() - 1)][lane]);
        }
        let mut sums = [0.0; L];
        for (place, row) in rows.iter().enumerate() {
            let inside = kept.inside(place);
            for lane in 0..L {
                let away = f64::from(row[lane]) - references[lane];
                sums[lane] += if inside[lane] == 0 { 0.0 } else { away };
            }
        }
        let mut means = [0.0; L];
        for lane in 0..L {
            let count = f64::from(kept.end[lane] - kept.start[lane]);
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
        exposures,
        saturation,
        out,
        rejected,
        pixel: Pixel::new(method),
        column: Vec::with_capacity(size),
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a, T: Lane> {
    ranked: Ranked,
    exposures: &'a [&'a [T::Raw]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
    pixel: Pixel<T::Value>,
    column: Vec<T::Value>,
    seen: Combined,
}

impl<T: Lane> Kernel for Stretch<'_, T> {
    type Output = Combined;

    #[inline(always)]
    fn run(mut self) -> Combined {
        let size = self.exposures.len();
        match self.ranked.fixed(size) {
            Some(range) => self.keep(&range),
            None => self.judge(),
        }
        self.seen
    }
}

impl<T: Lane> Stretch<'_, T> {
    /// Keeps the same range of all pixels.
    #[inline(always)]
    fn keep(&mut self, range: &Range<usize>) {
        let size = self.exposures.len();
        let network = Network::whole(size);
        let limit = T::limit(self.saturation);
        let mut lanes = Chunk::<T, LANES>::new(size);
        for (first, width) in chunks(self.out.len()) {
            lanes.gather_sorted(self.exposures, first, width, &network);
            let rows = lanes.sorted();
            let apart = T::spoiled(rows, limit).map(u8::from);
            self.give(first, width, &T::means(&rows[range.clone()]), &apart);
            if range.len() < size {
                let mut edges = Edges::everything();
                for lane in (0..width).filter(|&lane| apart[lane] == 0) {
                    edges.set(rows, lane, range);
                }
                lanes.gather(self.exposures, first, width);
                edges.charge(lanes.raw(), width, self.rejected);
            }
        }
    }

    /// Keeps what the method keeps of each pixel.
    #[inline(always)]
    fn judge(&mut self) {
        let size = self.exposures.len();
        let network = Network::whole(size);
        let limit = T::limit(self.saturation);
        let mut eye = T::eye(&mut self.ranked, self.exposures, limit);
        let mut glance = Glance::new();
        let mut lanes = Chunk::<T, LANES>::new(size);
        let mut strays = Strays::<T>::new(size);
        for (first, width) in chunks(self.out.len()) {
            let told = match &mut eye {
                Some(eye) if width == LANES => eye.look(first, &mut glance),
                _ => false,
            };
            if !told {
                lanes.gather_sorted(self.exposures, first, width, &network);
                let rows = lanes.sorted();
                glance.means = T::means(rows);
                glance.apart = T::spoiled(rows, limit).map(u8::from);
                glance.loses = self.ranked.settled(rows).map(|settled| u8::from(!settled));
            }
            self.give(first, width, &glance.means, &glance.apart);
            for lane in 0..LANES {
                glance.loses[lane] &= !glance.apart[lane];
            }
            let losing = Picked::of(&glance.loses, width);
            let mut left = losing.lanes();
            while !left.is_empty() {
                left = strays.take(self.exposures, first, left);
                if strays.is_full() {
                    self.settle(&mut strays, &network);
                }
            }
        }
        self.settle(&mut strays, &network);
    }

    /// Gives a chunk of pixels these means, and leaves those that are `apart` to the specification.
    #[inline(always)]
    fn give(&mut self, first: usize, width: usize, means: &[f32; LANES], apart: &Flags) {
        for (value, &mean) in self.out[first..first + width].iter_mut().zip(means) {
            *value = unsigned_zero(mean);
        }
        for &lane in Picked::of(apart, width).lanes() {
            self.set_apart(first + usize::from(lane));
        }
    }

    /// Leaves a pixel to the specification.
    fn set_apart(&mut self, at: usize) {
        let (seen, rejected) = (&mut self.seen, &mut *self.rejected);
        self.out[at] = self
            .pixel
            .combine(self.exposures, at, self.saturation, rejected, seen);
    }

    /// Combines the pixels that were collected.
    #[inline(always)]
    fn settle(&mut self, strays: &mut Strays<T>, network: &Network) {
        if strays.held == 0 {
            return;
        }
        strays.sort(network);
        let rows = strays.lanes.sorted();
        // A glance does not tell this of all.
        let apart = T::spoiled(rows, T::limit(self.saturation));
        let mut kept = self.ranked.ranges(rows);
        let mut unsure = [0; LANES];
        for lane in 0..LANES {
            unsure[lane] = u8::from(!(kept.sure[lane] | apart[lane]));
        }
        for &lane in Picked::of(&unsure, strays.held).lanes() {
            let lane = usize::from(lane);
            self.column.clear();
            self.column.extend(rows.iter().map(|row| row[lane].value()));
            kept.set(lane, self.ranked.kept(&self.column));
        }
        let means = T::means_of(rows, &kept);
        let mut edges = Edges::everything();
        let pixels = strays.pixels.iter().zip(means).take(strays.held);
        for (lane, (&at, mean)) in pixels.enumerate() {
            let range = kept.of(lane);
            if apart[lane] || range.is_empty() {
                self.set_apart(at);
                continue;
            }
            self.out[at] = unsigned_zero(mean);
            if range.len() < rows.len() {
                edges.set(rows, lane, &range);
            }
        }
        edges.charge(strays.lanes.raw(), strays.held, self.rejected);
        strays.held = 0;
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

    /// Those of one of the sorted lanes: the ends of a range, not empty, of it.
    #[inline(always)]
    fn set(&mut self, sorted: &[Row<T>], lane: usize, kept: &Range<usize>) {
        let (smallest, largest) = (sorted[kept.start][lane], sorted[kept.end - 1][lane]);
        self.smallest[lane] = smallest;
        self.largest[lane] = largest;
        let equal = |value: T, rows: &[Row<T>]| {
            let rows = rows.iter().rev();
            rows.take_while(|row| row[lane] == value).count() as u16
        };
        let below = equal(smallest, &sorted[..kept.start]);
        if below > 0 {
            self.first_of_smallest[lane] = below;
            self.among_equals = true;
        }
        if sorted.get(kept.end).is_some_and(|row| row[lane] == largest) {
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
