//! The channel line: red or blue as a straight line over green.
//!
//! Each 2x2 cells of the array are a point: their mean red or blue over their mean green. (In a single
//! cell the colours' places differ by too much of a star's width.) Both axes are
//! counted in their own noise, so that noise is round and the line along which the points lie (their
//! principal axis) is not drawn towards one of them: total least squares (W. E. Deming 1943). Stars
//! have colours of their own; what lies off the line by more than stars do is weighed down (J. W. Tukey's
//! biweight). The background enters with as many cells as the stars: it fixes where the line passes.
//!
//! What is found here goes into products, to the last digit. So directions are kept as cosines and sines, and
//! nothing is taken but roots: of angles every system's library has last digits of its own.

use std::f64::consts::FRAC_1_SQRT_2;

use ndarray::ArrayView2;

use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::{Cfa, ChannelLine, Colour};

/// Pixels along the side of a binned cell.
const SIDE: usize = 4;
/// About so many of them are looked at.
const CELLS: usize = 500_000;
/// One belongs to a star where it stands out by so many standard deviations of noise.
const STAR: f64 = 6.0;
/// Along the side of a tile, over which the sky's own gradient is taken off.
const TILE: usize = 16;
/// Fewer cells of stars make no line.
const FEWEST: usize = 40;
/// The biweight's limit in standard deviations, for 95 % efficiency on normal samples.
const LIMIT: f64 = 4.685;
/// Rounds of weighing.
const ROUNDS: usize = 12;

/// Red's and blue's channel lines of a calibrated light, ADU. `flags`: cells with a flagged pixel do not
/// enter, saturated ones above all. A colour without enough stars has no line.
pub fn channel_lines(
    plane: ArrayView2<'_, f32>,
    flags: Option<ArrayView2<'_, u8>>,
    cfa: Cfa,
) -> Vec<ChannelLine> {
    let (height, width) = plane.dim();
    lines_of_cells(&colour_cells(0, plane, flags, height, cfa), width)
}

/// Red, green and blue of the binned cells of some rows, the first of which is row `first` of a light
/// of `height` rows; NaN where a cell has a flagged pixel. `first` is a multiple of four. The cells of
/// all rows, one after the other, are what [`lines_of_cells`] takes.
pub fn colour_cells(
    first: usize,
    rows: ArrayView2<'_, f32>,
    flags: Option<ArrayView2<'_, u8>>,
    height: usize,
    cfa: Cfa,
) -> Vec<[f64; 3]> {
    let columns = rows.ncols() / SIDE;
    let step = (height / SIDE * columns / CELLS).max(1);
    let cell = |top: usize, left: usize| {
        let mut colours = [0.0; 3];
        for (y, x) in (top..top + SIDE).flat_map(|y| (left..left + SIDE).map(move |x| (y, x))) {
            let (place, part) = match cfa.at(x, first + y) {
                Colour::Red => (0, 0.25),
                Colour::Green => (1, 0.5),
                Colour::Blue => (2, 0.25),
            };
            let flagged = flags.is_some_and(|flags| flags[[y, x]] != 0);
            let value = if flagged { f32::NAN } else { rows[[y, x]] };
            colours[place] += f64::from(value) / (part * (SIDE * SIDE) as f64);
        }
        colours
    };
    (0..rows.nrows() / SIDE)
        .filter(|row| (first / SIDE + row).is_multiple_of(step))
        .flat_map(|row| (0..columns).map(move |column| (SIDE * row, SIDE * column)))
        .map(|(top, left)| cell(top, left))
        .collect()
}

