//! How much a master still scatters from making to making, beside the least that its number of
//! exposures allows.
//!
//! A few rows are looked at while their samples are at hand anyway. Each of their pixels gives two
//! numbers: the difference of two neighbouring exposures, whose spread is the temporal noise of one
//! exposure; and the difference of two masters, one of every second exposure and one of the others,
//! both combined by the master's own method. Fixed pattern is in neither. Both spreads are clipped
//! far out, so that hits and jumping pixels do not matter.
//!
//! It does not know what the exposures are of, nor how strips are cut: a row's numbers are a
//! function of the row.

use std::ops::Range;

use crate::combine::{Exposures, Stored, clipped, combine, sample};
use crate::facts::{Combining, InputCount, Temporal};

/// Differences are clipped at so many standard deviations: that takes one in two million of a
/// normal sample, and everything else that is not noise.
const LIMIT: f64 = 5.0;
/// Rounds of clipping.
const ROUNDS: u32 = 20;

/// Differences of each row gathered so far, and the rows of both halves with their numbers, in the unit of the
/// finished master.
#[derive(Default)]
pub(super) struct Tally {
    neighbours: Vec<Vec<f64>>,
    halves: Vec<Vec<f64>>,
    pub(super) rows: Vec<(usize, [Vec<f32>; 2])>,
}

impl Tally {
    /// Adds one row of all exposures, those `columns` of the slices; `row` is its number, `units` what
    /// its even and odd columns are multiplied by. Fewer than two exposures say nothing.
    pub(super) fn add(
        &mut self,
        method: &Combining,
        exposures: Exposures<'_>,
        saturation: f64,
        row: usize,
        columns: Range<usize>,
        units: [f64; 2],
    ) {
        match exposures {
            Exposures::U16(all) => {
                let samples = cut(all, columns);
                let half = |samples: &[&[_]], _: usize| {
                    combined(method, Exposures::U16(samples), saturation)
                };
                let value = |stored: Stored| f64::from(sample(stored));
                self.add_row(&samples, value, half, saturation, row, units);
            }
            Exposures::F32(all) => {
                let samples = cut(all, columns);
                let half = |samples: &[&[_]], _: usize| {
                    combined(method, Exposures::F32(samples), saturation)
                };
                self.add_row(&samples, f64::from, half, saturation, row, units);
            }
            Exposures::Scaled {
                samples: all,
                levels,
            } => {
                let samples = cut(all, columns);
                let half = |samples: &[&[_]], start: usize| {
                    let levels: Vec<_> = levels.iter().copied().skip(start).step_by(2).collect();
                    let levels = levels.as_slice();
                    combined(method, Exposures::Scaled { samples, levels }, saturation)
                };
                self.add_row(&samples, f64::from, half, saturation, row, units);
            }
        }
    }

    fn add_row<T: Copy>(
        &mut self,
        samples: &[&[T]],
        value: impl Fn(T) -> f64,
        combined: impl Fn(&[&[T]], usize) -> Vec<f32>,
        saturation: f64,
        row: usize,
        units: [f64; 2],
    ) {
        let pairs = samples.len() / 2;
        if pairs == 0 {
            return;
        }
        let width = samples[0].len();
        let half = |start: usize| {
            let half: Vec<&[T]> = samples.iter().copied().skip(start).step_by(2).collect();
            combined(&half, start)
        };
        let (even, odd) = (half(0), half(1));
        let halves = even.iter().zip(&odd).zip(units.iter().cycle());
        let halves = halves.map(|((a, b), unit)| (f64::from(*a) - f64::from(*b)) * unit);
        self.halves.push(halves.filter(|d| d.is_finite()).collect());
        let finished = |half: Vec<f32>| -> Vec<f32> {
            let values = half.iter().zip(units.iter().cycle());
            values
                .map(|(value, unit)| (f64::from(*value) * unit) as f32)
                .collect()
        };
        self.rows.push((row, [finished(even), finished(odd)]));
        let neighbours = (0..width).map(|x| {
            // Each pixel shows another pair, so that all take part however many there are. Pixels
            // two apart have the same colour.
            let pair = 2 * ((x / 2 + row) % pairs);
            (
                value(samples[pair][x]),
                value(samples[pair + 1][x]),
                units[x % 2],
            )
        });
        let counts = |&(a, b, _): &(f64, f64, f64)| a < saturation && b < saturation;
        let differences = neighbours.filter(counts).map(|(a, b, unit)| (a - b) * unit);
        let differences = differences.filter(|d| d.is_finite());
        self.neighbours.push(differences.collect());
    }

    /// Adds what other rows gave.
    pub(super) fn join(&mut self, other: Self) {
        self.neighbours.extend(other.neighbours);
        self.halves.extend(other.halves);
        self.rows.extend(other.rows);
    }

    /// The two figures for a master of `count` exposures; nothing where nothing was gathered.
    pub(super) fn figures(self, count: usize) -> Option<Temporal> {
        let whole = count as f64;
        // A half's variance goes with the inverse of its number, the whole master's likewise.
        let (even, odd) = (count.div_ceil(2) as f64, (count / 2) as f64);
        let spread =
            |rows: Vec<Vec<f64>>| clipped(&mut rows.concat(), LIMIT, ROUNDS).map(|clip| clip.sd);
        let (one, halves) = rayon::join(|| spread(self.neighbours), || spread(self.halves));
        Some(Temporal {
            measured: halves? * (even * odd).sqrt() / whole,
            ideal: one? / std::f64::consts::SQRT_2 / whole.sqrt(),
        })
    }
}

