//! Which pixels of a product are not what they seem, as bits in a plane of bytes called `DLMASK`.
//!
//! | bit | value | meaning |
//! |---|---|---|
//! | [`SATURATED`] | 1 | light: saturated in the raw frame |
//! | [`HOT`] | 2 | far above its neighbours of the same colour in the dark or bias |
//! | [`DEAD`] | 4 | without signal in the flat, where it counts as 1 |
//! | [`REPAIRED`] | 8 | light: hot or dead, and replaced from its neighbours |
//! | [`LOST`] | 16 | no exposure of a master was left for it: the median of all stands there |
//!
//! A master always has its mask; a light's is the sum of its masters' and its own.

use std::ops::Range;

use ndarray::parallel::prelude::*;
use ndarray::{ArrayView1, ArrayView2, ArrayViewMut2, Axis};

use super::master::contiguous;
use crate::combine::{Exposures, Level, combine};
pub(super) use crate::facts::mask::{DEAD, HOT, LOST, REPAIRED, SATURATED};
use crate::facts::{Card, Combining, InputCount, Value};

/// The name of the extension.
pub(super) const NAME: &str = "DLMASK";

/// A hot pixel stands out by so many times the noise from pixel to pixel: noise never does.
const STANDS_OUT: f64 = 8.0;

/// Weights of lower neighbours and of those as bright, for which the sum is above 0 where at least
/// three quarters are lower: two hot pixels beside each other and a hot column are found. A clump of
/// four is not: neighbours from farther away would tell it, and would also flag the brim of a glow,
/// which is noisier than the frame.
const WEIGHTS: (i8, i8) = (2, -5);

/// The cards of the extension.
pub(super) fn cards() -> Vec<Card> {
    let note = |text: &str| Card::new("COMMENT", Value::None, text);
    vec![
        Card::new("EXTNAME", Value::Text(NAME.to_owned()), "flagged pixels"),
        note("1 saturated, 2 hot, 4 dead in the flat, 8 repaired, 16 no exposure left"),
    ]
}

/// Flags the hot pixels of a dark or bias whose noise from pixel to pixel is `noise` ADU. `colour`:
/// neighbours of the same colour are two pixels apart.
pub(super) fn flag_hot(
    plane: ArrayView2<'_, f32>,
    noise: f64,
    colour: bool,
    mut mask: ArrayViewMut2<'_, u8>,
) {
    let apart = if colour { 2 } else { 1 };
    // A plane without noise has steps of whole ADU.
    let above = (STANDS_OUT * noise).max(1.0) as f32;
    let height = plane.nrows();
    let rows = mask.axis_iter_mut(Axis(0)).into_par_iter().enumerate();
    rows.for_each_init(Vec::new, |scores, (y, mut mask)| {
        let values = plane.row(y);
        scores.clear();
        scores.resize(values.len(), 0);
        let lines = [y.checked_sub(apart), Some(y), Some(y + apart)];
        for line in lines.into_iter().flatten().filter(|&line| line < height) {
            score(plane.row(line), values, above, apart, scores);
        }
        for ((flags, &score), value) in mask.iter_mut().zip(scores.iter()).zip(values) {
            // It is its own neighbour, and as bright.
            if score > WEIGHTS.1 && value.is_finite() {
                *flags |= HOT;
            }
        }
    });
}

/// Adds to each pixel's score the weights of a line's three pixels around its column: lower by `above`,
/// or as bright. What is no number has none.
fn score(
    line: ArrayView1<'_, f32>,
    values: ArrayView1<'_, f32>,
    above: f32,
    apart: usize,
    scores: &mut [i8],
) {
    let (line, values) = (contiguous(line.to_slice()), contiguous(values.to_slice()));
    let right = apart.min(line.len());
    let left = line.len() - right;
    // The line against itself moved: slices of one length, which become vectors.
    let mut count = |line: &[f32], columns: Range<usize>| {
        let pixels = scores[columns.clone()].iter_mut().zip(&values[columns]);
        Level::widest().run(|| {
            for ((score, value), other) in pixels.zip(line) {
                let (lower, peer) = (other + above < *value, other + above >= *value);
                *score += WEIGHTS.0 * i8::from(lower) + WEIGHTS.1 * i8::from(peer);
            }
        });
    };
    count(line, 0..line.len());
    count(&line[..left], right..line.len());
    count(&line[right..], 0..left);
}

/// Flags the `count` pixels of a stretch that no exposure was left for. `out` is what they were
/// combined to.
pub(super) fn flag_lost(
    method: &Combining,
    samples: Exposures<'_>,
    saturation: f64,
    out: &[f32],
    count: usize,
    mask: &mut [u8],
) {
    // Where all were saturated or no numbers, the median of all is no number below saturation.
    let low = |value: f32| f64::from(value) < saturation;
    if count == out.iter().filter(|value| !low(**value)).count() {
        for (flags, value) in mask.iter_mut().zip(out) {
            *flags |= if low(*value) { 0 } else { LOST };
        }
    } else {
        search_lost(method, samples, saturation, mask);
    }
}

