//! Which rows of a sensor's frames are read, and how they are cut into cells.

use std::ops::Range;

/// Rows of a band: a few, so that a pixel has neighbours; even, so that all have the same colours.
pub(super) const ROWS: usize = 8;

/// About so many pixels are read of a frame: they leave an error of 0.1 % on a variance.
const ENOUGH: usize = 1_500_000;

/// A cell has at least so many pixels, else it is as wide as the image,
const CELL: usize = 256;

/// and a band at most so many cells.
const ACROSS: usize = 32;

/// Bands of rows spread evenly over an image; of a small image all rows. Pixels of an exposure are
/// held band by band, row by row.
#[derive(Clone, Debug)]
pub struct Bands {
    width: usize,
    rows: Vec<(usize, usize)>,
}

impl Bands {
    /// Those of an image of this size.
    pub fn of(width: usize, height: usize) -> Self {
        let all = height.div_ceil(ROWS);
        let wanted = (ENOUGH / (ROWS * width.max(1))).clamp(ROWS, all.max(ROWS));
        let band = |first: usize| (first, ROWS.min(height - first));
        let rows = if wanted >= all {
            (0..all).map(|place| band(ROWS * place)).collect()
        } else {
            // The middles of as many equal parts, at even rows.
            let first = |place: usize| (2 * place + 1) * (height - ROWS) / (4 * wanted) * 2;
            (0..wanted).map(first).map(band).collect()
        };
        Self { width, rows }
    }

    /// Pixels of a row.
    pub fn width(&self) -> usize {
        self.width
    }

    /// First row and number of rows of each band.
    pub fn rows(&self) -> &[(usize, usize)] {
        &self.rows
    }

    /// Pixels of all bands together.
    pub fn pixels(&self) -> usize {
        self.rows.iter().map(|(_, count)| count * self.width).sum()
    }

    /// Number in the image and places among the pixels of every row.
    pub(super) fn each_row(&self) -> impl Iterator<Item = (usize, Range<usize>)> {
        let numbers = self
            .rows
            .iter()
            .flat_map(|&(first, count)| first..first + count);
        let width = self.width;
        numbers
            .enumerate()
            .map(move |(place, y)| (y, place * width..(place + 1) * width))
    }

    /// Cells of a band.
    pub(super) fn across(&self) -> usize {
        (ROWS * self.width / CELL).clamp(1, ACROSS)
    }

    /// Places of the pixels of every cell, as parts of rows. Cells lie band by band.
    pub(super) fn cells(&self) -> Vec<Vec<Range<usize>>> {
        let across = self.across();
        let mut cells = Vec::new();
        let mut begin = 0;
        for &(_, count) in &self.rows {
            for cell in 0..across {
                let (left, right) = (cell * self.width / across, (cell + 1) * self.width / across);
                let row = |row: usize| begin + row * self.width;
                cells.push((0..count).map(|y| row(y) + left..row(y) + right).collect());
            }
            begin += count * self.width;
        }
        cells
    }

    /// Places of the pixels around one, within its band.
    pub(super) fn around(&self, place: usize) -> impl Iterator<Item = usize> {
        let band = ROWS * self.width;
        let (first, inside) = (place / band * band, place % band);
        let end = (first + band).min(self.pixels());
        let (x, width) = ((inside % self.width) as isize, self.width as isize);
        let near = [-1, 0, 1];
        near.into_iter()
            .flat_map(move |dy| near.map(move |dx| (dx, dy)))
            .filter(move |&(dx, dy)| (dx, dy) != (0, 0) && (0..width).contains(&(x + dx)))
            .filter_map(move |(dx, dy)| place.checked_add_signed(dy * width + dx))
            .filter(move |other| (first..end).contains(other))
    }
}
