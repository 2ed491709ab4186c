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
    /// What stars with profiles of this kind reach, and strips between two places with half of
    /// their widths.
    pub(super) fn of(
        blobs: &[Blob],
        strips: &[([(f32, f32); 2], f32)],
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
        for &(ends, half) in strips {
            strip(
                &mut lines,
                ends.map(|(x, y)| (f64::from(x), f64::from(y))),
                f64::from(half),
                width,
            );
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

/// Adds the pixels of a strip between two places.
fn strip(lines: &mut [Vec<(u32, u32)>], ends: [(f64, f64); 2], half: f64, width: usize) {
    let [(x, y), (to_x, to_y)] = ends;
    let length = (to_x - x).hypot(to_y - y).max(1.0);
    let (dx, dy) = ((to_x - x) / length, (to_y - y) / length);
    let top = (y.min(to_y) - half).max(0.0) as usize;
    let bottom = ((y.max(to_y) + half).max(0.0) as usize).min(lines.len());
    for (row, line) in (top..).zip(&mut lines[top.min(bottom)..bottom]) {
        // Both pairs of sides: along = dx u + dy v, beside = dx v - dy u, u and v from the first end.
        let v = row as f64 - y;
        let (mut left, mut right) = (-half - length, half + length);
        for (slope, at, from, to) in [
            (dx, dy * v, -half, length + half),
            (-dy, dx * v, -half, half),
        ] {
            if slope.abs() > 1e-9 {
                let (a, b) = ((from - at) / slope, (to - at) / slope);
                (left, right) = (left.max(a.min(b)), right.min(a.max(b)));
            } else if at < from || at > to {
                right = f64::NEG_INFINITY;
            }
        }
        let left = (x + left).ceil().max(0.0) as u32;
        let right = ((x + right).floor().max(-1.0) + 1.0).min(width as f64) as u32;
        if left < right {
            line.push((left, right));
        }
    }
}
