//! Hot pixels of a dark or bias: those far above their neighbours of the same colour.
//!
//! How far that is follows from the noise of the finished plane. While the plane is made only the ends of
//! short stretches of its rows are noted, the lowest and the highest value ([`Survey`]); few stretches have a
//! pixel that can stand out, and only the rows around these are looked at afterwards.

use std::ops::Range;
use std::sync::OnceLock;

use ndarray::parallel::prelude::*;
use ndarray::{Array2, ArrayView2, Axis, s};

use super::blank::{contiguous, contiguous_mut};
use super::mask::HOT;
use super::pool::EACH;
use crate::combine::{Kernel, Level};

/// A hot pixel stands out by so many times the noise from pixel to pixel: noise never does.
const STANDS_OUT: f64 = 8.0;

/// Columns of a stretch: no fewer than neighbours are apart.
const STRETCH: usize = 64;

/// Rows of a band, whose hot pixels are looked for together.
const BAND: usize = 32;

/// Weights of lower neighbours and of those as bright, for which the sum is above 0 where at least
/// three quarters are lower: two hot pixels beside each other and a hot column are found. A clump of
/// four is not: neighbours from farther away would tell it, and would also flag the brim of a glow,
/// which is noisier than the frame.
const WEIGHTS: (i8, i8) = (2, -5);

/// Flags the hot pixels of a dark or bias whose noise from pixel to pixel is `noise` ADU. `colour`:
/// neighbours of the same colour are two pixels apart.
pub(super) fn flag_hot(
    plane: ArrayView2<'_, f32>,
    noise: f64,
    colour: bool,
    mask: &mut Array2<u8>,
) {
    let survey = Survey::new(plane.dim(), colour);
    let rows = plane.axis_chunks_iter(Axis(0), BAND).into_par_iter();
    rows.enumerate().for_each(|(band, rows)| {
        survey.note(band * BAND, contiguous(rows.to_slice()));
    });
    let masks = mask.axis_chunks_iter_mut(Axis(0), BAND).into_par_iter();
    masks.enumerate().for_each(|(place, mask)| {
        if let Some(band) = survey.band(place, noise) {
            let rows = plane.slice(s![band.rows.clone(), ..]);
            let flags = contiguous_mut(mask.into_slice());
            band.flag_hot(contiguous(rows.to_slice()), flags);
        }
    });
}

/// The ends of all stretches of a plane, noted as its rows are made.
pub(super) struct Survey {
    /// How far neighbours of one colour lie apart.
    apart: usize,
    width: usize,
    rows: Vec<OnceLock<Vec<Ends>>>,
}

/// The lowest and the highest value of a stretch that is a number.
type Ends = [f32; 2];

/// What a stretch has that holds no number.
const NONE: Ends = [f32::INFINITY, f32::NEG_INFINITY];

impl Survey {
    /// One of a plane of `(height, width)`. `colour`: neighbours of the same colour are two pixels apart.
    pub(super) fn new((height, width): (usize, usize), colour: bool) -> Self {
        Self {
            apart: if colour { 2 } else { 1 },
            width,
            rows: (0..height).map(|_| OnceLock::new()).collect(),
        }
    }

    /// Notes whole rows from row `first` on, each once, from any thread.
    pub(super) fn note(&self, first: usize, rows: &[f32]) {
        let rows = rows.chunks_exact(self.width.max(1));
        for (place, row) in self.rows[first..].iter().zip(rows) {
            place.get_or_init(|| Level::widest().run(EndsOf(row)));
        }
    }

    /// The bands in which a pixel may stand out of a plane of this noise, ADU. All rows are noted by now.
    pub(super) fn bands(&self, noise: f64) -> impl ParallelIterator<Item = Band<'_>> {
        let places = (0..self.rows.len().div_ceil(BAND)).into_par_iter();
        places
            .with_max_len(EACH)
            .filter_map(move |place| self.band(place, noise))
    }

    /// Band number `place`; nothing where no pixel of it can stand out.
    fn band(&self, place: usize, noise: f64) -> Option<Band<'_>> {
        let height = self.rows.len();
        let middle = place * BAND..height.min((place + 1) * BAND);
        let apart = self.apart;
        let band = Band {
            survey: self,
            // A plane without noise has steps of whole ADU.
            above: (STANDS_OUT * noise).max(1.0) as f32,
            rows: middle.start.saturating_sub(apart)..height.min(middle.end + apart),
            middle,
        };
        let any = band
            .middle
            .clone()
            .any(|y| band.stretches(y).next().is_some());
        any.then_some(band)
    }

    /// A row and those that its pixels' neighbours lie in.
    fn near(&self, y: usize) -> impl Iterator<Item = usize> {
        let near = [y.checked_sub(self.apart), Some(y), Some(y + self.apart)];
        let height = self.rows.len();
        near.into_iter()
            .flatten()
            .filter(move |&near| near < height)
    }

    fn ends(&self, y: usize) -> &[Ends] {
        debug_assert!(self.rows[y].get().is_some(), "row {y} was not noted");
        self.rows[y].get().map_or(&[], Vec::as_slice)
    }
}

