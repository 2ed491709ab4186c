//! What a group lets expect of each of its lights, and how far lights of it scatter.
//!
//! A figure is written so that more is worse. What to expect at a moment follows from the better
//! lights around it, where a slow change is allowed: a light that is worse than another by more
//! than the allowed rate times the time between them is worse for a reason of its own. On top of
//! that lower envelope comes how far good lights lie above it, since the best of many is better
//! than what is usual.
//!
//! What changes from one light to the next by more than a limit is no drift, whatever the rate allows in
//! the time between: a few lights between two such steps, or between one and an end of the night, are
//! held against the lights before and after ([`Trend::without_steps`]).
//!
//! Clouds only ever take starlight away: what is lost for a while and comes back, or is lost all of a
//! sudden, is no drift however long it lasts ([`clouds`]).
//!
//! Middle and scatter are those of the shortest interval that holds half of the values (Rousseeuw
//! and Leroy 1987, section 4.3): a group whose other half is spread out by clouds still has
//! the middle and the scatter of its good half, where median and MAD would follow the clouds.

mod clouds;
#[cfg(test)]
mod tests;

use crate::combine::median;

use super::ENOUGH;
use clouds::Sky;

/// Half-width of the interval that holds the middle half of a normal population, doubled, in
/// standard deviations.
const MIDDLE_HALF: f64 = 1.349;

/// So many lights without a step between them tell a level; so many of them, those that are nearest.
const SETTLED: usize = 3;

/// How a figure may change and scatter.
#[derive(Clone, Copy, Debug)]
pub(super) struct Habit {
    /// It may worsen so much in an hour.
    pub(super) rate: f64,
    /// It may worsen so much in the course of a night.
    pub(super) most: f64,
    /// Good lights lie at most so far above the best.
    pub(super) above: f64,
    /// The scatter is at least this.
    pub(super) floor: f64,
    /// Of a figure that clouds alone worsen for a while: so much at once is clouds.
    pub(super) clouded: Option<f64>,
}

/// What a group lets expect.
#[derive(Clone, Debug)]
pub(super) struct Trend {
    /// Of each light, whether or not it has the figure itself.
    pub(super) expected: Vec<f64>,
    /// Robust standard deviation around it; none in a group too small to tell.
    pub(super) sd: Option<f64>,
}

impl Trend {
    /// From the figures of a group and their hours; without hours nothing may change. None where no
    /// light has the figure.
    pub(super) fn of(hours: Option<&[f64]>, figures: &[Option<f64>], habit: Habit) -> Option<Self> {
        let known: Vec<(usize, f64)> = figures
            .iter()
            .enumerate()
            .filter_map(|(at, figure)| Some((at, (*figure)?)))
            .collect();
        // One light that is better than all others may be an accident.
        let rank = if known.len() < ENOUGH {
            0
        } else {
            (known.len() / 10).max(1)
        };
        let best = |values: &mut [f64]| -> Option<f64> {
            let rank = rank.min(values.len().checked_sub(1)?);
            Some(*values.select_nth_unstable_by(rank, f64::total_cmp).1)
        };
        let envelope: Option<Vec<f64>> = (0..figures.len())
            .map(|at| {
                let reach = |&(other, figure): &(usize, f64)| match hours {
                    Some(hours) => figure + habit.rate * (hours[at] - hours[other]).abs(),
                    None => figure,
                };
                best(&mut known.iter().map(reach).collect::<Vec<f64>>())
            })
            .collect();
        let mut envelope = envelope?;
        let clouds = match (hours, habit.clouded) {
            (Some(hours), Some(least)) if known.len() >= ENOUGH => {
                Some((Sky::of(hours, figures), least))
            }
            _ => None,
        };
        if let Some((sky, _)) = &clouds {
            sky.hold_to_the_worse_side(&mut envelope);
        }
        let above: Vec<f64> = known
            .iter()
            .map(|&(at, figure)| figure - envelope[at])
            .collect();
        let (middle, sd) = if known.len() < ENOUGH {
            (median(&mut above.clone())?, None)
        } else {
            let (middle, sd) = typical(&above)?;
            let from_light_to_light = clouds.as_ref().map(|(sky, _)| sky.scatter());
            let sd = from_light_to_light.map_or(sd, |scatter| scatter.min(sd));
            (middle, Some(sd.max(habit.floor)))
        };
        // Below 0 where the second best of all lies a while off, with what may have changed since.
        let raise = middle.min(habit.above);
        let ceiling = best(&mut envelope.clone())? + raise + habit.most;
        let raised = envelope.iter().map(|low| (low + raise).min(ceiling));
        let mut expected: Vec<f64> = raised.collect();
        if let Some((sky, least)) = &clouds {
            sky.hold_to_before(&mut expected, habit.rate, *least);
        }
        Some(Self { expected, sd })
    }

