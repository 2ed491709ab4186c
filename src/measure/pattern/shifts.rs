//! Plain shifts, with and without the half turn of a meridian flip: what most lights of a night differ
//! by.
//!
//! Every star of one light and every star of the other make an offset. Stars that are the same all
//! make the same one, however many others there are.

use super::similarity::Similarity;
use super::{Field, Point};

/// Offsets are counted in so many cells along the longer side at most.
const CELLS: f64 = 128.0;

/// So many of the fullest cells are looked at, for each turn.
const FULLEST: usize = 3;

/// The shifts at which most stars of both lights fall together, up to half of the sides.
pub(super) fn shifts(field: &Field, reference: &[Point], other: &[Point]) -> Vec<Similarity> {
    let mut found = Vec::new();
    let reach = 2.0 * field.tolerance;
    let cell = reach.max(2.0 * field.half.0.max(field.half.1) / CELLS);
    let columns = (2.0 * field.half.0 / cell) as usize + 1;
    let rows = (2.0 * field.half.1 / cell) as usize + 1;
    for turn in [1.0, -1.0] {
        // Cell and offset.
        let mut offsets: Vec<(usize, f64, f64)> = Vec::new();
        let mut counts = vec![0u16; columns * rows];
        for one in reference {
            for two in other {
                let (x, y) = (two.x - turn * one.x, two.y - turn * one.y);
                if x.abs() < field.half.0 && y.abs() < field.half.1 {
                    let column = ((x + field.half.0) / cell) as usize;
                    let row = ((y + field.half.1) / cell) as usize;
                    counts[row * columns + column] += 1;
                    offsets.push((row * columns + column, x, y));
                }
            }
        }
        let mut full: Vec<usize> = (0..counts.len()).filter(|&at| counts[at] > 1).collect();
        full.sort_unstable_by_key(|&at| (std::cmp::Reverse(counts[at]), at));
        for &at in full.iter().take(FULLEST) {
            let inside: Vec<(f64, f64)> = offsets
                .iter()
                .filter(|offset| offset.0 == at)
                .map(|&(_, x, y)| (x, y))
                .collect();
            let near = |one: &(f64, f64)| {
                let near = |two: &&(f64, f64)| (two.0 - one.0).hypot(two.1 - one.1) < reach;
                inside.iter().filter(near).count()
            };
            let densest = inside.iter().max_by_key(|offset| near(offset));
            found.extend(densest.map(|&shift| Similarity::of_shift(turn, shift)));
        }
    }
    found
}
