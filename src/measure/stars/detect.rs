//! Finds what stands out of the background: a matched filter, a threshold, connected pixels.
//!
//! A Gaussian of the stars' own width gives the best signal to noise for a faint star (the matched
//! filter; Stetson 1987, PASP 99, 191). Bands of rows are searched in parallel; what they find is
//! joined in the order of the rows.

use ndarray::parallel::prelude::*;

use super::field::Field;
use crate::combine::Level;
use crate::measure::BAND_ROWS;
use crate::measure::trails::{SPECK, squares};

/// A pixel stands out by so many times the noise of the filtered frame.
pub(super) const THRESHOLD: f32 = 5.0;

/// Connected pixels of a row: columns `left` to `right`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    pub(super) y: u32,
    pub(super) left: u32,
    pub(super) right: u32,
    /// Where its pixels begin in [`Bright`].
    pub(super) first: u32,
}

impl Run {
    pub(super) fn len(&self) -> usize {
        (self.right - self.left) as usize
    }

    /// Its pixels in [`Bright`].
    pub(super) fn pixels(&self) -> std::ops::Range<usize> {
        self.first as usize..self.first as usize + self.len()
    }
}

/// All pixels that stand out, by row and column.
#[derive(Clone, Debug, Default)]
pub(super) struct Bright {
    pub(super) runs: Vec<Run>,
    /// Filtered values in units of their noise.
    pub(super) filtered: Vec<f32>,
    /// Values above the background, ADU.
    pub(super) values: Vec<f32>,
    /// Squares of a few pixels of the unfiltered frame, row by row, in units of their noise.
    pub(super) squares: Vec<f32>,
}

/// A separable Gaussian with squares that sum to 1: white noise keeps its standard deviation.
#[derive(Clone, Debug)]
pub(super) struct Kernel {
    taps: Vec<f32>,
    /// Standard deviation of the filtered frame over that of a measured pixel.
    pub(super) noise: f32,
    /// Its own full width at half maximum.
    pub(super) fwhm: f32,
}

impl Kernel {
    /// For stars of this width, within what a few taps can do. `sparse`: only every other pixel is
    /// measured, those between are means of four.
    pub(super) fn of(fwhm: f32, sparse: bool) -> Self {
        let sigma = (fwhm / super::SIGMA_TO_FWHM).clamp(0.7, 5.0);
        let reach = (2.0 * sigma).ceil() as i32;
        let taps: Vec<f64> = (-reach..=reach)
            .map(|at| (-0.5 * (f64::from(at) / f64::from(sigma)).powi(2)).exp())
            .collect();
        let norm = taps.iter().map(|tap| tap * tap).sum::<f64>().sqrt();
        let taps: Vec<f32> = taps.iter().map(|tap| (tap / norm) as f32).collect();
        Self {
            noise: if sparse { spread(&taps) } else { 1.0 },
            taps,
            fwhm: sigma * super::SIGMA_TO_FWHM,
        }
    }

    pub(super) fn reach(&self) -> usize {
        self.taps.len() / 2
    }

    /// What a level, ADU, is as a filtered value in units of its noise, where pixels have this `noise`.
    pub(super) fn of_level(&self, level: f32, noise: f32) -> f32 {
        let sum: f32 = self.taps.iter().sum();
        (level * sum * sum / (self.noise * noise)).min(1e9)
    }

    /// Filters `rows` rows of `columns` pixels, which have the kernel's reach around them. `lines`
    /// and `out` are scratch and result of one row.
    fn row(&self, rows: &[f32], stride: usize, line: &mut [f32], out: &mut [f32]) {
        Level::widest().run(|| {
            line.fill(0.0);
            for (tap, row) in self.taps.iter().zip(rows.chunks_exact(stride)) {
                for (sum, value) in line.iter_mut().zip(row) {
                    *sum += tap * value;
                }
            }
            out.fill(0.0);
            for (at, tap) in self.taps.iter().enumerate() {
                for (sum, value) in out.iter_mut().zip(&line[at..]) {
                    *sum += tap * value;
                }
            }
        });
    }
}

/// Noise of a filtered quincunx whose gaps are means of four neighbours, over that of its pixels:
/// root of the mean over both kinds of places of the squared weights that measured pixels get.
fn spread(taps: &[f32]) -> f32 {
    let reach = (taps.len() / 2) as i32;
    let tap = |at: i32| {
        let at = usize::try_from(at + reach).ok();
        at.and_then(|at| taps.get(at)).copied().unwrap_or(0.0)
    };
    let kernel = |x: i32, y: i32| tap(x) * tap(y);
    let mut squares = 0.0;
    for phase in 0..2 {
        for y in -reach - 1..=reach + 1 {
            for x in -reach - 1..=reach + 1 {
                if (x + y + phase) % 2 == 0 {
                    let beside =
                        kernel(x - 1, y) + kernel(x + 1, y) + kernel(x, y - 1) + kernel(x, y + 1);
                    squares += (kernel(x, y) + beside / 4.0).powi(2) / 2.0;
                }
            }
        }
    }
    squares.sqrt()
}