    /// The same where a few lights differ from those before and after by more than `step`, all of a
    /// sudden: no worse is to be expected of them than of the worse side; where they lie at an end of the
    /// night, than of the other one and what may have changed since.
    pub(super) fn without_steps(
        mut self,
        hours: &[f64],
        figures: &[Option<f64>],
        (rate, step): (f64, f64),
    ) -> Self {
        let mut in_time: Vec<Timed> = figures
            .iter()
            .enumerate()
            .filter_map(|(at, figure)| Some((hours[at], at, (*figure)?)))
            .collect();
        if in_time.len() < ENOUGH {
            return self;
        }
        in_time.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let runs: Vec<&[Timed]> = in_time.chunk_by(|a, b| (a.2 - b.2).abs() <= step).collect();
        let level = |lights: &mut dyn Iterator<Item = &Timed>| {
            median(&mut lights.map(|light| light.2).collect::<Vec<f64>>())
        };
        for (number, run) in runs.iter().enumerate() {
            if 2 * run.len() >= in_time.len() {
                continue;
            }
            let settled = |run: &&&[Timed]| run.len() >= SETTLED;
            let side = |near: Option<&&[Timed]>, is_before: bool| {
                let near = near?;
                let (gap, level) = match is_before {
                    true => (
                        run.first()?.0 - near.last()?.0,
                        level(&mut near.iter().rev().take(SETTLED))?,
                    ),
                    false => (
                        near.first()?.0 - run.last()?.0,
                        level(&mut near.iter().take(SETTLED))?,
                    ),
                };
                Some((level, gap))
            };
            let before = side(runs[..number].iter().rev().find(settled), true);
            let after = side(runs[number + 1..].iter().find(settled), false);
            let usual = match (before, after) {
                (Some((before, _)), Some((after, _))) => before.max(after),
                (Some((level, gap)), None) | (None, Some((level, gap))) => {
                    // One or two tell no new level: a Moon that rose meanwhile would go on shining.
                    let most = match run.len() < SETTLED {
                        true => step,
                        false => f64::INFINITY,
                    };
                    level + (rate * gap).min(most)
                }
                (None, None) => continue,
            };
            if level(&mut run.iter()).is_some_and(|level| level - usual > step) {
                for &(_, at, _) in *run {
                    self.expected[at] = self.expected[at].min(usual);
                }
            }
        }
        self
    }

    /// The same by earlier nights, where even what this group lets expect is worse than the usual
    /// by more than `limit`.
    pub(super) fn or_usual(mut self, usual: Option<f64>, limit: f64) -> Self {
        if let Some(usual) = usual
            && median(&mut self.expected.clone()).is_some_and(|middle| middle - usual > limit)
        {
            self.expected.fill(usual);
            self.sd = None;
        }
        self
    }

    /// Where a light's figure is beyond both the limit and three standard deviations, or far
    /// beyond the limit: how many of
    /// these it lies from what was to be expected.
    pub(super) fn beyond(&self, at: usize, figure: f64, limit: f64) -> Option<Option<f64>> {
        let excess = figure - self.expected[at];
        match self.sd {
            _ if excess.is_nan() || excess <= limit => None,
            None => Some(None),
            Some(sd) => {
                // A group that is bad for the most part scatters so widely that nothing would be
                // unusual: half as much again as the limit allows is too much in any group.
                let enough = if limit > 0.0 {
                    1.5 * limit
                } else {
                    f64::INFINITY
                };
                (excess > enough.min(3.0 * sd)).then_some(Some(excess / sd))
            }
        }
    }
}

/// A light's hour, its place in the group, and its figure.
type Timed = (f64, usize, f64);

/// Middle and robust standard deviation by the shortest half. None for no values.
pub(super) fn typical(values: &[f64]) -> Option<(f64, f64)> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let count = sorted.len();
    let half = count.div_ceil(2);
    let (width, middle) = sorted
        .windows(half.max(1))
        .map(|window| {
            (
                window[half - 1] - window[0],
                (window[half - 1] + window[0]) / 2.0,
            )
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    // The shortest of several is shorter than its share (found by simulation of normal samples, 5 to
    // 80 of them, good to 5 %).
    let short = if count.is_multiple_of(2) { 9.3 } else { 5.5 };
    Some((middle, width / MIDDLE_HALF * (1.0 + short / count as f64)))
}
