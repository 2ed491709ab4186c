//! Clouds that last, told from drift: they go again, or they came all of a sudden.
//!
//! A slow change is followed by what is to be expected of a light, and clouds that lay over a field for an
//! hour passed for one. Two things tell them apart, as long as nothing but clouds can worsen a figure for a
//! while:
//!
//! - Air and haze that never comes back change a figure one way, or a target rises and the figure is best in
//!   between. Hardly ever is it better before *and* after: of a target that passes below the pole where its
//!   air mass is not known, by less than is allowed. So no worse is to be expected of a light than the worse
//!   of the best before it and the best after it ([`Sky::hold_to_the_worse_side`]).
//! - Clouds that stay to the end, or were there from the start, have one edge. Three lights before and three
//!   after differ there by more than drift explains; if nothing beyond the edge is as good again, all of it
//!   is held against those three ([`Sky::hold_to_before`]).
//!
//! The best is always the second best: one light that is better than all others may be an accident.

use crate::combine::{MAD_TO_SD, median};

/// So many lights on either side of an edge tell its height, fewer at an end; but not one alone.
const BESIDE: usize = 3;
const LEAST: usize = 2;

/// An edge is higher than so many standard deviations of a single light.
const EDGE_SD: f64 = 3.0;

/// The lights that have a figure, by time.
pub(super) struct Sky {
    lights: Vec<Light>,
}

#[derive(Clone, Copy)]
struct Light {
    hour: f64,
    /// Its place in the group.
    at: usize,
    figure: f64,
}

impl Sky {
    pub(super) fn of(hours: &[f64], figures: &[Option<f64>]) -> Self {
        let light = |(at, figure): (usize, &Option<f64>)| {
            Some(Light {
                hour: hours[at],
                at,
                figure: (*figure)?,
            })
        };
        let mut lights: Vec<Light> = figures.iter().enumerate().filter_map(light).collect();
        // Of two at once the better first, so that their places in the group are of no account.
        lights.sort_by(|a, b| (a.hour.total_cmp(&b.hour)).then(a.figure.total_cmp(&b.figure)));
        Self { lights }
    }

    /// Lowers what is to be expected of each light to the worse of the best before and the best after.
    pub(super) fn hold_to_the_worse_side(&self, expected: &mut [f64]) {
        let before = best_so_far(self.lights.iter());
        let after = best_so_far(self.lights.iter().rev());
        let sides = before.iter().zip(after.iter().rev());
        for (light, (before, after)) in self.lights.iter().zip(sides) {
            expected[light.at] = expected[light.at].min(before.max(*after));
        }
    }

    /// Lowers what is to be expected of lights beyond an edge to that of the lights before it, where the
    /// figure worsens by more than `least` and never recovers; and so backwards.
    pub(super) fn hold_to_before(&self, expected: &mut [f64], rate: f64, least: f64) {
        let least = least.max(EDGE_SD * self.scatter());
        for backwards in [false, true] {
            let mut lights = self.lights.clone();
            if backwards {
                lights.reverse();
            }
            let mut ahead = best_so_far(lights.iter().rev());
            ahead.reverse();
            let mut held = f64::INFINITY;
            for edge in LEAST..lights.len() {
                let (before, beyond) = lights.split_at(edge);
                let before = &before[before.len().saturating_sub(BESIDE)..];
                let near = &beyond[..beyond.len().min(BESIDE)];
                if let (Some(before), Some(near)) = (Level::of(before), Level::of(near)) {
                    let usual = before.figure + rate * (near.hour - before.hour).abs();
                    if near.figure - usual > least && ahead[edge] - before.figure > least {
                        held = held.min(before.figure);
                    }
                }
                expected[lights[edge].at] = expected[lights[edge].at].min(held);
            }
        }
    }

    /// Robust standard deviation of a light, from the steps between neighbours: neither drift nor clouds
    /// that last count for much, be they over more than half of the group.
    pub(super) fn scatter(&self) -> f64 {
        let steps = self.lights.windows(2);
        let mut steps: Vec<f64> = steps
            .map(|pair| (pair[1].figure - pair[0].figure).abs())
            .collect();
        MAD_TO_SD * median(&mut steps).unwrap_or(0.0) / std::f64::consts::SQRT_2
    }
}

/// Where a few lights lie together.
struct Level {
    hour: f64,
    figure: f64,
}

impl Level {
    fn of(lights: &[Light]) -> Option<Self> {
        let middle =
            |part: fn(&Light) -> f64| median(&mut lights.iter().map(part).collect::<Vec<_>>());
        (lights.len() >= LEAST).then_some(Self {
            hour: middle(|light| light.hour)?,
            figure: middle(|light| light.figure)?,
        })
    }
}

/// The second best of the lights up to each; nothing is too bad before there are two.
fn best_so_far<'a>(lights: impl Iterator<Item = &'a Light>) -> Vec<f64> {
    let mut best = [f64::INFINITY; 2];
    let follow = |light: &Light| {
        if light.figure < best[0] {
            best = [light.figure, best[0]];
        } else {
            best[1] = best[1].min(light.figure);
        }
        best[1]
    };
    lights.map(follow).collect()
}
