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

    /// Rows `top` to `top + rows`, columns `left` to `left + columns`, row by row; zeros outside the
    /// frame.
    pub(super) fn read(
        &self,
        (top, rows): (isize, usize),
        (left, columns): (isize, usize),
        out: &mut Vec<f32>,
    ) {
        out.clear();
        out.resize(rows * columns, 0.0);
        let from = left.clamp(0, self.width as isize) as usize;
        let to = (left + columns as isize).clamp(0, self.width as isize) as usize;
        if from >= to {
            return;
        }
        let mut before = Vec::new();
        let mut after = Vec::new();
        for (line, y) in out.chunks_exact_mut(columns).zip(top..) {
            let Some(y) = usize::try_from(y).ok().filter(|&y| y < self.height) else {
                continue;
            };
            let skipped = (from as isize - left) as usize;
            let line = &mut line[skipped..skipped + to - from];
            let complete = self.line(y, from, line);
            if self.light.cfa.is_some() {
                let beside = |y: Option<usize>, line: &mut Vec<f32>| {
                    line.clear();
                    line.resize(to - from, f32::NAN);
                    if let Some(y) = y.filter(|&y| y < self.height) {
                        self.line(y, from, line);
                    }
                };
                beside(y.checked_sub(1), &mut before);
                beside(Some(y + 1), &mut after);
                self.fill_green(y, from, line, &before, &after);
                fill(line);
            } else if !complete {
                fill(line);
            }
        }
    }

    /// A row above the background from column `left` on, NaN where the value is missing. True where
    /// none is.
    fn line(&self, y: usize, left: usize, out: &mut [f32]) -> bool {
        self.mesh.levels(y, left, out);
        let row = self.light.plane.row(y);
        let columns = left..left + out.len();
        match row.as_slice() {
            Some(row) => {
                let row = &row[columns.clone()];
                Level::widest().run(|| {
                    for (value, pixel) in out.iter_mut().zip(row) {
                        *value = pixel - *value;
                    }
                });
            }
            None => {
                for (value, x) in out.iter_mut().zip(columns.clone()) {
                    *value = row[x] - *value;
                }
            }
        }
        let mut missing = out.iter().any(|value| !value.is_finite());
        if let Some(flags) = self.light.mask {
            let flags = flags.row(y);
            for (value, flags) in out.iter_mut().zip(flags.iter().skip(left)) {
                if flags & FOREIGN != 0 {
                    *value = f32::NAN;
                    missing = true;
                }
            }
        }
        !missing
    }

    /// Puts the mean of the green neighbours on the other colours' places.
    fn fill_green(&self, y: usize, left: usize, line: &mut [f32], before: &[f32], after: &[f32]) {
        let first = usize::from(self.is_measured(left, y));
        for at in (first..line.len()).step_by(2) {
            let beside = [at.checked_sub(1), Some(at + 1)];
            let beside = beside.into_iter().flatten();
            let near = beside.filter_map(|at| line.get(at).copied());
            let near = near.chain([before[at], after[at]]);
            let (sum, count) = near
                .filter(|value| value.is_finite())
                .fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
            line[at] = sum / count;
        }
    }
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
