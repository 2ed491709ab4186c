//! A light as the search for stars sees it: background taken off, gaps filled.
//!
//! Filled pixels serve the search alone. Of a colour sensor the green photosites are measured; the
//! places between them get the mean of the green ones around, and fits of star shapes leave filled
//! places out.

use ndarray::ArrayView2;
use ndarray::parallel::prelude::*;

use crate::combine::Level;
use crate::facts::{Cfa, Colour, mask};
use crate::measure::{BAND_ROWS, Mesh, band, row_step};

/// Flags of pixels whose value is not the light's own.
const FOREIGN: u8 = mask::HOT | mask::DEAD | mask::LOST;

/// A calibrated light.
#[derive(Clone, Copy, Debug)]
pub struct Light<'a> {
    /// Its pixels, ADU, by row and column; what is no number is left out.
    pub plane: ArrayView2<'a, f32>,
    /// Its flags (see [`crate::facts::mask`]), of the same shape.
    pub mask: Option<ArrayView2<'a, u8>>,
    /// The colour filter array, as it lies over the plane.
    pub cfa: Option<Cfa>,
}

impl Light<'_> {
    /// The mesh of its background; of a colour sensor that of green. Nothing where no pixel is a
    /// number.
    pub fn mesh(&self) -> Option<Mesh> {
        let (height, width) = self.plane.dim();
        let step = row_step(width, height);
        let bands: Vec<usize> = (0..height).step_by(BAND_ROWS).collect();
        let cells: Vec<_> = bands
            .into_par_iter()
            .map_init(Vec::new, |rows, top| {
                rows.clear();
                for y in top..height.min(top + BAND_ROWS) {
                    // Rows that are not looked at need not be read.
                    match (y / 2).is_multiple_of(step) {
                        true => rows.extend(self.plane.row(y)),
                        false => rows.resize(rows.len() + width, 0.0),
                    }
                }
                band(width, rows, self.cfa, step)
            })
            .collect();
        Mesh::new(&cells)
    }
}

/// A light above its background.
pub(super) struct Field<'a> {
    pub(super) light: Light<'a>,
    pub(super) mesh: Mesh,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl<'a> Field<'a> {
    pub(super) fn new(light: Light<'a>, mesh: Mesh) -> Self {
        let (height, width) = light.plane.dim();
        Self {
            light,
            mesh,
            width,
            height,
        }
    }

    /// Is this pixel one whose own value was measured, unsaturated and on the measured colour?
    pub(super) fn is_sound(&self, x: usize, y: usize) -> bool {
        let flags = self.light.mask.map_or(0, |flags| flags[(y, x)]);
        self.is_measured(x, y)
            && flags & (FOREIGN | mask::REPAIRED | mask::SATURATED) == 0
            && self.light.plane[(y, x)].is_finite()
    }

    /// Is this pixel saturated by its flag?
    pub(super) fn is_saturated(&self, x: usize, y: usize) -> bool {
        let flags = self.light.mask.map_or(0, |flags| flags[(y, x)]);
        flags & mask::SATURATED != 0
    }

    /// Is this pixel of the measured colour?
    pub(super) fn is_measured(&self, x: usize, y: usize) -> bool {
        let cfa = self.light.cfa;
        cfa.is_none_or(|cfa| cfa.at(x, y) == Colour::Green)
    }

    /// Values above the background's mesh at these distances from a pixel, as far as they lie in the frame.
    pub(super) fn ring(&self, (x, y): (usize, usize), (from, to): (f32, f32)) -> Vec<f64> {
        let reach = to.ceil() as usize;
        let (left, top) = (x.saturating_sub(reach), y.saturating_sub(reach));
        let (right, bottom) = (
            self.width.min(x + reach + 1),
            self.height.min(y + reach + 1),
        );
        let (columns, rows) = (right - left, bottom - top);
        let mut pixels = Vec::new();
        self.read((top as isize, rows), (left as isize, columns), &mut pixels);
        let inside = |at: usize| {
            let dx = (left + at % columns) as f32 - x as f32;
            let dy = (top + at / columns) as f32 - y as f32;
            (from * from..=to * to).contains(&(dx * dx + dy * dy))
        };
        let pixels = pixels.into_iter().enumerate();
        let ring = pixels.filter(|&(at, _)| inside(at));
        ring.map(|(_, value)| f64::from(value)).collect()
    }

    /// Rows `top` to `top + rows`, columns `left` to `left + columns`, row by row; zeros outside the
    /// frame.
    pub(super) fn read(
        &self,
        (top, rows): (isize, usize),
        (left, columns): (isize, usize),
        out: &mut Vec<f32>,
    ) {
        out.resize(rows * columns, 0.0);
        let from = left.clamp(0, self.width as isize) as usize;
        let to = (left + columns as isize).clamp(from as isize, self.width as isize) as usize;
        let first = (from as isize - left).clamp(0, columns as isize) as usize;
        let inside = first..first + to - from;
        // Which rows have gaps.
        let mut gaps = vec![false; rows];
        for (at, line) in out.chunks_exact_mut(columns).enumerate() {
            match usize::try_from(top + at as isize) {
                Ok(y) if y < self.height => {
                    line[..inside.start].fill(0.0);
                    line[inside.end..].fill(0.0);
                    gaps[at] = !self.line(y, from, &mut line[inside.clone()]);
                }
                _ => line.fill(0.0),
            }
        }
        if self.light.cfa.is_some() {
            self.fill_green(top, from, (columns, inside.clone()), out, &mut gaps);
        }
        for (line, _) in out
            .chunks_exact_mut(columns)
            .zip(gaps)
            .filter(|(_, gap)| *gap)
        {
            fill(&mut line[inside.clone()]);
        }
    }

    /// A row above the background from column `left` on, NaN where the value is missing. True where
    /// none is.
    fn line(&self, y: usize, left: usize, out: &mut [f32]) -> bool {
        let columns = left..left + out.len();
        self.mesh.levels(y, left, out);
        let pixels = self.light.plane.row(y);
        let complete = match pixels.as_slice() {
            Some(pixels) => subtract(out, &pixels[columns.clone()]),
            None => subtract(out, &pixels.to_vec()[columns.clone()]),
        };
        let Some(flags) = self.light.mask.as_ref().map(|flags| flags.row(y)) else {
            return complete;
        };
        complete
            & match flags.as_slice() {
                Some(flags) => drop_foreign(out, &flags[columns]),
                None => drop_foreign(out, &flags.to_vec()[columns]),
            }
    }

    /// Puts the mean of the green neighbours on the other colours' places of rows that have been
    /// read, of which `inside` are the columns in the frame.
    fn fill_green(
        &self,
        top: isize,
        left: usize,
        (columns, inside): (usize, std::ops::Range<usize>),
        out: &mut [f32],
        gaps: &mut [bool],
    ) {
        let width = inside.len();
        let beyond = |y: isize| {
            let mut line = vec![f32::NAN; width];
            if let Some(y) = usize::try_from(y).ok().filter(|&y| y < self.height) {
                self.line(y, left, &mut line);
            }
            line
        };
        let rows = gaps.len();
        let mut before = beyond(top - 1);
        let last = beyond(top + rows as isize);
        let mut means = vec![0.0; width];
        for (at, gap) in gaps.iter_mut().enumerate() {
            let y = top + at as isize;
            let (upto, below) = out.split_at_mut((at + 1) * columns);
            let line = &mut upto[at * columns..][inside.clone()];
            let Some(y) = usize::try_from(y).ok().filter(|&y| y < self.height) else {
                before.fill(f32::NAN);
                continue;
            };
            let after = match y + 1 < self.height {
                true => below.get(inside.clone()).unwrap_or(&last),
                false => &[],
            };
            mean_of_four(line, &before, after, &mut means);
            // What is green is neighbour to the next row.
            before.copy_from_slice(line);
            let first = usize::from(self.is_measured(left, y));
            let places = line.iter_mut().zip(&means).skip(first).step_by(2);
            for (value, mean) in places {
                *value = *mean;
                *gap |= !mean.is_finite();
            }
            if *gap {
                self.mend_green(y, left, line, &before, after);
            }
        }
    }

    /// Means of those of the four neighbours that are there.
    fn mend_green(&self, y: usize, left: usize, line: &mut [f32], own: &[f32], after: &[f32]) {
        let first = usize::from(self.is_measured(left, y));
        for at in (first..line.len()).step_by(2) {
            if line[at].is_finite() {
                continue;
            }
            let beside = [at.checked_sub(1), Some(at + 1)];
            let beside = beside.into_iter().flatten().filter_map(|at| own.get(at));
            let near = beside
                .chain(after.get(at))
                .filter(|value| value.is_finite());
            let (sum, count) =
                near.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
            line[at] = if count > 0.0 { sum / count } else { f32::NAN };
        }
    }
}

