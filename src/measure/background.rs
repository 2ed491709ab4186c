//! Background and pixel noise of a calibrated light.
//!
//! The image is cut into square cells. In each, stars are clipped away and the mode is estimated
//! from median and mean. The cells make a [`Mesh`], smoothed by a median over neighbours; the
//! frame's figures are medians over it, so that neither a nebula nor a few crowded cells carry them
//! off. A product's header and the search for stars use the same cells.
//!
//! The mode estimate 2.5 median - 1.5 mean is Pearson's empirical relation as star photometry uses
//! it (Da Costa 1992, ASP Conf. Ser. 23, 90). Clipping at three standard deviations takes 1.3 % off
//! the noise of an empty field; wings of faint stars add a little.

use super::Mesh;
use crate::combine::{Clip, clip_groups};
use crate::facts::{Cfa, Colour};

/// Side of a cell, and rows of a band.
pub const BAND_ROWS: usize = 64;

/// Clipping limit in standard deviations.
const LIMIT: f64 = 3.0;

/// It settles after a few rounds; a limit keeps the time bounded.
const ROUNDS: u32 = 30;

/// About so many pixels are looked at.
const ENOUGH: usize = 1_500_000;

/// More would leave cells with too little.
const MOST_STEP: usize = 16;

/// Where mean and median lie further apart than this many standard deviations, too much is left in
/// the cell for the mode estimate, and the median is the safer one.
const SKEWED: f64 = 0.3;

/// Background and noise of one cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cell {
    /// Estimated mode.
    pub level: f64,
    /// Standard deviation of what clipping leaves.
    pub noise: f64,
}

/// Background of a frame, in the unit of its pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Background {
    /// Level: median over the cells.
    pub level: f64,
    /// Standard deviation from pixel to pixel: median over the cells.
    pub noise: f64,
}

/// Of an image of so many pixels one pair of rows in this many is looked at: every pair of a small
/// image; of a large one enough for about 250 pixels a cell, of which it has thousands.
pub fn row_step(width: usize, height: usize) -> usize {
    (width * height / ENOUGH).clamp(1, MOST_STEP)
}

/// The cells of one band from left to right: at most [`BAND_ROWS`] rows of `width` pixels, the first
/// at an even row of the image, one pair of rows in `step` looked at. With a colour filter array only
/// the green photosites enter. Pixels that are not finite never enter; a cell of which less than half
/// is left is none.
pub fn band(width: usize, rows: &[f32], cfa: Option<Cfa>, step: usize) -> Vec<Option<Cell>> {
    band_of(width, rows, cfa.map(|cfa| (cfa, Colour::Green)), step)
}

/// [`band`] of the photosites of one colour.
pub(super) fn band_of(
    width: usize,
    rows: &[f32],
    colour: Option<(Cfa, Colour)>,
    step: usize,
) -> Vec<Option<Cell>> {
    let mut samples = Vec::with_capacity(rows.len().div_ceil(step.max(1)));
    // How many of them are each cell's; none where too few are left of it.
    let mut counts = Vec::with_capacity(width.div_ceil(BAND_ROWS));
    for left in (0..width).step_by(BAND_ROWS) {
        let right = width.min(left + BAND_ROWS);
        let before = samples.len();
        let looked_at = |y: &usize| (y / 2).is_multiple_of(step.max(1));
        let rows = rows.chunks_exact(width).enumerate();
        for (y, row) in rows.filter(|(y, _)| looked_at(y)) {
            let own = &row[left..right];
            match colour {
                None => samples.extend_from_slice(own),
                Some((cfa, colour)) => {
                    let own = (left..).zip(own).filter(|&(x, _)| cfa.at(x, y) == colour);
                    samples.extend(own.map(|(_, value)| *value));
                }
            }
        }
        let wanted = samples.len() - before;
        if !samples[before..].iter().all(|value| value.is_finite()) {
            let finite = samples.split_off(before).into_iter();
            samples.extend(finite.filter(|value| value.is_finite()));
        }
        if 2 * (samples.len() - before) <= wanted {
            samples.truncate(before);
        }
        counts.push(samples.len() - before);
    }
    let mut rest = samples.as_mut_slice();
    let mut groups: Vec<&mut [f32]> = Vec::with_capacity(counts.len());
    for count in counts {
        let (group, others) = rest.split_at_mut(count);
        groups.push(group);
        rest = others;
    }
    let clips = clip_groups(&mut groups, LIMIT, ROUNDS);
    let cells = groups.iter().zip(clips);
    cells.map(|(sorted, clip)| cell(sorted, clip?)).collect()
}

