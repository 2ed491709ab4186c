//! What darks hold above the bias, and how dark a flat's darkest part is.
//!
//! Dark charge shows in the mean of dark minus bias, and, since electrons are counted, in the noise
//! of one dark against the next. The second survives a camera that holds its black level. Both are taken
//! where the sensor glows least, and what glow is left there is told apart. What is the same in two
//! independent differences D1 - B1 and D2 - B2 is a fixed pattern: their covariance is its variance,
//! without the noise.

use std::ops::Range;

use super::Bands;
use super::pair::spread;
use super::quiet::quiet;
use crate::combine::{clipped, median};
use crate::facts::{DarkSignal, Estimate};

/// Within a cell more than this many standard deviations from the mean is no ordinary pixel.
pub(super) const LIMIT: f64 = 5.0;

/// Rounds of clipping in a cell.
const ROUNDS: u32 = 10;

/// A hot pixel stands out by so many times the noise, as in a master's mask,
const HOT: f64 = 8.0;

/// of at least so many of its neighbours, in parts.
const NEIGHBOURS: f64 = 0.75;

/// Pixels in a row over which a glow hardly changes: less of it counts as a pattern than over a cell.
const NEAR: usize = 8;

/// One cell of dark minus bias.
pub(super) struct Cell {
    /// Its place among all cells.
    pub(super) at: usize,
    pub(super) rows: Vec<Range<usize>>,
    pub(super) mean: f64,
    pub(super) sd: f64,
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
        .enumerate()
        .filter_map(|(at, rows)| cell(at, rows, &excess))
        .collect();
    let middle = median(&mut cells.iter().map(|cell| cell.mean).collect::<Vec<_>>())?;
    let error = median(&mut cells.iter().map(|cell| cell.error).collect::<Vec<_>>())?;
    let quiet = quiet(bands, &cells, &excess)?;

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
    for (number, cell) in cells.iter().enumerate() {
        let is_ordinary = |place: usize| (excess[place] - cell.mean).abs() <= LIMIT * cell.sd;
        for place in cell.rows.iter().cloned().flatten() {
            hot += u64::from(is_hot(place, cell));
            if quiet.holds(number, place) && is_ordinary(place) {
                ordinary.push(place);
            }
        }
        if !quiet.holds_most(number) {
            continue;
        }
        let difference =
            |frame: usize| move |&place: &usize| at(dark[frame], place) - at(bias[frame], place);
        for near in near(&cell.rows) {
            let inside: Vec<usize> = near.filter(|&place| is_ordinary(place)).collect();
            pattern.add(
                inside.iter().map(difference(0)),
                inside.iter().map(difference(1)),
            );
        }
    }
    let over = |figure: &dyn Fn(usize) -> f64| {
        spread(ordinary.iter().map(|&place| figure(place)).collect())
    };
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
        middle,
        level: quiet.level,
        tail: quiet.tail,
        variance: Estimate {
            value: of_dark.value - of_bias.value,
            error: of_dark.error.hypot(of_bias.error),
        },
        pattern: pattern.estimate(),
        glow: Estimate {
            value: glow(&cells, quiet.level.value, error),
            error,
        },
        hot_per_megapixel: Estimate {
            value: hot as f64 / pixels * 1e6,
            error: (hot.max(1) as f64).sqrt() / pixels * 1e6,
        },
        pixels: bands.pixels() as u64,
    })
}

/// Parts of a cell that are a few columns wide.
fn near(rows: &[Range<usize>]) -> impl Iterator<Item = impl Iterator<Item = usize>> {
    let width = rows.iter().map(Range::len).max().unwrap_or(0);
    (0..width).step_by(NEAR).map(move |left| {
        let part = move |row: &Range<usize>| {
            let right = (row.start + left + NEAR).min(row.end);
            row.start + left..right
        };
        rows.iter().flat_map(part)
    })
}

fn cell(at: usize, rows: Vec<Range<usize>>, excess: &[f64]) -> Option<Cell> {
    let places = rows.iter().cloned().flatten();
    let mut values: Vec<f64> = places
        .map(|place| excess[place])
        .filter(|v| v.is_finite())
        .collect();
    let clip = clipped(&mut values, LIMIT, ROUNDS)?;
    Some(Cell {
        at,
        rows,
        mean: clip.mean,
        sd: clip.sd,
        error: clip.sd / (clip.count as f64).sqrt(),
    })
}

/// How far the highest cell rises above the quiet part. The highest of M cells of mere noise would rise
/// by about sqrt(2 ln M) of its errors; that comes off in square.
fn glow(cells: &[Cell], quiet: f64, error: f64) -> f64 {
    let highest = cells
        .iter()
        .map(|cell| cell.mean - quiet)
        .max_by(f64::total_cmp);
    let highest = highest.unwrap_or(0.0).max(0.0);
    let chance = 2.0 * (cells.len() as f64).ln() * error * error;
    (highest * highest - chance).max(0.0).sqrt()
}

/// Dark charge in an exposure, electrons, without the glow: as its noise tells, and as its level does. The
/// gain in electrons per ADU.
pub fn dark_charge(dark: &DarkSignal, gain: Estimate) -> [Estimate; 2] {
    // The gain counts twice, so its error does.
    let square = Estimate {
        value: gain.value * gain.value,
        error: 2.0 * gain.value * gain.error,
    };
    let by_noise = dark.variance.by(square);
    let tail = dark.tail.by(gain);
    // Of a charge there is no more glow than all of it.
    let glow = tail.value.min(by_noise.value.max(0.0));
    [by_noise, dark.level.by(gain)].map(|charge| Estimate {
        value: charge.value - glow,
        error: charge.error.hypot(tail.error),
    })
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