/// Takes the background in `out` off the pixels. True where all are numbers.
fn subtract(out: &mut [f32], pixels: &[f32]) -> bool {
    Level::widest().run(|| {
        let pairs = out.iter_mut().zip(pixels);
        pairs.fold(0u32, |missing, (value, pixel)| {
            *value = pixel - *value;
            missing | u32::from(!value.is_finite())
        })
    }) == 0
}

/// Makes values that are not the light's own no numbers. True where there are none.
fn drop_foreign(out: &mut [f32], flags: &[u8]) -> bool {
    let any = Level::widest().run(|| flags.iter().fold(0, |any, flags| any | flags));
    if any & FOREIGN == 0 {
        return true;
    }
    for (value, flags) in out.iter_mut().zip(flags) {
        if flags & FOREIGN != 0 {
            *value = f32::NAN;
        }
    }
    false
}

/// Means of the four neighbours of each place of a row. No number at the row's ends, and where one
/// is missing.
fn mean_of_four(line: &[f32], before: &[f32], after: &[f32], means: &mut [f32]) {
    means.fill(f32::NAN);
    let count = line.len().min(after.len()).saturating_sub(2);
    if count == 0 {
        return;
    }
    let (left, right) = (&line[..count], &line[2..]);
    let (above, below) = (&before[1..], &after[1..]);
    Level::widest().run(|| {
        let beside = left.iter().zip(right).zip(above.iter().zip(below));
        for (mean, ((left, right), (above, below))) in means[1..].iter_mut().zip(beside) {
            *mean = ((left + right) + (above + below)) / 4.0;
        }
    });
}

/// Fills gaps of a row: with the mean of what lies on both sides, as far as it is there.
fn fill(line: &mut [f32]) {
    for at in 0..line.len() {
        if line[at].is_finite() {
            continue;
        }
        // What lies before is filled already.
        let left = at.checked_sub(1).map(|at| line[at]);
        let right = line.get(at + 1).copied().filter(|value| value.is_finite());
        line[at] = match (left, right) {
            (Some(left), Some(right)) => (left + right) / 2.0,
            (None, Some(right)) => right,
            // A wide gap fades to the background.
            (Some(left), None) => left / 2.0,
            (None, None) => 0.0,
        };
    }
}
