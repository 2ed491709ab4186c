//! Many small groups of samples, sorted and clipped side by side.
//!
//! A group is a lane: a sorting network puts all lanes in order in lockstep, and what is summed over
//! the survivors of each is summed for all of them in one pass down the rows. Each lane's sums are
//! taken in the order of its own samples, so a group's figures are to the bit what
//! [`clipped_sorted`](super::clipped_sorted) says of it alone, whoever its neighbours are.

use std::ops::Range;

use super::chunk;
use super::network::{BLOCK, Network};
use super::simd::{Kernel, Level};
use super::small::Clip;

/// Groups that go through side by side.
const LANES: usize = 16;

type Row<T> = chunk::Row<T, LANES>;

/// Sorts each group, and clips it around its median as [`clipped_sorted`](super::clipped_sorted)
/// does. No sample may be NaN. Nothing for a group without samples.
pub fn clip_groups(groups: &mut [&mut [f32]], limit: f64, rounds: u32) -> Vec<Option<Clip>> {
    clip_groups_at(groups, limit, rounds, Level::widest())
}

/// [`clip_groups`] with the instructions of a level.
fn clip_groups_at(
    groups: &mut [&mut [f32]],
    limit: f64,
    rounds: u32,
    level: Level,
) -> Vec<Option<Clip>> {
    level.run(All {
        groups,
        limit,
        rounds,
    })
}

struct All<'a, 'g> {
    groups: &'a mut [&'g mut [f32]],
    limit: f64,
    rounds: u32,
}

impl Kernel for All<'_, '_> {
    type Output = Vec<Option<Clip>>;

    #[inline(always)]
    fn run(self) -> Self::Output {
        let mut found = Vec::with_capacity(self.groups.len());
        let (mut keys, mut sorted): (Vec<[_; BLOCK]>, Vec<_>) = (Vec::new(), Vec::new());
        let mut network = Network::whole(0);
        for groups in self.groups.chunks_mut(LANES) {
            let count = groups.iter().map(|group| group.len()).max().unwrap_or(0);
            // Groups are of one size, mostly.
            if count != sorted.len() {
                network = Network::whole(count);
                keys.resize(count.div_ceil(BLOCK), [chunk::Row([0; LANES]); BLOCK]);
                sorted.resize(count, chunk::Row([0.0; LANES]));
            }
            lay_out(groups, keys.as_flattened_mut());
            network.sort(&mut keys);
            for (sorted, keys) in sorted.iter_mut().zip(keys.as_flattened()) {
                for (value, &key) in sorted.iter_mut().zip(keys.iter()) {
                    *value = f32::from_bits(turned(key) as u32);
                }
            }
            for (lane, group) in groups.iter_mut().enumerate() {
                for (sample, row) in group.iter_mut().zip(&sorted) {
                    *sample = row[lane];
                }
            }
            let clips = Lanes::of(groups, &sorted).clipped(self.limit, self.rounds);
            let clips = clips.into_iter().zip(groups);
            found.extend(clips.map(|(clip, group)| (!group.is_empty()).then_some(clip)));
        }
        found
    }
}

/// The bits of a float as an integer of the same order, and back: negative numbers count backwards.
#[inline(always)]
fn turned(bits: i32) -> i32 {
    bits ^ ((bits >> 31) as u32 >> 1) as i32
}

/// One group per lane; lanes are filled up with what is sorted behind everything.
#[inline(always)]
fn lay_out(groups: &[&mut [f32]], keys: &mut [Row<i32>]) {
    for lane in 0..LANES {
        let group = groups.get(lane).map_or(&[][..], |group| group);
        let (own, rest) = keys.split_at_mut(group.len());
        for (row, sample) in own.iter_mut().zip(group) {
            row[lane] = turned(sample.to_bits() as i32);
        }
        rest.iter_mut().for_each(|row| row[lane] = i32::MAX);
    }
}

/// Sorted lanes, and the rows that are left of each.
struct Lanes<'a> {
    rows: &'a [Row<f32>],
    start: [usize; LANES],
    end: [usize; LANES],
}

impl<'a> Lanes<'a> {
    #[inline(always)]
    fn of(groups: &[&mut [f32]], rows: &'a [Row<f32>]) -> Self {
        let mut end = [0; LANES];
        for (end, group) in end.iter_mut().zip(groups) {
            *end = group.len();
        }
        Self {
            rows,
            start: [0; LANES],
            end,
        }
    }

