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
use ndarray::{Array2, ArrayView2, Axis, s};

use super::blank::{contiguous, contiguous_mut};
use crate::combine::{Exposures, Level, combine};
pub(super) use crate::facts::mask::{DEAD, HOT, LOST, REPAIRED, SATURATED};
use crate::facts::{Card, Combining, InputCount, Value};

/// The name of the extension.
pub(super) const NAME: &str = "DLMASK";

/// A hot pixel stands out by so many times the noise from pixel to pixel: noise never does.
const STANDS_OUT: f64 = 8.0;

/// Columns that are looked through at once for any pixel that stands out: no fewer than neighbours are
/// apart.
const STRETCH: usize = 64;

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
    mask: &mut Array2<u8>,
) {
    bands(mask, colour).for_each(|(band, mask)| {
        let rows = plane.slice(s![band.rows.clone(), ..]);
        band.flag_hot(contiguous(rows.to_slice()), noise, mask);
    });
}

/// Rows of a plane whose hot pixels are looked for together.
const BAND: usize = 64;

/// The bands of a mask's plane, each with its part of the mask.
pub(super) fn bands(
    mask: &mut Array2<u8>,
    colour: bool,
) -> impl ParallelIterator<Item = (Band, &mut [u8])> {
    let height = mask.nrows();
    let bands = mask.axis_chunks_iter_mut(Axis(0), BAND).into_par_iter();
    bands.enumerate().map(move |(place, mask)| {
        let band = Band::of(place * BAND, mask.nrows(), height, colour);
        (band, contiguous_mut(mask.into_slice()))
    })
}

/// Some rows of a plane, and those that their neighbours lie in.
pub(super) struct Band {
    /// All of them, counted in the plane.
    pub(super) rows: Range<usize>,
    /// Those in the middle, counted in the band.
    middle: Range<usize>,
    /// How far neighbours of one colour lie apart.
    apart: usize,
}

impl Band {
    /// That of `count` rows from row `first` of so many.
    fn of(first: usize, count: usize, height: usize, colour: bool) -> Self {
        let apart = if colour { 2 } else { 1 };
        let rows = first.saturating_sub(apart)..(first + count + apart).min(height);
        let above = first - rows.start;
        Self {
            rows,
            middle: above..above + count,
            apart,
        }
    }

    /// The first row in the middle, counted in the plane.
    pub(super) fn first(&self) -> usize {
        self.rows.start + self.middle.start
    }

    /// Flags the hot pixels of the rows in the middle, whose flags these are; `pixels` are those of all.
    pub(super) fn flag_hot(&self, pixels: &[f32], noise: f64, mask: &mut [u8]) {
        // A plane without noise has steps of whole ADU.
        let above = (STANDS_OUT * noise).max(1.0) as f32;
        let (height, apart) = (self.rows.len(), self.apart);
        let width = pixels.len() / height.max(1);
        let line = |y: usize| &pixels[y * width..(y + 1) * width];
        let stretches = width.div_ceil(STRETCH);
        let ends: Vec<Ends> = (0..height)
            .flat_map(|y| line(y).chunks(STRETCH).map(ends))
            .collect();
        let ends_of = |y: usize| &ends[y * stretches..(y + 1) * stretches];
        let mut scores = Vec::new();
        for (y, mask) in self.middle.clone().zip(mask.chunks_mut(width.max(1))) {
            let near = [y.checked_sub(apart), Some(y), Some(y + apart)];
            let near = near.map(|near| near.filter(|&near| near < height));
            for (place, &[_, highest]) in ends_of(y).iter().enumerate() {
                let around = place.saturating_sub(1)..(place + 2).min(stretches);
                let lowest = near
                    .iter()
                    .flatten()
                    .flat_map(|&near| &ends_of(near)[around.clone()]);
                let lowest = lowest.fold(f32::INFINITY, |least, &[low, _]| least.min(low));
                if highest <= lowest + above {
                    continue;
                }
                let first = place * STRETCH;
                let columns = first..(first + STRETCH).min(width);
                let values = &line(y)[columns.clone()];
                scores.clear();
                scores.resize(values.len(), 0);
                for near in near.into_iter().flatten() {
                    score(
                        line(near),
                        columns.clone(),
                        values,
                        above,
                        apart,
                        &mut scores,
                    );
                }
                for ((flags, &score), value) in mask[columns].iter_mut().zip(&scores).zip(values) {
                    // It is its own neighbour, and as bright.
                    if score > WEIGHTS.1 && value.is_finite() {
                        *flags |= HOT;
                    }
                }
            }
        }
    }
}