/// Of a cell's samples and what clipping leaves of them.
fn cell(sorted: &[f32], clip: Clip) -> Option<Cell> {
    let median = untied_median(&sorted[clip.below..clip.below + clip.count])?;
    let level = if (clip.mean - median).abs() < SKEWED * clip.sd {
        2.5 * median - 1.5 * clip.mean
    } else {
        median
    };
    Some(Cell {
        level,
        noise: clip.sd,
    })
}

/// Median of sorted samples. Where the middle value occurs more than once the samples come in
/// steps, and the mode estimate would multiply the rounding of the median: then each stands for
/// the step around it, evenly filled, as in grouped data. The step is the smaller gap to the
/// next value on either side.
fn untied_median(sorted: &[f32]) -> Option<f64> {
    let value = *sorted.get(sorted.len() / 2)?;
    let below = sorted.partition_point(|&other| other < value);
    let upto = sorted.partition_point(|&other| other <= value);
    let middle = f64::from(value);
    if upto - below == 1 {
        let lower = f64::from(sorted[(sorted.len() - 1) / 2]);
        return Some((lower + middle) / 2.0);
    }
    let gap = |at: Option<usize>| Some((f64::from(*sorted.get(at?)?) - middle).abs());
    let gaps = gap(below.checked_sub(1)).into_iter().chain(gap(Some(upto)));
    let step = gaps.min_by(f64::total_cmp).unwrap_or(0.0);
    let into = (sorted.len() as f64 / 2.0 - below as f64) / (upto - below) as f64;
    Some(middle + step * (into - 0.5))
}

/// The background of all bands' cells, the first band first. Nothing without cells.
pub fn fold(bands: &[Vec<Option<Cell>>]) -> Option<Background> {
    Mesh::new(bands).map(|mesh| mesh.background())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn of(width: usize, pixels: &[f32], cfa: Option<Cfa>) -> Option<Background> {
        let bands: Vec<_> = pixels
            .chunks(width * BAND_ROWS)
            .map(|rows| band(width, rows, cfa, 1))
            .collect();
        fold(&bands)
    }

    #[test]
    fn nothing_comes_of_nothing() {
        assert_eq!(of(100, &[f32::NAN; 1000], None), None);
        assert_eq!(fold(&[]), None);
        let flat = of(3, &[5.0; 9], None).unwrap();
        assert_eq!((flat.level, flat.noise), (5.0, 0.0));
    }

    #[test]
    fn whole_numbers_do_not_round_the_level() {
        // A triangle of half width 8 around 100.3, in whole numbers.
        let mut state = 1u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 40) as f32 / (1u32 << 24) as f32
        };
        let pixels: Vec<f32> = (0..256 * 256)
            .map(|_| (100.3 + 8.0 * (uniform() - uniform())).round())
            .collect();
        let found = of(256, &pixels, None).unwrap();
        assert!((found.level - 100.3).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn medians_of_tied_samples() {
        assert_eq!(untied_median(&[]), None);
        assert_eq!(untied_median(&[7.0, 7.0]), Some(7.0));
        assert_eq!(untied_median(&[1.0, 2.0, 3.0, 9.0]), Some(2.5));
        // A third of the way into the step from 1.5 to 2.5.
        assert_eq!(
            untied_median(&[1.0, 1.0, 2.0, 2.0, 2.0, 3.0]),
            Some(1.5 + 1.0 / 3.0)
        );
        assert_eq!(untied_median(&[1.0, 2.0, 2.0, 9.0]), Some(2.0));
    }

    #[test]
    fn a_colour_sensor_is_measured_on_green() {
        let cfa = Cfa::parse("RGGB").unwrap();
        let pixels: Vec<f32> = (0..200 * 130)
            .map(|at| match cfa.at(at % 200, at / 200) {
                Colour::Red => 10.0,
                Colour::Green => 40.0,
                Colour::Blue => 90.0,
            })
            .collect();
        assert_eq!(of(200, &pixels, Some(cfa)).unwrap().level, 40.0);
    }
}