    #[inline(always)]
    fn clipped(mut self, limit: f64, rounds: u32) -> [Clip; LANES] {
        let mut clips = self.described();
        let mut settled: [bool; LANES] = std::array::from_fn(|lane| self.end[lane] == 0);
        for _ in 0..rounds {
            for lane in 0..LANES {
                if settled[lane] {
                    continue;
                }
                let Clip { median, sd, .. } = clips[lane];
                let (lower, upper) = (median - limit * sd, median + limit * sd);
                let (start, end) = (self.start[lane], self.end[lane]);
                let first = self.first(lane, start..end, |value| value >= lower);
                let beyond = self.first(lane, start..end, |value| value > upper);
                settled[lane] = first >= beyond || (first, beyond) == (start, end);
                if !settled[lane] {
                    (self.start[lane], self.end[lane]) = (first, beyond);
                }
            }
            if settled.iter().all(|settled| *settled) {
                break;
            }
            clips = self.described();
        }
        clips
    }

    /// The first of a lane's rows whose value is so, as all behind it are; the end where none is.
    #[inline(always)]
    fn first(&self, lane: usize, rows: Range<usize>, is: impl Fn(f64) -> bool) -> usize {
        let part = &self.rows[rows.clone()];
        rows.start + part.partition_point(|row| !is(f64::from(row[lane])))
    }

    /// What is left of each lane, in figures.
    #[inline(always)]
    fn described(&self) -> [Clip; LANES] {
        let count = |lane: usize| self.end[lane] - self.start[lane];
        let mut medians = [0.0; LANES];
        for (lane, median) in medians.iter_mut().enumerate() {
            if count(lane) > 0 {
                let at = |place: usize| f64::from(self.rows[self.start[lane] + place][lane]);
                *median = (at((count(lane) - 1) / 2) + at(count(lane) / 2)) / 2.0;
            }
        }
        // Places as floats: those every processor compares side by side.
        let start = self.start.map(|place| place as f64);
        let end = self.end.map(|place| place as f64);
        let (mut sums, mut squares) = ([0.0; LANES], [0.0; LANES]);
        for (place, row) in self.rows.iter().enumerate() {
            let place = place as f64;
            for lane in 0..LANES {
                let inside = start[lane] <= place && place < end[lane];
                let away = f64::from(row[lane]) - medians[lane];
                let away = if inside { away } else { 0.0 };
                sums[lane] += away;
                squares[lane] += away * away;
            }
        }
        std::array::from_fn(|lane| Clip {
            below: self.start[lane],
            ..Clip::of_sums(count(lane), medians[lane], sums[lane], squares[lane])
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use proptest::prelude::*;

    use super::super::clipped_sorted;
    use super::*;

    /// What each group says alone.
    fn alone(groups: &[Vec<f32>], limit: f64, rounds: u32) -> Vec<(Vec<u32>, Option<[u64; 5]>)> {
        let one = |group: &Vec<f32>| {
            let mut group = group.clone();
            group.sort_by(f32::total_cmp);
            let clip = clipped_sorted(&group, limit, rounds);
            (group.iter().map(|v| v.to_bits()).collect(), clip.map(bits))
        };
        groups.iter().map(one).collect()
    }

    fn bits(clip: Clip) -> [u64; 5] {
        let figures = [clip.mean, clip.median, clip.sd].map(f64::to_bits);
        [
            figures[0],
            figures[1],
            figures[2],
            clip.count as u64,
            clip.below as u64,
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn side_by_side_is_as_alone(
            groups in prop::collection::vec(
                prop::collection::vec(
                    prop_oneof![
                        4 => -20.0f32..20.0,
                        2 => (-3i8..3).prop_map(f32::from),
                        1 => Just(-0.0f32),
                        1 => prop_oneof![Just(1e6f32), Just(-3e7f32)],
                    ],
                    0..70,
                ),
                0..40,
            ),
            limit in 0.5f64..4.0,
            rounds in 0u32..6,
        ) {
            let wanted = alone(&groups, limit, rounds);
            for level in Level::here() {
                let mut own = groups.clone();
                let mut slices: Vec<&mut [f32]> = own.iter_mut().map(Vec::as_mut_slice).collect();
                let clips = clip_groups_at(&mut slices, limit, rounds, level);
                let found: Vec<_> = own
                    .iter()
                    .zip(clips)
                    .map(|(group, clip)| {
                        (group.iter().map(|v| v.to_bits()).collect::<Vec<_>>(), clip.map(bits))
                    })
                    .collect();
                prop_assert_eq!(&found, &wanted);
            }
        }
    }
}
