//! A plane in small blocks, each with its median, and what stands out of the large-scale level.

use ndarray::parallel::prelude::*;
use ndarray::{Array2, ArrayView2, Axis};

use crate::combine::median;
use crate::facts::{Cfa, Colour};

/// Blocks along a side of a small image, and the sides that a block may have.
const BLOCKS: usize = 80;
const SIDES: (usize, usize) = (8, 16);
/// About so many samples of a block are looked at.
const SAMPLES: usize = 64;
/// Blocks along the side of a tile, whose median is the large-scale level there: wider than a dust
/// shadow.
const TILE: usize = 12;

/// Medians of a plane's blocks: those of the green photosites of a colour sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct Map {
    /// Side of a block, pixels.
    pub(super) side: usize,
    /// One for each whole block, NaN where less than half of it is known.
    pub(super) blocks: Array2<f32>,
}

/// Maps a plane. Stars that fill less than half of a block do not show.
pub fn map(plane: ArrayView2<'_, f32>, cfa: Option<Cfa>) -> Map {
    let (height, width) = plane.dim();
    let side = (width.max(height) / BLOCKS).clamp(SIDES.0, SIDES.1) & !1;
    // Every second or third pair of rows is enough of a large block.
    let sites = side * side / if cfa.is_some() { 2 } else { 1 };
    let step = (sites / SAMPLES).max(1);
    let mut blocks = Array2::from_elem((height / side, width / side), f32::NAN);
    let rows = blocks.axis_iter_mut(Axis(0)).into_par_iter().enumerate();
    rows.for_each_init(Vec::new, |samples, (row, mut out)| {
        for (column, block) in out.iter_mut().enumerate() {
            samples.clear();
            let (top, left) = (row * side, column * side);
            let mut wanted = 0;
            for y in (top..top + side).filter(|y| ((y - top) / 2).is_multiple_of(step)) {
                for x in left..left + side {
                    if cfa.is_none_or(|cfa| cfa.at(x, y) == Colour::Green) {
                        wanted += 1;
                        let value = plane[[y, x]];
                        if value.is_finite() {
                            samples.push(f64::from(value));
                        }
                    }
                }
            }
            if 2 * samples.len() > wanted {
                *block = median(samples).map_or(f32::NAN, |median| median as f32);
            }
        }
    });
    Map { side, blocks }
}

impl Map {
    /// Every block in parts of the large-scale level around it, less 1. NaN where that is not above 0.
    pub(super) fn relief(&self) -> Array2<f32> {
        let tiles = self.tiles();
        let (rows, columns) = tiles.dim();
        Array2::from_shape_fn(self.blocks.dim(), |(y, x)| {
            // Bilinear between the middles of tiles, held beyond the outermost.
            let place = |at: usize, count: usize| {
                let at = (at as f32 + 0.5) / TILE as f32 - 0.5;
                let at = at.clamp(0.0, (count - 1) as f32);
                let below = (at as usize).min(count.saturating_sub(2));
                (below, (below + 1).min(count - 1), at - below as f32)
            };
            let (y0, y1, v) = place(y, rows);
            let (x0, x1, u) = place(x, columns);
            let along = |row: usize| tiles[[row, x0]] * (1.0 - u) + tiles[[row, x1]] * u;
            let level = along(y0) * (1.0 - v) + along(y1) * v;
            match level > 0.0 {
                true => self.blocks[[y, x]] / level - 1.0,
                false => f32::NAN,
            }
        })
    }

    /// Medians of tiles, each then the median of itself and its neighbours, so that a shadow that
    /// fills a tile does not become the level. The last tiles of a side are larger.
    fn tiles(&self) -> Array2<f32> {
        let (height, width) = self.blocks.dim();
        let count = |length: usize| (length / TILE).max(1);
        let (rows, columns) = (count(height), count(width));
        let part = |at: usize, count: usize, length: usize| {
            at * TILE..if at + 1 == count {
                length
            } else {
                (at + 1) * TILE
            }
        };
        let finite = |values: &mut dyn Iterator<Item = f32>| {
            let mut known: Vec<f64> = values.filter(|v| v.is_finite()).map(f64::from).collect();
            median(&mut known).map_or(f32::NAN, |median| median as f32)
        };
        let medians = Array2::from_shape_fn((rows, columns), |(row, column)| {
            let lines = part(row, rows, height);
            let mut all =
                lines.flat_map(|y| part(column, columns, width).map(move |x| self.blocks[[y, x]]));
            finite(&mut all)
        });
        // Around a median of tiles that lie on a slope the outermost would be pulled inwards: there
        // they stand for themselves.
        Array2::from_shape_fn((rows, columns), |(row, column)| {
            let inner = |at: usize, count: usize| at > 0 && at + 1 < count;
            if !inner(row, rows) || !inner(column, columns) {
                return medians[[row, column]];
            }
            let mut near = (row - 1..row + 2)
                .flat_map(|y| (column - 1..column + 2).map(move |x| (y, x)))
                .map(|at| medians[at]);
            finite(&mut near)
        })
    }
}