/// The channel lines of a light of `width` columns, by its binned cells.
pub fn lines_of_cells(cells: &[[f64; 3]], width: usize) -> Vec<ChannelLine> {
    let Some((cells, level)) = above_sky(cells, width / SIDE) else {
        return Vec::new();
    };
    let line = |(colour, at): (Colour, usize)| {
        let points: Vec<[f64; 2]> = cells.iter().map(|cell| [cell[1], cell[at]]).collect();
        let (slope, above) = fit(&points)?;
        let intercept_adu = level[at] + above - slope * level[1];
        Some(ChannelLine {
            colour,
            slope,
            intercept_adu,
        })
    };
    let colours = [(Colour::Red, 0), (Colour::Blue, 2)];
    colours.into_iter().filter_map(line).collect()
}

/// Cells above their surroundings, and the frame's level: medians over tiles.
fn above_sky(cells: &[[f64; 3]], columns: usize) -> Option<(Vec<[f64; 3]>, [f64; 3])> {
    let (mut all, mut levels) = (Vec::new(), Vec::new());
    for rows in cells.chunks(TILE * columns.max(1)) {
        for left in (0..columns).step_by(TILE) {
            let right = columns.min(left + TILE);
            let places = rows.chunks(columns).flat_map(|row| &row[left..right]);
            let known = |cell: &&[f64; 3]| cell.iter().all(|colour| colour.is_finite());
            let tile: Vec<[f64; 3]> = places.filter(known).copied().collect();
            if 2 * tile.len() > rows.len() / columns * (right - left) {
                let level = medians(&tile)?;
                all.extend(
                    tile.iter()
                        .map(|cell| [0, 1, 2].map(|at| cell[at] - level[at])),
                );
                levels.push(level);
            }
        }
    }
    Some((all, medians(&levels)?))
}

/// Median of each colour.
fn medians(cells: &[[f64; 3]]) -> Option<[f64; 3]> {
    let of = |at: usize| median(&mut cells.iter().map(|cell| cell[at]).collect::<Vec<f64>>());
    Some([of(0)?, of(1)?, of(2)?])
}

/// Noise of one axis, from neighbours' differences.
fn noise(points: &[[f64; 2]], at: usize) -> Option<f64> {
    let differences = points.windows(2).map(|pair| pair[1][at] - pair[0][at]);
    let noise = MAD_TO_SD * mad(&differences.collect::<Vec<f64>>(), 0.0)? * FRAC_1_SQRT_2;
    (noise > 0.0).then_some(noise)
}

/// Slope of the second over the first, and the second where the first is 0.
fn fit(points: &[[f64; 2]]) -> Option<(f64, f64)> {
    let (green, colour) = (noise(points, 0)?, noise(points, 1)?);
    let scaled = |point: &[f64; 2]| [point[0] / green, point[1] / colour];
    let is_star = |point: &[f64; 2]| FRAC_1_SQRT_2 * (point[0] + point[1]) > STAR;
    let (stars, sky): (Vec<_>, Vec<_>) = points.iter().map(scaled).partition(is_star);
    if stars.len() < FEWEST {
        return None;
    }
    let sky: Vec<[f64; 2]> = sky
        .iter()
        .copied()
        .step_by((sky.len() / stars.len()).max(1))
        .collect();
    // How far off the diagonal a star lies grows with its angle.
    let apart = |[x, y]: &[f64; 2]| (y - x) / (x + y);
    let apart = median(&mut stars.iter().map(apart).collect::<Vec<f64>>())?;
    let mut direction = unit([1.0 - apart, 1.0 + apart]);
    let mut offset = 0.0;
    for _ in 0..ROUNDS {
        let [cos, sin] = direction;
        let away = |[x, y]: &[f64; 2]| cos * y - sin * x - offset;
        let along = |[x, y]: &[f64; 2]| cos * x + sin * y;
        // Stars' own colours scatter in proportion to their light.
        let ratios: Vec<f64> = stars
            .iter()
            .map(|star| away(star) / along(star).max(STAR))
            .collect();
        let colours = MAD_TO_SD * mad(&ratios, 0.0)?;
        let weighed = |star: bool| {
            move |point: &[f64; 2]| {
                let spread = if star { colours * along(point) } else { 0.0 };
                let sd = (1.0 + spread * spread).sqrt();
                let far = (away(point) / (LIMIT * sd)).powi(2).min(1.0);
                ((1.0 - far).powi(2) / (sd * sd), *point)
            }
        };
        let all: Vec<(f64, [f64; 2])> = (stars.iter().map(weighed(true)))
            .chain(sky.iter().map(weighed(false)))
            .collect();
        (direction, offset) = principal(&all)?;
    }
    let [cos, sin] = direction;
    let slope = sin / cos * colour / green;
    let intercept = offset / cos * colour;
    (slope.is_finite() && intercept.is_finite()).then_some((slope, intercept))
}

