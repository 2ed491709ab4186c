//! Where a sensor's darks are darkest, and what glow still lies there.
//!
//! A glow fades away from its source and may reach everywhere, so the level of ordinary pixels holds
//! part of it. Cells are sorted into quarters by what their surroundings say. Where the quarters agree
//! the whole sensor is quiet. Where they do not, only the darkest half or quarter is, and what the glow
//! leaves there follows from how the quarters fall towards it: by a constant ratio, about.
//!
//! The cells that noise makes dark are no darker than others, so no pixel has a say in how it is sorted:
//! pixels of every second pair of rows and columns are sorted by those of the other pairs. They share
//! neither row nor column, so patterns of rows and columns have no say either.
//!
//! It does not know electrons. A glow that is as bright all over a sensor is dark current to it, and so
//! is the middle between two glows.

use super::Bands;
use super::bands::ROWS;
use super::dark::{Cell, LIMIT};
use crate::combine::{MAD_TO_SD, median};
use crate::facts::Estimate;

/// Classes of pixels: by pairs of rows and pairs of columns. That of the other pairs is `CLASSES - 1 - class`.
const CLASSES: usize = 4;

/// A cell is sorted by the mean over so large a part of the sensor's sides, to either side of it.
const AROUND: usize = 3;

/// A rise by so many errors is one.
const SURE: f64 = 2.0;

/// A rise that is no more than that may still be a glow that reaches far: then the level holds some so
/// many times the rise from one quarter to the next.
const HIDDEN: f64 = 4.0;

/// A glow falls from quarter to quarter by a ratio that is constant within this part.
const SHAPE: f64 = 0.25;

/// It falls to at most this part; what falls less cannot be told from dark current.
const SLOWEST: f64 = 0.9;

/// Ratios that are tried.
const RATIOS: u32 = 60;

const QUARTERS: usize = 4;

/// The quiet part of a sensor.
pub(super) struct Quiet {
    /// By class and cell: is it in the quiet part?
    inside: [Vec<bool>; CLASSES],
    width: usize,
    /// Level above the bias, ADU. Its error knows of patterns of rows and columns.
    pub(super) level: Estimate,
    /// What of that level is glow.
    pub(super) tail: Estimate,
}

impl Quiet {
    /// Is a pixel of a cell, by its place among the cells, in the quiet part?
    pub(super) fn holds(&self, cell: usize, place: usize) -> bool {
        self.inside[class(place, self.width)][cell]
    }

    /// Are most pixels of a cell?
    pub(super) fn holds_most(&self, cell: usize) -> bool {
        self.inside.iter().filter(|inside| inside[cell]).count() >= CLASSES / 2
    }
}

fn class(place: usize, width: usize) -> usize {
    let (row, column) = (place / width, place % width);
    row / 2 % 2 * 2 + column / 2 % 2
}

/// Sum of numbers and how many they are.
#[derive(Clone, Copy, Default)]
struct Sum {
    sum: f64,
    count: f64,
}

impl Sum {
    fn add(&mut self, other: Self) {
        self.sum += other.sum;
        self.count += other.count;
    }

    fn mean(self) -> Option<f64> {
        (self.count > 0.0).then(|| self.sum / self.count)
    }
}

/// Finds the quiet part of the cells of dark minus bias. Nothing where there are no pixels.
pub(super) fn quiet(bands: &Bands, cells: &[Cell], excess: &[f64]) -> Option<Quiet> {
    let sorted = Sorted::of(bands, cells, excess);
    let all = sorted.share(0..QUARTERS)?;
    let quarters: Option<Vec<Share>> = (0..QUARTERS).map(|at| sorted.share(at..at + 1)).collect();
    let quarters = quarters.map(|quarters| Levels::of(&quarters));
    let (size, tail) = match quarters {
        Some(levels) => levels.tail(|size| Some(sorted.share(0..size)?.level)),
        None => (QUARTERS, Estimate::default()),
    };
    let share = if size == QUARTERS {
        all
    } else {
        sorted.share(0..size)?
    };
    Some(Quiet {
        inside: share.inside,
        width: bands.width(),
        level: Estimate {
            value: share.level,
            error: share.error,
        },
        tail,
    })
}

/// Cells in order of darkness, for each class of pixels.
struct Sorted<'a> {
    bands: &'a Bands,
    cells: &'a [Cell],
    sums: Vec<[Sum; CLASSES]>,
    orders: [Vec<usize>; CLASSES],
    /// Variances of patterns of columns and of rows.
    columns: f64,
    rows: f64,
}