/// The lowest and the highest value of a stretch.
type Ends = [f32; 2];

/// The lowest and the highest value that is a number.
fn ends(values: &[f32]) -> Ends {
    const LANES: usize = 32;
    Level::widest().run(|| {
        let mut low = [f32::INFINITY; LANES];
        let mut high = [f32::NEG_INFINITY; LANES];
        let (whole, rest) = values.as_chunks::<LANES>();
        let mut take = |values: &[f32]| {
            for ((low, high), &value) in low.iter_mut().zip(&mut high).zip(values) {
                *low = if value < *low { value } else { *low };
                *high = if value > *high { value } else { *high };
            }
        };
        whole.iter().for_each(|values| take(values));
        take(rest);
        // Halves against each other: side by side as long as there are several.
        let mut half = LANES / 2;
        while half > 0 {
            for lane in 0..half {
                low[lane] = low[lane].min(low[lane + half]);
                high[lane] = high[lane].max(high[lane + half]);
            }
            half /= 2;
        }
        [low[0], high[0]]
    })
}

/// Adds to the score of each of `columns`, whose `values` these are, the weights of a line's three pixels
/// around it: lower by `above`, or as bright. What is no number has none.
fn score(
    line: &[f32],
    columns: Range<usize>,
    values: &[f32],
    above: f32,
    apart: usize,
    scores: &mut [i8],
) {
    // The line against itself moved: slices of one length, which become vectors.
    let mut count = |others: &[f32], first: usize| {
        let pixels = scores[first..].iter_mut().zip(&values[first..]);
        Level::widest().run(|| {
            for ((score, value), other) in pixels.zip(others) {
                let (lower, peer) = (other + above < *value, other + above >= *value);
                *score += WEIGHTS.0 * i8::from(lower) + WEIGHTS.1 * i8::from(peer);
            }
        });
    };
    let (first, end) = (columns.start, columns.end);
    count(&line[columns], 0);
    // The first pixels of a row have none to the left.
    let without = apart.saturating_sub(first).min(values.len());
    if without < values.len() {
        count(&line[first + without - apart..end - apart], without);
    }
    count(
        &line[(first + apart).min(line.len())..(end + apart).min(line.len())],
        0,
    );
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

    use super::*;
    use crate::combine::{Stored, stored};

    fn hot(plane: &Array2<f32>, noise: f64, colour: bool) -> Vec<(usize, usize)> {
        let mut mask = Array2::zeros(plane.dim());
        flag_hot(plane.view(), noise, colour, &mut mask);
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
    fn a_look_at_all_pixels_finds_the_same() {
        let mut state = 1u64;
        let mut below = |end: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 33) % end
        };
        let mut found = 0;
        for round in 0..300 {
            let (height, width) = match round % 20 {
                0 => (60 + below(140) as usize, 1 + below(20) as usize),
                _ => (1 + below(7) as usize, 1 + below(200) as usize),
            };
            let rare = 2 + round % 60;
            let plane = Array2::from_shape_simple_fn((height, width), || match below(rare) {
                0 => [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 700.0, 4.0][below(5) as usize],
                _ => 500.0 + below(4) as f32,
            });
            for colour in [false, true] {
                let apart = if colour { 2 } else { 1 };
                let is_hot = |y: usize, x: usize| {
                    let value = plane[(y, x)];
                    let (mut lower, mut peers) = (0, 0);
                    for (dy, dx) in (0..9).map(|at| (at / 3 * apart, at % 3 * apart)) {
                        let place = (y + dy).checked_sub(apart).zip((x + dx).checked_sub(apart));
                        let other = place.filter(|place| *place != (y, x));
                        let Some(other) = other.and_then(|place| plane.get(place)) else {
                            continue;
                        };
                        lower += i32::from(other + 16.0 < value);
                        peers += i32::from(other + 16.0 >= value);
                    }
                    value.is_finite() && 2 * lower - 5 * peers > 0
                };
                let all = (0..height * width).map(|at| (at / width, at % width));
                let hot_ones: Vec<_> = all.filter(|&(y, x)| is_hot(y, x)).collect();
                found += hot_ones.len();
                assert_eq!(hot(&plane, 2.0, colour), hot_ones, "{plane}");
            }
        }
        assert!(found > 100);
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
            let rows: Vec<Vec<Stored>> = (0..5)
                .map(|row| {
                    let value = |x| stored(if lost.contains(&x) { 65_535 } else { 100 + row });
                    (0..width).map(value).collect()
                })
                .collect();
            let slices: Vec<&[Stored]> = rows.iter().map(Vec::as_slice).collect();
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
