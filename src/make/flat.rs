//! What is particular to a master flat: levels per colour, and a mean of 1.

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis};

use super::mask::DEAD;
use crate::facts::{Cfa, Colour, FlatLevel};

/// A flat pixel below this fraction of its colour's mean is dead (common practice).
const LEAST: f32 = 0.05;

/// 0 for red and for monochrome sensors, 1 for green, 2 for blue.
pub(super) fn colour_index(cfa: Option<Cfa>, x: usize, y: usize) -> usize {
    match cfa.map(|cfa| cfa.at(x, y)) {
        None | Some(Colour::Red) => 0,
        Some(Colour::Green) => 1,
        Some(Colour::Blue) => 2,
    }
}

/// Divides a combined flat by its mean, gives dead pixels the value 1 and flags them. Returns the
/// mean level of the exposures in ADU.
pub(super) fn normalise(
    plane: &mut Array2<f32>,
    mask: &mut Array2<u8>,
    cfa: Option<Cfa>,
    levels: &[[f64; 3]],
    choice: FlatLevel,
) -> f64 {
    let colours: &[usize] = if cfa.is_some() { &[0, 1, 2] } else { &[0] };
    let mean_level = |colour: usize| {
        let levels = levels.iter().map(|level| level[colour]);
        let known: Vec<f64> = levels.filter(|level| level.is_finite()).collect();
        known.iter().sum::<f64>() / known.len().max(1) as f64
    };
    // Photosites per colour in a 2x2 cell: red, green, blue.
    let weights: &[f64] = if cfa.is_some() {
        &[0.25, 0.5, 0.25]
    } else {
        &[1.0]
    };
    let level: f64 = colours
        .iter()
        .zip(weights)
        .map(|(&c, weight)| weight * mean_level(c))
        .sum();
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
        match choice {
            FlatLevel::PerColour => 1.0 / mean,
            FlatLevel::Common => mean_level(colour) / (level * mean),
        }
    };
    let factors = [0, 1, 2].map(factor);
    let usual = [0, 1, 2].map(|colour| match choice {
        FlatLevel::PerColour => 1.0,
        FlatLevel::Common => (mean_level(colour) / level) as f32,
    });
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
                *value = if scaled > LEAST * usual[colour] {
                    scaled
                } else {
                    *flags |= DEAD;
                    1.0
                };
            }
        });
    level
}