/// Direction of the principal axis of weighted points, and its distance from the origin.
fn principal(points: &[(f64, [f64; 2])]) -> Option<([f64; 2], f64)> {
    let weights: f64 = points.iter().map(|(weight, _)| weight).sum();
    let mean =
        [0, 1].map(|at| points.iter().map(|(w, point)| w * point[at]).sum::<f64>() / weights);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (weight, [x, y]) in points {
        let (x, y) = (x - mean[0], y - mean[1]);
        xx += weight * x * x;
        xy += weight * x * y;
        yy += weight * y * y;
    }
    // Its angle is half that of (x, y); of the two ways to halve that, the one that cancels nothing.
    let (x, y) = (xx - yy, 2.0 * xy);
    let length = (x * x + y * y).sqrt();
    let [cos, sin] = unit(match x >= 0.0 {
        true => [length + x, y],
        false => [y.abs(), (length - x).copysign(y)],
    });
    (weights.is_normal() && length > 0.0).then_some(([cos, sin], cos * mean[1] - sin * mean[0]))
}

/// A direction as cosine and sine of its angle.
fn unit([x, y]: [f64; 2]) -> [f64; 2] {
    let length = (x * x + y * y).sqrt();
    [x / length, y / length]
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use ndarray::{Array2, Axis};

    use super::*;

    struct Dice(u64);

    impl Dice {
        fn uniform(&mut self) -> f64 {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((self.0 >> 12) as f64 + 0.5) / (1u64 << 52) as f64
        }

        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
        }
    }

    /// A sky of its own colour with a gradient, stars around a mean colour, some of them saturated.
    fn light(red: f64, blue: f64, saturated: bool) -> (Array2<f32>, Array2<u8>, Cfa) {
        let cfa = Cfa::parse("GRBG").unwrap();
        let (height, width) = (300, 400);
        let mut dice = Dice(5);
        let mut sky = Array2::from_shape_fn((height, width), |(y, x)| {
            let level = 1.0 + 0.1 * x as f64 / width as f64;
            level
                * match cfa.at(x, y) {
                    Colour::Red => 700.0,
                    Colour::Green => 900.0,
                    Colour::Blue => 400.0,
                }
        });
        for _ in 0..150 {
            let (sx, sy) = (
                dice.uniform() * width as f64,
                dice.uniform() * height as f64,
            );
            let peak = 150.0 * dice.uniform().powf(-0.8);
            let tint = 0.05 * dice.normal();
            for ((y, x), value) in sky.indexed_iter_mut() {
                let r2 = (x as f64 - sx).powi(2) + (y as f64 - sy).powi(2);
                if r2 < 200.0 {
                    *value += peak
                        * (-r2 / 6.0).exp()
                        * match cfa.at(x, y) {
                            Colour::Red => red * (1.0 + tint),
                            Colour::Green => 1.0,
                            Colour::Blue => blue * (1.0 - tint),
                        };
                }
            }
        }
        let top = if saturated { 4000.0 } else { f64::INFINITY };
        let flags = sky.mapv(|value| u8::from(value >= top));
        let plane = sky.mapv(|value| (value.min(top) + value.sqrt() * dice.normal()) as f32);
        (plane, flags, cfa)
    }

    #[test]
    fn slope_is_the_mean_colour_of_stars_and_the_line_meets_the_sky() {
        for (red, blue) in [(0.62, 0.85), (1.4, 0.5)] {
            let (plane, flags, cfa) = light(red, blue, true);
            let lines = channel_lines(plane.view(), Some(flags.view()), cfa);
            let wanted = [(Colour::Red, red, 735.0), (Colour::Blue, blue, 420.0)];
            assert_eq!(lines.len(), 2);
            for (line, (colour, slope, sky)) in lines.iter().zip(wanted) {
                assert_eq!(line.colour, colour);
                assert!(
                    (line.slope / slope - 1.0).abs() < 0.05,
                    "{line:?}, wanted {slope}"
                );
                let at_sky = line.slope * 945.0 + line.intercept_adu;
                assert!(
                    (at_sky - sky).abs() < 4.0,
                    "{line:?}: {at_sky}, wanted {sky}"
                );
            }
        }
    }

    #[test]
    fn the_principal_axis_is_found_whichever_way_it_points() {
        let axes = [[1.0, 0.0], [5.0, 1.0], [1.0, 1.0], [1.0, 5.0], [0.0, 1.0]];
        let falling = axes.map(|[x, y]| [x, -y]);
        for [x, y] in axes.into_iter().chain(falling) {
            let beside = [-0.1 * y, 0.1 * x];
            let around = [[x, y], [-x, -y], beside, beside.map(|part: f64| -part)];
            let points = around.map(|[x, y]| (2.0, [x + 3.0, y + 4.0]));
            let ([cos, sin], offset) = principal(&points).unwrap();
            let length = (x * x + y * y).sqrt();
            assert!(cos >= 0.0, "{x} {y}");
            assert!(
                (cos * y - sin * x).abs() < 1e-12 * length,
                "{x} {y}: {cos} {sin}"
            );
            assert!((cos * cos + sin * sin - 1.0).abs() < 1e-12, "{cos} {sin}");
            assert!((cos * 4.0 - sin * 3.0 - offset).abs() < 1e-12, "{offset}");
        }
        let round = [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]];
        assert_eq!(principal(&round.map(|point| (1.0, point))), None);
    }

    /// Saturated cores pull every colour towards one level.
    #[test]
    fn saturated_stars_without_flags_do_not_carry_the_line_off() {
        let (plane, flags, cfa) = light(0.62, 0.85, true);
        let with = channel_lines(plane.view(), Some(flags.view()), cfa);
        let without = channel_lines(plane.view(), None, cfa);
        for (with, without) in with.iter().zip(&without) {
            assert!(
                (with.slope / without.slope - 1.0).abs() < 0.03,
                "{with:?} {without:?}"
            );
        }
    }

    /// So a light's lines can be told while it is made.
    #[test]
    fn cells_of_strips_are_those_of_the_frame() {
        let (plane, flags, cfa) = light(0.62, 0.85, true);
        let whole = colour_cells(0, plane.view(), Some(flags.view()), 300, cfa);
        let strips = plane.axis_chunks_iter(Axis(0), 64);
        let strips = strips.zip(flags.axis_chunks_iter(Axis(0), 64)).enumerate();
        let parts = strips
            .flat_map(|(at, (rows, flags))| colour_cells(64 * at, rows, Some(flags), 300, cfa));
        let parts: Vec<[f64; 3]> = parts.collect();
        let bits = |cells: &[[f64; 3]]| -> Vec<[u64; 3]> {
            cells.iter().map(|cell| cell.map(f64::to_bits)).collect()
        };
        assert_eq!(bits(&parts), bits(&whole));
    }

    #[test]
    fn no_stars_no_line() {
        let cfa = Cfa::parse("RGGB").unwrap();
        let mut dice = Dice(9);
        let plane = Array2::from_shape_fn((100, 100), |_| (500.0 + 20.0 * dice.normal()) as f32);
        assert_eq!(channel_lines(plane.view(), None, cfa), []);
        assert_eq!(channel_lines(Array2::zeros((1, 1)).view(), None, cfa), []);
    }
}
