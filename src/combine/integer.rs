//! 16-bit samples, a chunk of neighbouring pixels at a time.
//!
//! Samples are kept as `i16` with the top bit turned over, since every x86-64 has a vector minimum
//! of signed 16-bit numbers. Pixels with a sample that must not enter are left to the
//! specification; everything else yields the specification's bits.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::network::{merge_exchange, sort};
use super::scalar::{self, Limits, Pixel, integer_bounds};

/// Pixels that go through side by side.
const LANES: usize = 64;

/// Above this many exposures the sums of a pixel might not fit, and speed is no concern.
const MOST: usize = 1 << 15;

type Row = [i16; LANES];

fn turn(value: u16) -> i16 {
    (value ^ 0x8000) as i16
}

fn turn_back(value: i16) -> u16 {
    value as u16 ^ 0x8000
}

/// The lowest sample that must not enter, where there is one.
fn lowest_excluded(saturation: f64) -> Option<u16> {
    (saturation <= f64::from(u16::MAX)).then_some(saturation.max(0.0).ceil() as u16)
}

pub(super) fn combine(
    method: &Combining,
    exposures: &[&[u16]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    let count = exposures.len();
    if count == 0 || count > MOST {
        return scalar::combine(method, exposures, saturation, out, rejected);
    }
    let excluded = lowest_excluded(saturation);
    let mut work = Work {
        pairs: match method {
            Combining::Mean => Vec::new(),
            _ => merge_exchange(count),
        },
        rows: vec![[0; LANES]; count],
    };
    let mut pixel = Pixel::new();
    let mut seen = Combined::default();
    for (chunk, values) in out.chunks_mut(LANES).enumerate() {
        let first = chunk * LANES;
        let width = values.len();
        work.gather(exposures, first, width);
        let mut apart = work.spoiled(excluded);
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
        values.copy_from_slice(&result[..width]);
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
}

/// What clipping a chunk yields. A lane that is left to the specification keeps everything here.
struct Clipped {
    values: [f32; LANES],
    /// Smallest and largest sample kept.
    smallest: Row,
    largest: Row,
    /// Whether any lane dropped anything.
    any: bool,
}

/// Sums of each lane, counted from its smallest sample.
struct Sums {
    plain: [u32; LANES],
    squares: [u64; LANES],
    /// Whether everything that follows from them is exact in `f64`.
    exact: bool,
}

impl Work {
    /// Lays out the samples of a chunk; lanes beyond `width` are zero.
    fn gather(&mut self, exposures: &[&[u16]], first: usize, width: usize) {
        for (row, exposure) in self.rows.iter_mut().zip(exposures) {
            let samples = &exposure[first..first + width];
            if let Ok(samples) = <&[u16; LANES]>::try_from(samples) {
                for (turned, &sample) in row.iter_mut().zip(samples) {
                    *turned = turn(sample);
                }
            } else {
                *row = [turn(0); LANES];
                for (turned, &sample) in row.iter_mut().zip(samples) {
                    *turned = turn(sample);
                }
            }
        }
    }

    /// Lanes with a sample that must not enter.
    fn spoiled(&self, excluded: Option<u16>) -> [bool; LANES] {
        let Some(level) = excluded.map(turn) else {
            return [false; LANES];
        };
        let mut top = [i16::MIN; LANES];
        for row in &self.rows {
            for (top, &value) in top.iter_mut().zip(row) {
                *top = value.max(*top);
            }
        }
        top.map(|top| top >= level)
    }

    fn mean(&self) -> [f32; LANES] {
        let mut sums = [0u32; LANES];
        for row in &self.rows {
            for (sum, &value) in sums.iter_mut().zip(row) {
                *sum += u32::from(turn_back(value));
            }
        }
        let count = self.rows.len() as f64;
        sums.map(|sum| (f64::from(sum) / count) as f32)
    }

    fn median(&mut self) -> [f32; LANES] {
        sort(&self.pairs, &mut self.rows);
        let count = self.rows.len();
        let (below, above) = (&self.rows[(count - 1) / 2], &self.rows[count / 2]);
        std::array::from_fn(|lane| {
            let sum = u32::from(turn_back(below[lane])) + u32::from(turn_back(above[lane]));
            (f64::from(sum) / 2.0) as f32
        })
    }

    /// Clips every lane that is not `apart`; a lane in which nothing survives becomes so.
    fn clip(&mut self, limits: &Limits, apart: &mut [bool; LANES]) -> Clipped {
        sort(&self.pairs, &mut self.rows);
        let count = self.rows.len();
        let sums = self.sums(apart);
        let mut clipped = Clipped {
            values: self.means(&sums),
            smallest: self.rows[0],
            largest: self.rows[count - 1],
            any: false,
        };
        let stays = self.first_round(limits, &sums);
        for lane in (0..LANES).filter(|&lane| !stays[lane]) {
            if apart[lane] {
                continue;
            }
            let Some((kept, sum)) = self.survivors(lane, limits, &sums) else {
                apart[lane] = true;
                continue;
            };
            let smallest = u64::from(turn_back(self.rows[0][lane]));
            let survivors = kept.len() as u64;
            let total = smallest * survivors + sum;
            clipped.any = true;
            clipped.values[lane] = (total as f64 / survivors as f64) as f32;
            clipped.smallest[lane] = self.rows[kept.start][lane];
            clipped.largest[lane] = self.rows[kept.end - 1][lane];
        }
        clipped
    }

    /// Mean of all samples of each lane.
    fn means(&self, sums: &Sums) -> [f32; LANES] {
        let count = self.rows.len() as f64;
        std::array::from_fn(|lane| {
            // Whole numbers below 2^53: exact.
            let smallest = f64::from(turn_back(self.rows[0][lane]));
            ((smallest * count + f64::from(sums.plain[lane])) / count) as f32
        })
    }

    /// Lanes from which the first round drops nothing. A lane for which that is not certain counts
    /// as one that loses something.
    fn first_round(&self, limits: &Limits, sums: &Sums) -> [bool; LANES] {
        if limits.iterations == 0 {
            return [true; LANES];
        }
        let size = self.rows.len();
        let count = size as f64;
        if !sums.exact {
            return [false; LANES];
        }
        let smallest = self.rows[0].map(|value| value as u16);
        let offset = |at: usize, lane: usize| {
            f64::from((self.rows[at][lane] as u16).wrapping_sub(smallest[lane]))
        };
        std::array::from_fn(|lane| {
            let sum = f64::from(sums.plain[lane]);
            let variance = count * sums.squares[lane] as f64 - sum * sum;
            let centre = if limits.median_centre {
                count * (offset((size - 1) / 2, lane) + offset(size / 2, lane))
            } else {
                2.0 * sum
            };
            let bounds = integer_bounds(limits, count, variance, centre);
            !bounds.below(0.0) && !bounds.above(offset(size - 1, lane))
        })
    }

    /// Sum and sum of squares of each lane.
    fn sums(&self, apart: &[bool; LANES]) -> Sums {
        let count = self.rows.len();
        let smallest = self.rows[0];
        let mut widest = 1u32;
        for lane in (0..LANES).filter(|&lane| !apart[lane]) {
            let top = self.rows[count - 1][lane];
            widest = widest.max(u32::from((top as u16).wrapping_sub(smallest[lane] as u16)));
        }
        let mut sums = [0u32; LANES];
        let mut squares = [0u64; LANES];
        // As many rows as their squares fit 32 bits, in which four are added at once. Lanes set
        // apart may overflow; nobody looks at them.
        let block = (u32::MAX / (widest * widest)) as usize;
        for rows in self.rows.chunks(block) {
            let mut part = [0u32; LANES];
            for row in rows {
                for lane in 0..LANES {
                    let offset = u32::from((row[lane] as u16).wrapping_sub(smallest[lane] as u16));
                    sums[lane] += offset;
                    part[lane] = part[lane].wrapping_add(offset * offset);
                }
            }
            for (all, part) in squares.iter_mut().zip(part) {
                *all += u64::from(part);
            }
        }
        let most = (count * widest as usize) as f64;
        Sums {
            plain: sums,
            squares,
            exact: most * most < (1u64 << 53) as f64,
        }
    }

    /// The range of a sorted lane that survives, and its sum counted from the smallest sample.
    fn survivors(
        &self,
        lane: usize,
        limits: &Limits,
        sums: &Sums,
    ) -> Option<(std::ops::Range<usize>, u64)> {
        let count = self.rows.len();
        let smallest = self.rows[0][lane] as u16;
        let offset = |at: usize| u64::from((self.rows[at][lane] as u16).wrapping_sub(smallest));
        let mut sum = u64::from(sums.plain[lane]);
        let mut squares = sums.squares[lane];
        let mut kept = 0..count;
        let mut last = None;
        for _ in 0..limits.iterations {
            let survivors = kept.len();
            let size = survivors as u64;
            let centre = if limits.median_centre {
                let other = offset(kept.start + (survivors - 1) / 2);
                size * (other + offset(kept.start + survivors / 2))
            } else {
                2 * sum
            };
            let variance = size * squares - sum * sum;
            let bounds = integer_bounds(limits, size as f64, variance as f64, centre as f64);
            last = Some(bounds);
            while kept.start < kept.end {
                let value = offset(kept.start);
                if !bounds.below(value as f64) {
                    break;
                }
                kept.start += 1;
                sum -= value;
                squares -= value * value;
            }
            while kept.start < kept.end {
                let value = offset(kept.end - 1);
                if !bounds.above(value as f64) {
                    break;
                }
                kept.end -= 1;
                sum -= value;
                squares -= value * value;
            }
            if kept.is_empty() {
                return None;
            }
            if kept.len() == survivors {
                break;
            }
        }
        if let Some(bounds) = last {
            while kept.start > 0 && !bounds.below(offset(kept.start - 1) as f64) {
                kept.start -= 1;
                sum += offset(kept.start);
            }
            while kept.end < count && !bounds.above(offset(kept.end) as f64) {
                sum += offset(kept.end);
                kept.end += 1;
            }
        }
        Some((kept, sum))
    }
}

impl Clipped {
    /// Adds how many of an exposure's samples lie outside what is kept.
    fn count(&self, samples: &[u16], count: &mut InputCount) {
        let (mut low, mut high) = (0u16, 0u16);
        for ((&sample, smallest), largest) in samples.iter().zip(&self.smallest).zip(&self.largest)
        {
            low += u16::from(turn(sample) < *smallest);
            high += u16::from(turn(sample) > *largest);
        }
        count.low += u64::from(low);
        count.high += u64::from(high);
    }
}