/// Some of the cells.
struct Share {
    inside: [Vec<bool>; CLASSES],
    level: f64,
    error: f64,
}

impl<'a> Sorted<'a> {
    fn of(bands: &'a Bands, cells: &'a [Cell], excess: &[f64]) -> Self {
        let width = bands.width();
        let mut sums = vec![[Sum::default(); CLASSES]; cells.len()];
        let mut columns = vec![Sum::default(); width];
        let mut rows = vec![Sum::default(); bands.pixels() / width.max(1)];
        for (cell, sums) in cells.iter().zip(&mut sums) {
            for place in cell.rows.iter().cloned().flatten() {
                if (excess[place] - cell.mean).abs() <= LIMIT * cell.sd {
                    let one = Sum {
                        sum: excess[place],
                        count: 1.0,
                    };
                    sums[class(place, width)].add(one);
                    columns[place % width].add(one);
                    rows[place / width].add(one);
                }
            }
        }
        let noise = median(&mut cells.iter().map(|cell| cell.sd).collect::<Vec<_>>());
        let noise = noise.unwrap_or(0.0).powi(2);
        let within_band = |row: usize| row % ROWS + 2 < ROWS;
        let orders = std::array::from_fn(|class| {
            let around = around(bands, cells, &sums, CLASSES - 1 - class);
            let mut order: Vec<usize> = (0..cells.len()).collect();
            order.sort_by(|&a, &b| around[a].total_cmp(&around[b]).then(a.cmp(&b)));
            order
        });
        Self {
            bands,
            cells,
            sums,
            orders,
            columns: pattern(&columns, noise, |_| true),
            rows: pattern(&rows, noise, within_band),
        }
    }

    /// From one quarter to another of the cells; nothing where they hold no pixel.
    fn share(&self, quarters: std::ops::Range<usize>) -> Option<Share> {
        let count = self.cells.len();
        let range = quarters.start * count / QUARTERS..quarters.end * count / QUARTERS;
        let mut inside = [(); CLASSES].map(|()| vec![false; count]);
        let (mut all, mut squares) = (Sum::default(), 0.0);
        let across = self.bands.across();
        let mut columns = vec![false; across];
        let mut bands = vec![false; self.bands.rows().len()];
        for (class, order) in self.orders.iter().enumerate() {
            for &cell in &order[range.clone()] {
                let sum = self.sums[cell][class];
                let Cell { at, sd, .. } = self.cells[cell];
                all.add(sum);
                squares += sum.count * sd * sd;
                inside[class][cell] = true;
                columns[at % across] = true;
                bands[at / across] = true;
            }
        }
        let level = all.mean()?;
        let part = |them: &[bool]| {
            let held = them.iter().filter(|held| **held).count();
            held as f64 / them.len() as f64
        };
        let wide = part(&columns) * self.bands.width() as f64;
        let high = part(&bands) * (self.bands.pixels() / self.bands.width()) as f64;
        let variance = squares / (all.count * all.count) + self.columns / wide + self.rows / high;
        Some(Share {
            inside,
            level,
            error: variance.sqrt(),
        })
    }
}

/// The mean of one class of pixels around every cell.
fn around(bands: &Bands, cells: &[Cell], sums: &[[Sum; CLASSES]], class: usize) -> Vec<f64> {
    let (across, down) = (bands.across(), bands.rows().len());
    let mut grid = vec![Sum::default(); across * down];
    for (cell, sums) in cells.iter().zip(sums) {
        grid[cell.at] = sums[class];
    }
    let near = |at: usize, all: usize| {
        let reach = (all / AROUND).max(1);
        at.saturating_sub(reach)..(at + reach + 1).min(all)
    };
    let mean = |cell: &Cell| {
        let mut all = Sum::default();
        for band in near(cell.at / across, down) {
            for column in near(cell.at % across, across) {
                all.add(grid[band * across + column]);
            }
        }
        all.mean().unwrap_or(cell.mean)
    };
    cells.iter().map(mean).collect()
}

