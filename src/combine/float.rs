//! Float samples, a chunk of neighbouring pixels at a time.
//!
//! Pixels with a sample that must not enter are left to the specification; everything else yields
//! the specification's bits: sums run over the same values in the same order.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::network::{merge_exchange, sort};
use super::scalar::{self, Limits, Pixel, float_bounds};

/// Pixels that go through side by side.
const LANES: usize = 32;

type Row = [f32; LANES];

/// The lowest `f32` that is at or above the saturation level; nothing where that excludes nothing.
fn lowest_excluded(saturation: f64) -> f32 {
    if saturation.is_nan() {
        return f32::INFINITY;
    }
    let level = saturation as f32;
    if f64::from(level) < saturation {
        level.next_up()
    } else {
        level
    }
}

pub(super) fn combine(
    method: &Combining,
    exposures: &[&[f32]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    let count = exposures.len();
    if count == 0 {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    let excluded = lowest_excluded(saturation);
    let mut work = Work {
        pairs: match method {
            Combining::Mean => Vec::new(),
            _ => merge_exchange(count),
        },
        rows: vec![[0.0; LANES]; count],
        column: Vec::with_capacity(count),
    };
    let mut pixel = Pixel::new();
    let mut seen = Combined::default();
    for (chunk, values) in out.chunks_mut(LANES).enumerate() {
        let first = chunk * LANES;
        let width = values.len();
        let mut apart = work.gather(exposures, first, width, excluded);
        let result = match *method {
            Combining::Mean => work.mean(),
            Combining::Median => work.median(),
            Combining::SigmaClip {
                low,
                high,
                iterations,
                median_centre,
            } => {
                let limits = Limits {
                    low,
                    high,
                    iterations,
                    median_centre,
                };
                let clipped = work.clip(&limits, &mut apart);
                if clipped.any {
                    for (exposure, count) in exposures.iter().zip(rejected.iter_mut()) {
                        clipped.count(&exposure[first..first + width], count);
                    }
                }
                clipped.values
            }
            // The others have their fast form in `ranges`.
            _ => return scalar::combine(method, exposures, saturation, out, rejected),
        };
        for (value, result) in values.iter_mut().zip(result) {
            *value = scalar::unsigned_zero(result);
        }
        for lane in (0..width).filter(|&lane| apart[lane]) {
            let samples = exposures.iter().map(|exposure| exposure[first + lane]);
            values[lane] = pixel.combine(method, samples, saturation, rejected, &mut seen);
        }
    }
    seen
}

struct Work {
    pairs: Vec<(usize, usize)>,
    rows: Vec<Row>,
    column: Vec<f32>,
}

/// What clipping a chunk yields. A lane that is left to the specification keeps everything here.
struct Clipped {
    values: Row,
    /// Smallest and largest sample kept.
    smallest: Row,
    largest: Row,
    /// Whether any lane dropped anything.
    any: bool,
}

impl Work {
    /// Lays out the samples of a chunk; lanes beyond `width` are zero. Tells the lanes with a
    /// sample that must not enter.
    fn gather(
        &mut self,
        exposures: &[&[f32]],
        first: usize,
        width: usize,
        excluded: f32,
    ) -> [bool; LANES] {
        let mut spoiled = [false; LANES];
        for (row, exposure) in self.rows.iter_mut().zip(exposures) {
            let samples = &exposure[first..first + width];
            if let Ok(samples) = Row::try_from(samples) {
                *row = samples;
            } else {
                *row = [0.0; LANES];
                row[..width].copy_from_slice(samples);
            }
            for (spoiled, &value) in spoiled.iter_mut().zip(row.iter()) {
                // False for NaN and both infinities as well.
                *spoiled |= !(value < excluded && value > f32::NEG_INFINITY);
            }
        }
        spoiled
    }

    fn mean(&self) -> Row {
        let mut sums = [0.0f64; LANES];
        for row in &self.rows {
            for (sum, &value) in sums.iter_mut().zip(row) {
                *sum += f64::from(value);
            }
        }
        let count = self.rows.len() as f64;
        sums.map(|sum| (sum / count) as f32)
    }

    fn median(&mut self) -> Row {
        sort(&self.pairs, &mut self.rows);
        let count = self.rows.len();
        let (below, above) = (&self.rows[(count - 1) / 2], &self.rows[count / 2]);
        std::array::from_fn(|lane| ((f64::from(below[lane]) + f64::from(above[lane])) / 2.0) as f32)
    }

    /// Clips every lane that is not `apart`; a lane in which nothing survives becomes so.
    fn clip(&mut self, limits: &Limits, apart: &mut [bool; LANES]) -> Clipped {
        sort(&self.pairs, &mut self.rows);
        let count = self.rows.len();
        let (sums, squares) = self.sums();
        let below = self.rows[(count - 1) / 2];
        let above = self.rows[count / 2];
        let mut clipped = Clipped {
            values: [0.0; LANES],
            smallest: self.rows[0],
            largest: self.rows[count - 1],
            any: false,
        };
        for lane in 0..LANES {
            if apart[lane] {
                // NaN may have upset the order; with these bounds nothing is counted.
                clipped.smallest[lane] = f32::NEG_INFINITY;
                clipped.largest[lane] = f32::INFINITY;
                continue;
            }
            let reference = f64::from(above[lane]);
            let median = (f64::from(below[lane]) + reference) / 2.0;
            let first = float_bounds(
                limits,
                count as f64,
                sums[lane],
                squares[lane],
                reference,
                median,
            );
            let all_stay = limits.iterations == 0
                || !(first.below(f64::from(clipped.smallest[lane]))
                    || first.above(f64::from(clipped.largest[lane])));
            if all_stay {
                clipped.values[lane] = (reference + sums[lane] / count as f64) as f32;
                continue;
            }
            self.column.clear();
            self.column.extend(self.rows.iter().map(|row| row[lane]));
            let (kept, _) = scalar::survivors(&self.column, limits);
            if kept.is_empty() {
                apart[lane] = true;
                continue;
            }
            clipped.any = true;
            clipped.smallest[lane] = self.column[kept.start];
            clipped.largest[lane] = self.column[kept.end - 1];
            clipped.values[lane] = <f32 as scalar::Sample>::mean(&self.column[kept]) as f32;
        }
        clipped
    }

    /// Sum and sum of squares of each sorted lane, counted from the upper of its middle two.
    fn sums(&self) -> ([f64; LANES], [f64; LANES]) {
        let reference = self.rows[self.rows.len() / 2].map(f64::from);
        let mut sums = [0.0; LANES];
        let mut squares = [0.0; LANES];
        for row in &self.rows {
            for lane in 0..LANES {
                let offset = f64::from(row[lane]) - reference[lane];
                sums[lane] += offset;
                squares[lane] += offset * offset;
            }
        }
        (sums, squares)
    }
}

impl Clipped {
    /// Adds how many of an exposure's samples lie outside what is kept.
    fn count(&self, samples: &[f32], count: &mut InputCount) {
        let (mut low, mut high) = (0u32, 0u32);
        for ((sample, smallest), largest) in samples.iter().zip(&self.smallest).zip(&self.largest) {
            low += u32::from(sample < smallest);
            high += u32::from(sample > largest);
        }
        count.low += u64::from(low);
        count.high += u64::from(high);
    }
}