/// The same where clipping left nothing, which shows only in the count: halves the stretch as long
/// as it has one.
fn search_lost(method: &Combining, samples: Exposures<'_>, saturation: f64, mask: &mut [u8]) {
    let mut out = vec![0.0; mask.len()];
    let mut rejected = vec![InputCount::default(); samples.count()];
    let found = combine(method, samples, saturation, &mut out, &mut rejected);
    if found.without_survivors == 0 {
        return;
    }
    if found.without_survivors == mask.len() {
        mask.iter_mut().for_each(|flags| *flags |= LOST);
        return;
    }
    let (left, right) = mask.split_at_mut(mask.len() / 2);
    let cut = left.len();
    match samples {
        Exposures::U16(rows) => {
            let (a, b): (Vec<_>, Vec<_>) = rows.iter().map(|row| row.split_at(cut)).unzip();
            search_lost(method, Exposures::U16(&a), saturation, left);
            search_lost(method, Exposures::U16(&b), saturation, right);
        }
        Exposures::F32(rows) => {
            let (a, b): (Vec<_>, Vec<_>) = rows.iter().map(|row| row.split_at(cut)).unzip();
            search_lost(method, Exposures::F32(&a), saturation, left);
            search_lost(method, Exposures::F32(&b), saturation, right);
        }
        Exposures::Scaled {
            samples: rows,
            levels,
        } => {
            let (a, b): (Vec<_>, Vec<_>) = rows.iter().map(|row| row.split_at(cut)).unzip();
            // Behind an odd cut even places become odd ones.
            let turned: Vec<[f64; 2]> = levels
                .iter()
                .map(|&[even, odd]| [[even, odd], [odd, even]][cut % 2])
                .collect();
            let scaled = |samples, levels| Exposures::Scaled { samples, levels };
            search_lost(method, scaled(&a, levels), saturation, left);
            search_lost(method, scaled(&b, &turned), saturation, right);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use ndarray::Array2;

    use super::*;

    fn hot(plane: &Array2<f32>, noise: f64, colour: bool) -> Vec<(usize, usize)> {
        let mut mask = Array2::zeros(plane.dim());
        flag_hot(plane.view(), noise, colour, mask.view_mut());
        let flagged = mask.indexed_iter().filter(|(_, flags)| **flags == HOT);
        flagged.map(|(place, _)| place).collect()
    }

    #[test]
    fn hot_pixels_stand_out_of_their_neighbours_not_of_the_frame() {
        // Glow of many times the noise, four hot pixels: two beside each other, one in a corner.
        let mut plane = Array2::from_shape_fn((40, 50), |(y, x)| {
            500.0 + ((x * 7 + y * 3) % 5) as f32 + 4.0 * (x + y) as f32
        });
        let places = [(0, 0), (12, 20), (12, 21), (39, 30)];
        for place in places {
            plane[place] += 100.0;
        }
        plane[(20, 20)] += 8.0;
        plane[(25, 25)] -= 300.0;
        plane[(30, 30)] = f32::NAN;
        assert_eq!(hot(&plane, 3.0, false), places);
    }

    #[test]
    fn columns_are_hot_and_smooth_bright_patches_are_not() {
        let column: Vec<_> = (0..24).map(|y| (y, 12)).collect();
        let mut plane = Array2::from_elem((24, 24), 500.0);
        column.iter().for_each(|&place| plane[place] = 600.0);
        assert_eq!(hot(&plane, 3.0, false), column);
        // The tip of a glow, and in a corner: its eight nearest are as bright.
        for tip in [12.0_f32, 0.0] {
            let glow = Array2::from_shape_fn((24, 24), |(y, x)| {
                500.0 - 15.0 * (x as f32 - tip).hypot(y as f32 - tip)
            });
            assert_eq!(hot(&glow, 3.0, false), []);
        }
    }

    #[test]
    fn what_is_no_number_is_nobody_s_neighbour() {
        let mut plane = Array2::from_elem((9, 9), f32::NAN);
        plane[(4, 4)] = 500.0;
        assert_eq!(hot(&plane, 3.0, false), [], "none to compare with");
        for place in [(3, 3), (3, 4), (4, 3), (5, 5)] {
            plane[place] = 501.0;
        }
        assert_eq!(hot(&plane, 3.0, false), [], "a normal pixel among NaN");
        plane[(4, 4)] = 600.0;
        assert_eq!(hot(&plane, 3.0, false), [(4, 4)]);
    }

    #[test]
    fn colours_have_neighbours_two_pixels_apart() {
        // Green a hundred times the level of the others would make every green pixel stand out.
        let mut plane =
            Array2::from_shape_fn(
                (20, 20),
                |(y, x)| {
                    if (x + y) % 2 == 0 { 1000.0 } else { 10.0 }
                },
            );
        assert_eq!(hot(&plane, 1.0, true), []);
        plane[(7, 8)] = 300.0;
        assert_eq!(hot(&plane, 1.0, true), [(7, 8)]);
        plane[(0, 1)] = 300.0;
        assert_eq!(hot(&plane, 1.0, true), [(0, 1), (7, 8)]);
    }

    #[test]
    fn pixels_without_a_survivor_are_found_one_by_one() {
        let width = 301;
        for lost in [
            vec![],
            vec![0],
            vec![300],
            vec![3, 4, 5, 77, 200],
            (0..width).collect(),
        ] {
            let rows: Vec<Vec<u16>> = (0..5)
                .map(|row| {
                    let value = |x| if lost.contains(&x) { 65_535 } else { 100 + row };
                    (0..width).map(value).collect()
                })
                .collect();
            let slices: Vec<&[u16]> = rows.iter().map(Vec::as_slice).collect();
            let samples = Exposures::U16(&slices);
            let (mut out, mut rejected) = (vec![0.0; width], vec![InputCount::default(); 5]);
            let method = Combining::Mean;
            let count = combine(&method, samples, 65_535.0, &mut out, &mut rejected);
            let (mut mask, mut searched) = (vec![0; width], vec![0; width]);
            let count = count.without_survivors;
            flag_lost(&method, samples, 65_535.0, &out, count, &mut mask);
            search_lost(&method, samples, 65_535.0, &mut searched);
            assert_eq!(mask, searched);
            let found: Vec<usize> = (0..width).filter(|&x| mask[x] == LOST).collect();
            assert_eq!(found, lost);
        }
    }
}