fn combined(method: &Combining, exposures: Exposures<'_>, saturation: f64) -> Vec<f32> {
    let mut out = vec![0.0; exposures.pixels()];
    let mut rejected = vec![InputCount::default(); exposures.count()];
    combine(method, exposures, saturation, &mut out, &mut rejected);
    out
}

fn cut<'a, T>(exposures: &[&'a [T]], columns: Range<usize>) -> Vec<&'a [T]> {
    exposures
        .iter()
        .map(|exposure| &exposure[columns.clone()])
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    /// Normal deviates: Box-Muller on SplitMix64.
    fn normal(state: &mut u64) -> f64 {
        let mut unit = || {
            *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut word = *state;
            word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((word ^ (word >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        };
        let (radius, angle) = (1.0 - unit(), unit());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }

    /// Exposures of normal noise on a fixed pattern that is far larger.
    fn exposures(count: usize, sigma: f64, width: usize) -> Vec<Vec<f32>> {
        let mut state = 11;
        (0..count)
            .map(|_| {
                (0..width)
                    .map(|x| ((x * 7919) % 1000) as f64 + sigma * normal(&mut state))
                    .map(|value| value as f32)
                    .collect()
            })
            .collect()
    }

    fn figures(method: &Combining, exposures: &[Vec<f32>]) -> Option<Temporal> {
        let slices: Vec<&[f32]> = exposures.iter().map(Vec::as_slice).collect();
        let mut tally = Tally::default();
        let columns = 0..exposures[0].len();
        let samples = Exposures::F32(&slices);
        tally.add(method, samples, f64::INFINITY, 5, columns, [1.0; 2]);
        tally.figures(exposures.len())
    }

    /// Two colours of a flat, whose relative noise is 5 and 5, in a master where one counts 0.6 and
    /// the other 1.4: the mean square is (9 + 49)/2. Of a dark colour nothing counts.
    #[test]
    fn colours_count_in_the_units_of_the_finished_master() {
        let mut exposures = exposures(8, 5.0, 60_000);
        let found = |exposures: &[Vec<f32>], units| {
            let slices: Vec<&[f32]> = exposures.iter().map(Vec::as_slice).collect();
            let samples = Exposures::F32(&slices);
            let mut tally = Tally::default();
            let columns = 0..slices[0].len();
            let mean = Combining::Mean;
            tally.add(&mean, samples, f64::INFINITY, 0, columns, units);
            tally.figures(8).unwrap()
        };
        let near = |found: f64, wanted: f64| (found * 8_f64.sqrt() / wanted - 1.0).abs() < 0.01;
        let both = found(&exposures, [0.6, 1.4]);
        assert!(near(both.measured, 29_f64.sqrt()), "{both:?}");
        assert!(near(both.ideal, 29_f64.sqrt()), "{both:?}");
        for exposure in &mut exposures {
            exposure.iter_mut().step_by(2).for_each(|v| *v = f32::NAN);
        }
        let one = found(&exposures, [0.0, 1.4]);
        assert!(near(one.measured, 7.0), "{one:?}");
        assert!(near(one.ideal, 7.0), "{one:?}");
    }

    const CLIP: Combining = Combining::SigmaClip {
        low: 4.0,
        high: 3.0,
        iterations: 5,
        median_centre: true,
    };

    #[test]
    fn a_mean_reaches_the_ideal_for_even_and_odd_numbers() {
        for count in [2, 3, 4, 9, 16, 25] {
            let found = figures(&Combining::Mean, &exposures(count, 12.0, 60_000)).unwrap();
            let wanted = 12.0 / (count as f64).sqrt();
            assert!(
                (found.ideal / wanted - 1.0).abs() < 0.01,
                "{count}: {found:?}"
            );
            assert!(
                (found.measured / wanted - 1.0).abs() < 0.01,
                "{count}: {found:?}"
            );
        }
    }

    /// A median of 8 normal samples has 0.743 of their mean's efficiency (exact values for small
    /// numbers: stats.stackexchange 468688). A master of 16 is measured by its halves.
    #[test]
    fn a_median_shows_what_it_costs() {
        let found = figures(&Combining::Median, &exposures(16, 5.0, 60_000)).unwrap();
        assert!((found.ideal - 1.25).abs() < 0.02, "{found:?}");
        let cost = found.measured / found.ideal;
        assert!((cost - 1.16).abs() < 0.02, "{cost}");
    }

    #[test]
    fn hits_and_saturated_samples_do_not_count() {
        let mut hit = exposures(12, 5.0, 60_000);
        for (index, exposure) in hit.iter_mut().enumerate() {
            for value in exposure.iter_mut().skip(index * 31).step_by(997) {
                *value += 20_000.0;
            }
            exposure[index] = f32::NAN;
        }
        let found = figures(&CLIP, &hit).unwrap();
        let wanted = 5.0 / 12.0_f64.sqrt();
        assert!((found.ideal / wanted - 1.0).abs() < 0.02, "{found:?}");
        // Clipping at 3 of so few costs a few per cent.
        assert!(
            (0.98..1.08).contains(&(found.measured / wanted)),
            "{found:?}"
        );
    }

    #[test]
    fn one_exposure_says_nothing() {
        assert_eq!(figures(&CLIP, &exposures(1, 5.0, 100)), None);
    }
}
