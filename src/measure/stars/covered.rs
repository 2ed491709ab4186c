//! Which pixels stars and trails reach.

use super::deblend::Blob;
use super::moffat::Moffat;

/// A star reaches to where it falls below this part of the noise.
const FAINTEST: f64 = 0.2;

/// Saturated ones spill and scatter farther than any profile says.
const SPILL: f64 = 1.5;

/// A map of the pixels that show something else than background.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Covered {
    /// Columns from and to, by row, none overlapping.
    runs: Vec<(u32, u32)>,
    /// Where each row's runs begin, and the end of the last.
    rows: Vec<usize>,
}

impl Covered {
    pub(super) fn of(
        blobs: &[Blob],
        typical: &Moffat,
        noise: f64,
        (width, height): (usize, usize),
    ) -> Self {
        let mut lines: Vec<Vec<(u32, u32)>> = vec![Vec::new(); height];
        for star in blobs {
            let part = FAINTEST * noise / f64::from(star.peak).max(noise);
            let reach = typical.reach(part.max(1e-6));
            let reach = if star.is_saturated {
                SPILL * reach
            } else {
                reach
            };
            let (x, y) = (f64::from(star.x), f64::from(star.y));
            let from = (y - reach).ceil().max(0.0) as usize;
            let to = ((y + reach).floor().max(0.0) as usize + 1).min(height);
            for (row, line) in (from..to).zip(&mut lines[from.min(to)..to]) {
                let half = (reach * reach - (row as f64 - y).powi(2)).max(0.0).sqrt();
                let left = (x - half).ceil().max(0.0) as u32;
                let right = ((x + half).floor().max(0.0) as u32 + 1).min(width as u32);
                if left < right {
                    line.push((left, right));
                }
            }
        }
        Self::joined(lines)
    }

    fn joined(lines: Vec<Vec<(u32, u32)>>) -> Self {
        let mut all = Self {
            runs: Vec::new(),
            rows: vec![0],
        };
        for mut line in lines {
            line.sort_unstable();
            let first = all.runs.len();
            for (left, right) in line {
                match all.runs[first..].last_mut() {
                    Some(last) if last.1 >= left => last.1 = last.1.max(right),
                    _ => all.runs.push((left, right)),
                }
            }
            all.rows.push(all.runs.len());
        }
        all
    }

    /// The covered columns of a row, from left to right, each from the first to one past the last.
    pub fn row(&self, y: usize) -> &[(u32, u32)] {
        match self.rows.get(y..y + 2) {
            Some(&[from, to]) => &self.runs[from..to],
            _ => &[],
        }
    }

    /// Is this pixel covered?
    pub fn at(&self, x: usize, y: usize) -> bool {
        let row = self.row(y);
        let next = row.partition_point(|&(_, right)| right as usize <= x);
        row.get(next).is_some_and(|&(left, _)| left as usize <= x)
    }
}
