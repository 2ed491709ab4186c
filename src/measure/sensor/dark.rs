//! What darks hold above the bias, and how dark a flat's darkest part is.
//!
//! Dark charge shows in the mean of dark minus bias, and, since electrons are counted, in the noise
//! of one dark against the next. The second survives a camera that holds its black level. What is
//! the same in two independent differences D1 - B1 and D2 - B2 is a fixed pattern: their covariance
//! is its variance, without the noise.

use std::ops::Range;

use super::Bands;
use super::pair::spread;
use crate::combine::{clipped, median};
use crate::facts::{DarkSignal, Estimate};

/// Within a cell more than this many standard deviations from the mean is no ordinary pixel.
const LIMIT: f64 = 5.0;

/// Rounds of clipping in a cell.
const ROUNDS: u32 = 10;

/// A hot pixel stands out by so many times the noise, as in a master's mask,
const HOT: f64 = 8.0;

/// of at least so many of its neighbours, in parts.
const NEIGHBOURS: f64 = 0.75;

/// A cell within so many of its errors above the middle holds no glow.
const QUIET: f64 = 4.0;

/// One cell of dark minus bias.
struct Cell {
    rows: Vec<Range<usize>>,
    mean: f64,
    sd: f64,
    error: f64,
}

/// Holds two darks against two bias frames, as [`Bands`] hold them; ADU. Nothing where no pixel can be
/// used.
pub fn dark_signal(
    bands: &Bands,
    bias: [&[f32]; 2],
    dark: [&[f32]; 2],
    saturation: f64,
) -> Option<DarkSignal> {
    let at = |frame: &[f32], place: usize| f64::from(frame[place]);
    let pedestal = |place| (at(bias[0], place) + at(bias[1], place)) / 2.0;
    let excess: Vec<f64> = (0..bands.pixels())
        .map(|place| (at(dark[0], place) + at(dark[1], place)) / 2.0 - pedestal(place))
        .collect();
    let cells: Vec<Cell> = bands
        .cells()
        .into_iter()
        .filter_map(|rows| cell(rows, &excess))
        .collect();
    let middle = median(&mut cells.iter().map(|cell| cell.mean).collect::<Vec<_>>())?;
    let error = median(&mut cells.iter().map(|cell| cell.error).collect::<Vec<_>>())?;

    let is_hot = |place: usize, cell: &Cell| {
        let limit = HOT * cell.sd;
        let least = at(dark[0], place).min(at(dark[1], place));
        if least >= saturation {
            return true;
        }
        let stands_out = least - pedestal(place);
        if stands_out <= cell.mean + limit / 2.0 {
            return false;
        }
        let (mut all, mut below) = (0.0, 0.0);
        for other in bands.around(place) {
            all += 1.0;
            below += f64::from(u8::from(stands_out > excess[other] + limit));
        }
        below >= NEIGHBOURS * all
    };
    let mut hot = 0_u64;
    let mut ordinary = Vec::with_capacity(excess.len());
    let mut pattern = Covariance::default();
    for cell in &cells {
        let quiet = cell.mean <= middle + QUIET * cell.error;
        let begin = ordinary.len();
        for place in cell.rows.iter().cloned().flatten() {
            hot += u64::from(is_hot(place, cell));
            if quiet && (excess[place] - cell.mean).abs() <= LIMIT * cell.sd {
                ordinary.push(place);
            }
        }
        let difference =
            |frame: usize| move |&place: &usize| at(dark[frame], place) - at(bias[frame], place);
        let inside = &ordinary[begin..];
        pattern.add(
            inside.iter().map(difference(0)),
            inside.iter().map(difference(1)),
        );
    }
    let over = |figure: &dyn Fn(usize) -> f64| {
        spread(ordinary.iter().map(|&place| figure(place)).collect())
    };
    let level = over(&|place| excess[place])?;
    let of_bias = over(&|place| at(bias[0], place) - at(bias[1], place))?
        .variance
        .times(0.5);
    let of_dark = over(&|place| at(dark[0], place) - at(dark[1], place))?
        .variance
        .times(0.5);
    let pixels = bands.pixels() as f64;
    Some(DarkSignal {
        bias_level: over(&pedestal)?.mean,
        bias_variance: of_bias,
        level: Estimate {
            value: level.mean,
            error: (level.variance.value / level.count as f64).sqrt(),
        },
        variance: Estimate {
            value: of_dark.value - of_bias.value,
            error: of_dark.error.hypot(of_bias.error),
        },
        pattern: pattern.estimate(),
        glow: Estimate {
            value: glow(&cells, middle, error),
            error,
        },
        hot_per_megapixel: Estimate {
            value: hot as f64 / pixels * 1e6,
            error: (hot.max(1) as f64).sqrt() / pixels * 1e6,
        },
        pixels: bands.pixels() as u64,
    })
}