/// Some rows of a plane, and those that their neighbours lie in.
pub(super) struct Band<'a> {
    survey: &'a Survey,
    /// By how much a hot pixel is above its neighbours, ADU.
    above: f32,
    /// All of them.
    pub(super) rows: Range<usize>,
    /// Those whose hot pixels are looked for.
    pub(super) middle: Range<usize>,
}

impl Band<'_> {
    /// The stretches of a row in which a pixel may stand out.
    fn stretches(&self, y: usize) -> impl Iterator<Item = usize> {
        let ends = self.survey.ends(y).iter().enumerate();
        ends.filter(move |&(place, &[_, highest])| {
            let around = place.saturating_sub(1)..place + 2;
            let near = self.survey.near(y).flat_map(|near| {
                let ends = self.survey.ends(near);
                &ends[around.start..around.end.min(ends.len())]
            });
            let lowest = near.fold(NONE[0], |least, &[low, _]| lesser(low, least));
            highest > lowest + self.above
        })
        .map(|(place, _)| place)
    }

    /// Flags the hot pixels of the rows in the middle, whose flags these are; `pixels` are those of all.
    pub(super) fn flag_hot(&self, pixels: &[f32], mask: &mut [u8]) {
        let Survey { width, apart, .. } = *self.survey;
        let line = |y: usize| {
            let first = (y - self.rows.start) * width;
            &pixels[first..first + width]
        };
        let mut scores = Vec::new();
        for (y, mask) in self.middle.clone().zip(mask.chunks_mut(width.max(1))) {
            for place in self.stretches(y) {
                let first = place * STRETCH;
                let columns = first..(first + STRETCH).min(width);
                let values = &line(y)[columns.clone()];
                scores.clear();
                scores.resize(values.len(), 0);
                for near in self.survey.near(y) {
                    let columns = columns.clone();
                    score(line(near), columns, values, self.above, apart, &mut scores);
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

/// Looks for the ends of a row's stretches.
struct EndsOf<'a>(&'a [f32]);

impl Kernel for EndsOf<'_> {
    type Output = Vec<Ends>;

    #[inline(always)]
    fn run(self) -> Vec<Ends> {
        let mut all = vec![NONE; self.0.len().div_ceil(STRETCH)];
        let (whole, rest) = self.0.as_chunks::<STRETCH>();
        for (found, values) in all.iter_mut().zip(whole) {
            *found = ends(values);
        }
        if let Some(last) = all.get_mut(whole.len()) {
            let mut values = [f32::NAN; STRETCH];
            values[..rest.len()].copy_from_slice(rest);
            *last = ends(&values);
        }
        all
    }
}

/// The ends of a whole stretch.
#[inline(always)]
fn ends(values: &[f32; STRETCH]) -> Ends {
    const LANES: usize = 16;
    let [mut low, mut high] = NONE.map(|none| [none; LANES]);
    for values in values.as_chunks::<LANES>().0 {
        for lane in 0..LANES {
            low[lane] = lesser(values[lane], low[lane]);
            high[lane] = greater(values[lane], high[lane]);
        }
    }
    // Halves against each other: side by side as long as there are several.
    let mut half = LANES / 2;
    while half > 0 {
        for lane in 0..half {
            low[lane] = lesser(low[lane + half], low[lane]);
            high[lane] = greater(high[lane + half], high[lane]);
        }
        half /= 2;
    }
    [low[0], high[0]]
}

/// The lesser of two; the second one where the first is no number.
#[inline(always)]
fn lesser(one: f32, other: f32) -> f32 {
    if one < other { one } else { other }
}

/// The greater of two; the second one where the first is no number.
#[inline(always)]
fn greater(one: f32, other: f32) -> f32 {
    if one > other { one } else { other }
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

#[cfg(test)]
mod tests {
    use super::*;

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
}
