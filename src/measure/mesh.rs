//! The background of a frame as a map: a mesh of cells, filtered and interpolated.
//!
//! Each node is the median of its cell and the eight around it, which takes out a cell that a bright
//! star or a trail has spoilt; at an edge only neighbours enter that have one opposite, so that a
//! slope stays a slope. Between the centres of cells the map is bilinear, beyond the outermost it
//! goes on level. Cells without a figure take their neighbours'.

use super::{BAND_ROWS, Background, Cell};
use crate::combine::median;

/// Pixels from a cell's centre to the next.
const STEPS: [f32; BAND_ROWS] = {
    let mut steps = [0.0; BAND_ROWS];
    let mut at = 0;
    while at < BAND_ROWS {
        steps[at] = at as f32;
        at += 1;
    }
    steps
};

/// Background and noise over a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Mesh {
    columns: usize,
    nodes: Vec<Cell>,
    middle: Cell,
}

impl Mesh {
    /// Of the cells of all bands, the first band first, each from left to right. Nothing where no
    /// cell has a figure.
    pub fn new(bands: &[Vec<Option<Cell>>]) -> Option<Self> {
        let columns = bands.first()?.len();
        let mut cells: Vec<Option<Cell>> = bands.iter().flatten().copied().collect();
        // Holes close from their rims, one ring at a time.
        while cells.iter().any(Option::is_none) {
            let filled: Vec<_> = (0..cells.len())
                .map(|at| cells[at].or_else(|| over(&near(&cells, columns, at, false))))
                .collect();
            if filled == cells {
                return None;
            }
            cells = filled;
        }
        let nodes = (0..cells.len()).map(|at| over(&near(&cells, columns, at, true)));
        let nodes = nodes.collect::<Option<Vec<_>>>()?;
        Some(Self {
            columns,
            middle: over(&nodes)?,
            nodes,
        })
    }

    /// The frame's figures: medians over the mesh.
    pub fn background(&self) -> Background {
        let Cell { level, noise } = self.middle;
        Background { level, noise }
    }

    /// Steepest change across a frame of this size: between the highest and the lowest corner of
    /// the plane that lies nearest to the mesh, in the unit of the pixels. Slopes are medians of
    /// the slopes between opposite nodes, so that a nebula does not tilt the plane.
    pub fn gradient(&self, width: usize, height: usize) -> f64 {
        let rows = self.rows();
        let level = |row: usize, column: usize| self.nodes[row * self.columns + column].level;
        // Nodes half a side apart: Theil's slope over a balanced design.
        let slope = |count: usize, lines: usize, at: &dyn Fn(usize, usize) -> f64| {
            let apart = count.div_ceil(2);
            let mut slopes: Vec<f64> = (0..lines)
                .flat_map(|line| (apart..count).map(move |far| (line, far)))
                .map(|(line, far)| (at(line, far) - at(line, far - apart)) / apart as f64)
                .collect();
            median(&mut slopes).unwrap_or(0.0) / BAND_ROWS as f64
        };
        let across = slope(self.columns, rows, &|row, column| level(row, column));
        let down = slope(rows, self.columns, &|column, row| level(row, column));
        across.abs() * width as f64 + down.abs() * height as f64
    }

    /// Level and noise at a pixel.
    pub fn at(&self, x: usize, y: usize) -> Cell {
        let (row, next_row, down) = between(y, self.rows());
        let (column, next_column, across) = between(x, self.columns);
        let node = |row: usize, column: usize| self.nodes[row * self.columns + column];
        let upper = mixed(node(row, column), node(row, next_column), across);
        let lower = mixed(node(next_row, column), node(next_row, next_column), across);
        mixed(upper, lower, down)
    }

    /// Levels of row `y` from column `left` on.
    pub fn levels(&self, y: usize, left: usize, out: &mut [f32]) {
        self.line(y, left, out, |cell| cell.level);
    }

    /// Noise along row `y` from column `left` on.
    pub fn noises(&self, y: usize, left: usize, out: &mut [f32]) {
        self.line(y, left, out, |cell| cell.noise);
    }

    /// The lowest noise of row `y`.
    pub fn lowest_noise(&self, y: usize) -> f32 {
        let (row, next, _) = between(y, self.rows());
        let nodes = |row: usize| &self.nodes[row * self.columns..(row + 1) * self.columns];
        let noises = nodes(row).iter().chain(nodes(next)).map(|cell| cell.noise);
        noises.fold(f64::INFINITY, f64::min) as f32
    }