/// Searches these bands of rows, by number from the top.
pub(super) fn sweep(field: &Field<'_>, kernel: &Kernel, bands: Vec<usize>) -> Bright {
    let found: Vec<Bright> = bands
        .into_par_iter()
        .map_init(Scratch::default, |scratch, band| {
            search(field, kernel, band, scratch)
        })
        .collect();
    let mut all = Bright::default();
    for band in found {
        let first = all.values.len() as u32;
        all.runs.extend(band.runs.iter().map(|run| Run {
            first: run.first + first,
            ..*run
        }));
        all.filtered.extend(band.filtered);
        all.values.extend(band.values);
        all.squares.extend(band.squares);
    }
    all
}

#[derive(Default)]
struct Scratch {
    rows: Vec<f32>,
    line: Vec<f32>,
    out: Vec<f32>,
    noise: Vec<f32>,
}

fn search(field: &Field<'_>, kernel: &Kernel, band: usize, scratch: &mut Scratch) -> Bright {
    let reach = kernel.reach();
    let stride = field.width + 2 * reach;
    let top = band * BAND_ROWS;
    let bottom = field.height.min(top + BAND_ROWS);
    let Scratch {
        rows,
        line,
        out,
        noise,
    } = scratch;
    let first = top as isize - reach as isize;
    field.read(
        (first, bottom - top + 2 * reach),
        (-(reach as isize), stride),
        rows,
    );
    line.resize(stride, 0.0);
    out.resize(field.width, 0.0);
    noise.resize(field.width, 0.0);
    let mut found = Bright::default();
    for y in top..bottom {
        let from = (y - top) * stride;
        let near = &rows[from..from + (2 * reach + 1) * stride];
        let own = &near[reach * stride + reach..];
        if (y - top).is_multiple_of(SPECK) {
            field.mesh.noises(y, 0, noise);
            if y + SPECK <= bottom {
                let rows = &rows[from + reach * stride..];
                let spread = if field.light.cfa.is_some() {
                    SPARSE
                } else {
                    1.0
                };
                squares(
                    (rows, stride, reach),
                    (noise, spread),
                    line,
                    &mut found.squares,
                );
                line.resize(stride, 0.0);
            }
        }
        kernel.row(near, stride, line, out);
        let limit = THRESHOLD * kernel.noise;
        let lowest = limit * field.mesh.lowest_noise(y);
        collect(y, (out, lowest), (noise, limit), own, &mut found);
    }
    found
}

/// A square of a filled quincunx holds half as many measured pixels, each twice.
const SPARSE: f32 = std::f32::consts::SQRT_2;

/// Adds the runs of one row: what lies above `limit` times the noise, of which `lowest` is the
/// smallest.
fn collect(
    y: usize,
    (filtered, lowest): (&[f32], f32),
    (noise, limit): (&[f32], f32),
    own: &[f32],
    to: &mut Bright,
) {
    const STRETCH: usize = 64;
    let mut open = false;
    for (part, values) in filtered.chunks(STRETCH).enumerate() {
        // Most stretches hold nothing, which is told many pixels at a time.
        let above = Level::widest().run(|| {
            let count = |sum, value: &f32| sum + u32::from(*value > lowest);
            values.iter().fold(0u32, count)
        });
        if above == 0 {
            open = false;
            continue;
        }
        for (x, &value) in (part * STRETCH..).zip(values) {
            if value <= limit * noise[x] {
                open = false;
                continue;
            }
            if !open {
                to.runs.push(Run {
                    y: y as u32,
                    left: x as u32,
                    right: x as u32,
                    first: to.values.len() as u32,
                });
                open = true;
            }
            if let Some(run) = to.runs.last_mut() {
                run.right += 1;
            }
            // A background without noise makes anything infinitely bright.
            to.filtered
                .push((THRESHOLD * value / (limit * noise[x])).min(1e9));
            to.values.push(own[x]);
        }
    }
}

impl Bright {
    /// Connected pixels, corners included: the runs of each group, by row and column; groups by
    /// their first run.
    pub(super) fn groups(&self) -> Vec<Vec<Run>> {
        let mut parents: Vec<u32> = (0..self.runs.len() as u32).collect();
        let (mut above, mut at) = (0, 0);
        for index in 0..self.runs.len() {
            let run = self.runs[index];
            // The first run of the row before that may touch.
            if index == 0 || self.runs[index - 1].y != run.y {
                above = match at < index && self.runs[at].y + 1 == run.y {
                    true => at,
                    false => index,
                };
                at = index;
            }
            while above < at && self.runs[above].right < run.left {
                above += 1;
            }
            let mut touching = above;
            while touching < at && self.runs[touching].left <= run.right {
                join(&mut parents, touching as u32, index as u32);
                touching += 1;
            }
        }
        let mut places = vec![u32::MAX; parents.len()];
        let mut groups: Vec<Vec<Run>> = Vec::new();
        for index in 0..parents.len() {
            let root = root(&mut parents, index as u32) as usize;
            if places[root] == u32::MAX {
                places[root] = groups.len() as u32;
                groups.push(Vec::new());
            }
            groups[places[root] as usize].push(self.runs[index]);
        }
        groups
    }
}

fn root(parents: &mut [u32], mut at: u32) -> u32 {
    while parents[at as usize] != at {
        parents[at as usize] = parents[parents[at as usize] as usize];
        at = parents[at as usize];
    }
    at
}

/// The earlier root becomes the parent.
fn join(parents: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(parents, a), root(parents, b));
    parents[a.max(b) as usize] = a.min(b);
}