/// The variance of lines of pixels beyond that of their noise: from the differences of neighbours of the
/// same colours, which a glow hardly changes, by their median, which it changes nowhere else.
fn pattern(lines: &[Sum], noise: f64, counts: impl Fn(usize) -> bool) -> f64 {
    let difference = |(at, pair): (usize, &[Sum])| {
        let (one, other) = (pair[0], pair[2]);
        let difference = (one.mean()? - other.mean()?).abs();
        let expected = noise / one.count + noise / other.count;
        counts(at).then_some((difference, expected))
    };
    let found = lines.windows(3).enumerate().filter_map(difference);
    let (mut differences, mut expected): (Vec<f64>, Vec<f64>) = found.unzip();
    match (median(&mut differences), median(&mut expected)) {
        (Some(difference), Some(expected)) => {
            let both = (MAD_TO_SD * difference).powi(2) - expected;
            (both / 2.0).max(0.0)
        }
        _ => 0.0,
    }
}

/// Levels of the four quarters, the darkest first.
struct Levels([Estimate; QUARTERS]);

impl Levels {
    fn of(quarters: &[Share]) -> Self {
        Self(std::array::from_fn(|at| Estimate {
            value: quarters[at].level,
            error: quarters[at].error,
        }))
    }

    /// How many of the quarters are quiet, and what of the glow lies in them. `level` is that of so many.
    fn tail(&self, level: impl Fn(usize) -> Option<f64>) -> (usize, Estimate) {
        // The slope of the best line.
        let weights = [-0.3, -0.1, 0.1, 0.3];
        let over = |figure: &dyn Fn(&Estimate, f64) -> f64| -> f64 {
            self.0
                .iter()
                .zip(weights)
                .map(|(of, w)| figure(of, w))
                .sum()
        };
        let rise = over(&|of, weight| weight * of.value);
        let error = over(&|of, weight| (weight * of.error).powi(2)).sqrt();
        if rise <= SURE * error {
            let hidden = (rise * rise - error * error).max(0.0).sqrt();
            let error = if rise > 0.0 { HIDDEN * hidden } else { 0.0 };
            return (QUARTERS, Estimate { value: 0.0, error });
        }
        let [first, second, ..] = self.0;
        let step = second.value - first.value;
        let size = if step > SURE * first.error.hypot(second.error) {
            1
        } else {
            2
        };
        let floor = self.floor();
        let value = level(size).unwrap_or(first.value) - floor.value;
        (
            size,
            Estimate {
                value,
                error: floor.error,
            },
        )
    }

    /// The level that a glow falls to: all ratios by which it may fall, each by how well it does.
    fn floor(&self) -> Estimate {
        let fits: Vec<Fit> = (0..RATIOS)
            .map(|at| self.fit(SLOWEST * (f64::from(at) + 0.5) / f64::from(RATIOS)))
            .collect();
        let best = fits
            .iter()
            .map(|fit| fit.misfit)
            .fold(f64::INFINITY, f64::min);
        let mean = |figure: &dyn Fn(&Fit) -> f64| {
            let weighed = fits.iter().fold((0.0, 0.0), |(sum, weights), fit| {
                let weight = ((best - fit.misfit) / 2.0).exp();
                (sum + weight * figure(fit), weights + weight)
            });
            weighed.0 / weighed.1
        };
        let value = mean(&|fit| fit.floor);
        let variance = mean(&|fit| fit.variance + (fit.floor - value).powi(2));
        Estimate {
            value,
            error: variance.sqrt(),
        }
    }

    /// Floor and height of a glow that falls by this ratio, by least squares.
    fn fit(&self, ratio: f64) -> Fit {
        let darkest = self.0[0].value;
        let points = || {
            self.0.iter().enumerate().map(|(at, level)| {
                let error = level.error.hypot(SHAPE * (level.value - darkest));
                let glow = ratio.powi((QUARTERS - 1 - at) as i32);
                (
                    1.0 / (error * error).max(f64::MIN_POSITIVE),
                    glow,
                    level.value - darkest,
                )
            })
        };
        let sum = |figure: &dyn Fn(f64, f64) -> f64| -> f64 {
            points()
                .map(|(weight, glow, level)| weight * figure(glow, level))
                .sum()
        };
        let [one, x, xx] = [sum(&|_, _| 1.0), sum(&|x, _| x), sum(&|x, _| x * x)];
        let [y, xy] = [sum(&|_, y| y), sum(&|x, y| x * y)];
        let under = one * xx - x * x;
        let height = (one * xy - x * y) / under;
        let (floor, height, variance) = if height > 0.0 {
            ((xx * y - x * xy) / under, height, xx / under)
        } else {
            (y / one, 0.0, 1.0 / one)
        };
        Fit {
            floor: darkest + floor,
            variance,
            misfit: sum(&|x, y| (y - floor - height * x).powi(2)),
        }
    }
}

struct Fit {
    floor: f64,
    variance: f64,
    misfit: f64,
}
