//! Level and noise of two exposures of the same scene.

use super::Bands;
use crate::facts::{Cfa, Colour, Estimate, Pair};

/// Wide enough that a normal sample of millions loses nothing, narrow enough for cosmic rays.
const LIMIT: f64 = 6.0;

/// It settles after a few rounds; a limit keeps the time bounded.
const ROUNDS: u32 = 20;

/// Measures two exposures, held as [`Bands`] say, by colour. Pixels that are not finite, or in
/// either exposure at or above `saturation`, never enter.
///
/// The variance of the difference is taken around its mean, so that a change of level plays no part
/// (EMVA 1288 release 4). Under `pedestal`, the bias pair's figures, the second exposure is first
/// scaled to the first one's level r times its own: in twilight a flat's fixed structure would not
/// cancel otherwise. With shot noise proportional to the level the difference then has the variance
/// 2 r (shot noise at the mean level) + (1 + r^2) (read noise), which over 2 r is that of one
/// exposure, but for a part (1 - r)^2 / 2 of the read noise.
pub fn pair(
    bands: &Bands,
    cfa: Option<Cfa>,
    exposures: [&[f32]; 2],
    saturation: f64,
    pedestal: &[Pair],
) -> Vec<Pair> {
    let [one, other] = exposures;
    let mut found = Vec::new();
    for colour in colours(cfa) {
        let mut samples: Vec<(f32, f32)> = Vec::with_capacity(bands.pixels());
        let counts = |value: f32| value.is_finite() && f64::from(value) < saturation;
        for (y, row) in bands.each_row() {
            for (x, place) in row.enumerate() {
                if cfa.map(|cfa| cfa.at(x, y)) == colour {
                    let (a, b) = (one[place], other[place]);
                    if counts(a) && counts(b) {
                        samples.push((a, b));
                    }
                }
            }
        }
        let count = samples.len() as f64;
        let sum = samples.iter().fold((0.0, 0.0), |sum, &(a, b)| {
            (sum.0 + f64::from(a), sum.1 + f64::from(b))
        });
        let (a_mean, b_mean) = (sum.0 / count, sum.1 / count);
        let bias = pedestal.iter().find(|bias| bias.colour == colour);
        let ratio = bias.map_or(1.0, |bias| (a_mean - bias.level) / (b_mean - bias.level));
        if !(ratio.is_finite() && ratio > 0.0) {
            continue;
        }
        let scaled = |(a, b): (f32, f32)| {
            let (a, b) = (f64::from(a) - a_mean, f64::from(b) - b_mean);
            a - ratio * b
        };
        let differences = samples.into_iter().map(scaled).collect();
        if let Some(spread) = spread(differences) {
            found.push(Pair {
                colour,
                level: (a_mean + b_mean) / 2.0,
                variance: spread.variance.times(0.5 / ratio),
                pixels: spread.count as u64,
            });
        }
    }
    found
}

fn colours(cfa: Option<Cfa>) -> Vec<Option<Colour>> {
    match cfa {
        None => vec![None],
        Some(_) => [Colour::Red, Colour::Green, Colour::Blue]
            .map(Some)
            .to_vec(),
    }
}

/// Of numbers without those far out.
pub(super) struct Spread {
    pub(super) mean: f64,
    /// Divisor n; its error follows from the fourth moment: sqrt((m4 - m2^2) / n).
    pub(super) variance: Estimate,
    pub(super) count: usize,
}

/// Mean and variance, clipped around the mean until nothing is left to clip. Nothing for fewer than
/// two numbers.
pub(super) fn spread(mut numbers: Vec<f64>) -> Option<Spread> {
    for round in 0.. {
        if numbers.len() < 2 {
            return None;
        }
        let count = numbers.len() as f64;
        let mean = numbers.iter().sum::<f64>() / count;
        let (second, fourth) = numbers.iter().fold((0.0, 0.0), |(second, fourth), number| {
            let square = (number - mean) * (number - mean);
            (second + square, fourth + square * square)
        });
        let (second, fourth) = (second / count, fourth / count);
        let limit = LIMIT * LIMIT * second;
        let inside = |number: &f64| (number - mean) * (number - mean) <= limit;
        if round < ROUNDS && !numbers.iter().all(inside) {
            numbers.retain(inside);
            continue;
        }
        return Some(Spread {
            mean,
            variance: Estimate {
                value: second,
                error: ((fourth - second * second).max(0.0) / count).sqrt(),
            },
            count: numbers.len(),
        });
    }
    None
}