    fn line(&self, y: usize, left: usize, out: &mut [f32], figure: fn(&Cell) -> f64) {
        let (row, next, down) = between(y, self.rows());
        let node = |column: usize| {
            let upper = figure(&self.nodes[row * self.columns + column]);
            let lower = figure(&self.nodes[next * self.columns + column]);
            upper + down * (lower - upper)
        };
        let mut x = left;
        let mut rest = out;
        while !rest.is_empty() {
            let (column, next, across) = between(x, self.columns);
            // As far as the next centre of a cell.
            let until = BAND_ROWS - (x + BAND_ROWS / 2) % BAND_ROWS;
            let (part, others) = rest.split_at_mut(until.min(rest.len()));
            let rise = (node(next) - node(column)) / BAND_ROWS as f64;
            let first = (node(column) + across * (node(next) - node(column))) as f32;
            for (value, step) in part.iter_mut().zip(&STEPS) {
                *value = first + rise as f32 * step;
            }
            x += part.len();
            rest = others;
        }
    }

    fn rows(&self) -> usize {
        self.nodes.len() / self.columns
    }
}

/// The nodes on both sides of a pixel and how far it lies from the first to the second.
fn between(pixel: usize, count: usize) -> (usize, usize, f64) {
    // A pixel's centre counts; the cell's centre lies between two pixels.
    let place = (pixel as f64 + 0.5) / BAND_ROWS as f64 - 0.5;
    let first = place.floor();
    let hold = |node: f64| node.clamp(0.0, (count - 1) as f64) as usize;
    (hold(first), hold(first + 1.0), place - first)
}

fn mixed(a: Cell, b: Cell, share: f64) -> Cell {
    Cell {
        level: a.level + share * (b.level - a.level),
        noise: a.noise + share * (b.noise - a.noise),
    }
}

/// A cell and those around it that have figures; where `paired`, only with their opposites.
fn near(cells: &[Option<Cell>], columns: usize, at: usize, paired: bool) -> Vec<Cell> {
    let (row, column) = (at / columns, at % columns);
    let cell = |down: usize, right: usize| {
        // Counted from one row above and one column to the left.
        let (row, column) = (
            (row + down).checked_sub(1)?,
            (column + right).checked_sub(1)?,
        );
        let inside = column < columns;
        inside.then(|| cells.get(row * columns + column).copied())??
    };
    (0..9)
        .map(|place| (place / 3, place % 3))
        .filter(|&(down, right)| !paired || cell(2 - down, 2 - right).is_some())
        .filter_map(|(down, right)| cell(down, right))
        .collect()
}

/// Medians over cells.
fn over(cells: &[Cell]) -> Option<Cell> {
    let of = |figure: fn(&Cell) -> f64| median(&mut cells.iter().map(figure).collect::<Vec<_>>());
    Some(Cell {
        level: of(|cell| cell.level)?,
        noise: of(|cell| cell.noise)?,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn plane(columns: usize, rows: usize) -> Vec<Vec<Option<Cell>>> {
        let cell = |row: usize, column: usize| Cell {
            level: 100.0 + 3.0 * column as f64 + 5.0 * row as f64,
            noise: 4.0,
        };
        (0..rows)
            .map(|row| (0..columns).map(|column| Some(cell(row, column))).collect())
            .collect()
    }

    #[test]
    fn lines_and_points_agree_and_follow_a_slope() {
        let mut bands = plane(7, 6);
        bands[2][3] = None;
        bands[4][4] = Some(Cell {
            level: 9e4,
            noise: 900.0,
        });
        let mesh = Mesh::new(&bands).unwrap();
        let width = 7 * BAND_ROWS - 11;
        for y in [0, 31, 32, 100, 6 * BAND_ROWS - 1] {
            let mut line = vec![0.0; width - 5];
            mesh.levels(y, 5, &mut line);
            for (x, value) in (5..width).zip(line) {
                assert!(
                    (f64::from(value) - mesh.at(x, y).level).abs() < 1e-3,
                    "{x} {y}"
                );
            }
        }
        let at = mesh.at(96, 96);
        assert!((at.level - 108.0).abs() < 0.2, "{at:?}");
        assert_eq!(mesh.background().noise, 4.0);
        let gradient = mesh.gradient(7 * BAND_ROWS, 6 * BAND_ROWS);
        assert!((gradient - (21.0 + 30.0)).abs() < 1.0, "{gradient}");
    }

    #[test]
    fn nothing_comes_of_empty_cells() {
        assert_eq!(Mesh::new(&[]), None);
        assert_eq!(Mesh::new(&[vec![None, None], vec![None, None]]), None);
        let one = Mesh::new(&[vec![None, None, plane(1, 1)[0][0]]]).unwrap();
        assert_eq!(one.at(0, 0).level, 100.0);
    }
}
