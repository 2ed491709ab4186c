//! What is particular to a master flat: levels per colour, and a mean of 1.
//!
//! A filter for a single line keeps some colours of a colour sensor dark. A colour counts as lit
//! where its level is more than five times its own error (the scatter of its samples over the root
//! of their number) and more than a thousandth of the brightest colour's. A dark one has no level
//! to be scaled to: its samples become NaN, its pixels are dead, and that colour of a light stays as
//! it is.

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis};

use super::mask::DEAD;
use crate::facts::{Cfa, Colour, FlatLevel};

/// A flat pixel below this fraction of its colour's mean is dead (common practice).
const LEAST: f32 = 0.05;

/// The level of a lit colour is so many times its own error.
const ERRORS: f64 = 5.0;

/// The level of a lit colour is more than this part of the brightest colour's.
const PART: f64 = 1e-3;

/// The samples of one colour of a flat exposure, above their pedestal.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sampled {
    count: u64,
    sum: f64,
    squares: f64,
}

impl Sampled {
    pub(super) fn add(&mut self, sample: f32) {
        let sample = f64::from(sample);
        self.count += 1;
        self.sum += sample;
        self.squares += sample * sample;
    }

    fn level(&self) -> f64 {
        self.sum / self.count.max(1) as f64
    }

    fn error(&self) -> f64 {
        let count = self.count.max(1) as f64;
        let variance = self.squares / count - self.level().powi(2);
        (variance.max(0.0) / count).sqrt()
    }
}

/// The levels of an exposure's colours, NaN for dark ones; none where all are dark.
pub(super) fn lit_levels(colours: [Sampled; 3]) -> Option<[f64; 3]> {
    let brightest = colours.iter().map(Sampled::level).fold(0.0, f64::max);
    let levels = colours.map(|light| {
        let level = light.level();
        let is_lit = level > ERRORS * light.error() && level > PART * brightest;
        if is_lit { level } else { f64::NAN }
    });
    levels
        .iter()
        .any(|level| level.is_finite())
        .then_some(levels)
}

/// What the exposures of a flat amount to together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mean {
    /// The mean level of the exposures in ADU.
    pub(super) level: f64,
    /// What the pixels of each colour have on average in the finished flat.
    pub(super) finished: [f64; 3],
}

impl Mean {
    pub(super) fn of(levels: &[[f64; 3]], cfa: Option<Cfa>, choice: FlatLevel) -> Self {
        let colours = [0, 1, 2].map(|colour: usize| {
            let levels = levels.iter().map(|level| level[colour]);
            let known: Vec<f64> = levels.filter(|level| level.is_finite()).collect();
            known.iter().sum::<f64>() / known.len().max(1) as f64
        });
        // Photosites per colour in a 2x2 cell: red, green, blue.
        let weights: &[f64] = if cfa.is_some() {
            &[0.25, 0.5, 0.25]
        } else {
            &[1.0]
        };
        let weighted = colours.iter().zip(weights);
        let level = weighted.map(|(level, weight)| weight * level).sum();
        Self {
            level,
            finished: match choice {
                FlatLevel::PerColour => [1.0; 3],
                FlatLevel::Common => colours.map(|colour| colour / level),
            },
        }
    }
}

/// 0 for red and for monochrome sensors, 1 for green, 2 for blue.
pub(super) fn colour_index(cfa: Option<Cfa>, x: usize, y: usize) -> usize {
    match cfa.map(|cfa| cfa.at(x, y)) {
        None | Some(Colour::Red) => 0,
        Some(Colour::Green) => 1,
        Some(Colour::Blue) => 2,
    }
}

/// Of what each colour has, what the even and the odd columns of a row have.
pub(super) fn in_row(colours: &[f64; 3], cfa: Option<Cfa>, row: usize) -> [f64; 2] {
    [0, 1].map(|x| colours[colour_index(cfa, x, row)])
}

/// Brings a combined flat to the means that it has when `finished`, gives dead pixels the value 1 and
/// flags them.
pub(super) fn normalise(
    plane: &mut Array2<f32>,
    mask: &mut Array2<u8>,
    cfa: Option<Cfa>,
    finished: [f64; 3],
) {
    let mut sums = [(0.0f64, 0u64); 3];
    for (y, row) in plane.outer_iter().enumerate() {
        for (x, value) in row
            .iter()
            .enumerate()
            .filter(|(_, v)| v.is_finite() && **v > 0.0)
        {
            let sum = &mut sums[colour_index(cfa, x, y)];
            sum.0 += f64::from(*value);
            sum.1 += 1;
        }
    }
    let factor = |colour: usize| {
        let (sum, count) = sums[colour];
        let mean = if count == 0 { 1.0 } else { sum / count as f64 };
        finished[colour] / mean
    };
    let factors = [0, 1, 2].map(factor);
    let least = finished.map(|usual| LEAST * usual as f32);
    plane
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(mask.axis_iter_mut(Axis(0)))
        .enumerate()
        .for_each(|(y, (mut row, mut mask))| {
            for (x, (value, flags)) in row.iter_mut().zip(&mut mask).enumerate() {
                let colour = colour_index(cfa, x, y);
                let scaled = (f64::from(*value) * factors[colour]) as f32;
                // NaN is not greater than anything, so it counts as dead too.
                *value = if scaled > least[colour] {
                    scaled
                } else {
                    *flags |= DEAD;
                    1.0
                };
            }
        });
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Samples that lie `spread` to either side of `level`.
    fn light(level: f32, spread: f32) -> Sampled {
        let mut light = Sampled::default();
        for sign in [-1.0, 1.0].repeat(5000) {
            light.add(level + sign * spread);
        }
        light
    }

    #[test]
    fn a_colour_is_lit_above_its_error_and_beside_the_brightest() {
        let levels = |colours| lit_levels(colours).map(|levels| levels.map(f64::is_finite));
        let red = light(30_000.0, 4000.0);
        // A colour of 10 000 samples that scatter by 3 has an error of 0.03.
        assert_eq!(
            levels([red, light(100.0, 3.0), light(0.01, 0.0)]),
            Some([true, true, false])
        );
        assert_eq!(
            levels([red, light(-0.2, 3.0), light(29.0, 3.0)]),
            Some([true, false, false])
        );
        let none = Sampled::default();
        assert_eq!(
            levels([light(0.16, 3.0), none, none]),
            Some([true, false, false])
        );
        assert_eq!(levels([light(0.14, 3.0), none, none]), None);
        assert_eq!(levels([none; 3]), None);
    }

    #[test]
    fn a_dark_colour_leaves_the_means_of_the_others() {
        let cfa = Cfa::parse("RGGB");
        let levels = [[800.0, 300.0, f64::NAN], [1200.0, 500.0, f64::NAN]];
        let mean = Mean::of(&levels, cfa, FlatLevel::Common);
        assert_eq!(mean.level, 0.25 * 1000.0 + 0.5 * 400.0);
        assert_eq!(mean.finished, [1000.0 / 450.0, 400.0 / 450.0, 0.0]);
        let mean = Mean::of(&levels, cfa, FlatLevel::PerColour);
        assert_eq!((mean.level, mean.finished), (450.0, [1.0; 3]));
    }
}