fn cell(rows: Vec<Range<usize>>, excess: &[f64]) -> Option<Cell> {
    let places = rows.iter().cloned().flatten();
    let mut values: Vec<f64> = places
        .map(|place| excess[place])
        .filter(|v| v.is_finite())
        .collect();
    let clip = clipped(&mut values, LIMIT, ROUNDS)?;
    Some(Cell {
        rows,
        mean: clip.mean,
        sd: clip.sd,
        error: clip.sd / (clip.count as f64).sqrt(),
    })
}

/// How far the highest cell rises above the middle. The highest of M cells of mere noise would rise
/// by about sqrt(2 ln M) of its errors; that comes off in square.
fn glow(cells: &[Cell], middle: f64, error: f64) -> f64 {
    let highest = cells
        .iter()
        .map(|cell| cell.mean - middle)
        .max_by(f64::total_cmp);
    let highest = highest.unwrap_or(0.0).max(0.0);
    let chance = 2.0 * (cells.len() as f64).ln() * error * error;
    (highest * highest - chance).max(0.0).sqrt()
}

/// Covariance of two rows of numbers around the means of their cells.
#[derive(Default)]
struct Covariance {
    products: f64,
    squares: [f64; 2],
    freedom: f64,
}

impl Covariance {
    fn add(
        &mut self,
        one: impl Iterator<Item = f64> + Clone,
        other: impl Iterator<Item = f64> + Clone,
    ) {
        let count = one.clone().count() as f64;
        if count < 2.0 {
            return;
        }
        let means = [
            one.clone().sum::<f64>() / count,
            other.clone().sum::<f64>() / count,
        ];
        for (a, b) in one.zip(other) {
            let (a, b) = (a - means[0], b - means[1]);
            self.products += a * b;
            self.squares[0] += a * a;
            self.squares[1] += b * b;
        }
        self.freedom += count - 1.0;
    }

    /// With the error of a covariance of normal numbers.
    fn estimate(&self) -> Estimate {
        let freedom = self.freedom.max(1.0);
        let value = self.products / freedom;
        let [a, b] = self.squares.map(|square| square / freedom);
        Estimate {
            value,
            error: ((a * b + value * value) / freedom).sqrt(),
        }
    }
}

/// The darkest cell of a flat over its mean, both above the bias. Colours are as they are in every
/// cell, so they do not show.
pub fn darkest(bands: &Bands, flat: &[f32], bias_level: f64) -> Option<f64> {
    let level = |rows: Vec<Range<usize>>| {
        let values = rows.into_iter().flatten().map(|place| flat[place]);
        let finite = values.filter(|value| value.is_finite());
        let (sum, count) = finite.fold((0.0, 0.0), |(sum, count), value| {
            (sum + f64::from(value), count + 1.0)
        });
        (count > 0.0).then_some(sum / count - bias_level)
    };
    let levels: Vec<f64> = bands.cells().into_iter().filter_map(level).collect();
    let mean = levels.iter().sum::<f64>() / levels.len() as f64;
    let least = levels.into_iter().min_by(f64::total_cmp)?;
    (mean > 0.0).then_some(least / mean)
}
