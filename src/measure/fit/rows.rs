//! One pair of neighbouring rows: stars away, slow structure away, what is left regressed.

use super::Left;
use super::smooth::{STRETCH, high, trend};
use crate::combine::{MAD_TO_SD, mad, median};

/// Photosites of one colour over which what is smooth is taken off a dark.
const WINDOW: usize = 33;
/// A flat's dust shadows are wider than that, so its window is this part of a line: no narrower than a
/// dark's, and no wider than the widest. Sky and vignetting are as wide as the sensor, and a larger
/// part of a line would show their bends.
const PART: usize = 4;
const WIDEST: usize = 65;
/// A line needs so many usable photosites.
const FEWEST: usize = 33;
/// A star is where the mean of a few pixels but the highest stands out by so many of its standard
/// errors. Where it stands below that far is not used either, lest noise be cut on one side only.
const STAR: f64 = 5.0;
/// A star reaches so many pixels farther than it shows.
const AROUND: usize = 5;
/// What lies farther from the line than so many standard deviations is no part of it.
const CLIP: f64 = 5.0;
/// A pixel whose own structure is larger than so many standard deviations of the noise (it is hot)
/// counts for no more than one of that size, however hot it is.
const STRONG: f64 = 5.0;
/// Its own noise, in parts of its structure.
const OWN_NOISE: f64 = 0.1;
/// What is left is counted in the light's level around it, but in no lower one than this part of the
/// line's.
const LOWEST: f64 = 0.3;
/// Rounds of clipping.
const ROUNDS: usize = 4;
/// Columns of a block, over which neighbours may share noise.
const BLOCK: usize = 64;

/// What is left of a flat's structure in two neighbouring rows of a light.
///
/// `light` holds both rows after its dark or bias was taken off, before the flat, `halves` the same rows
/// of the two half masters, all `width` pixels each row. What is not to be used (saturated, flagged) is
/// NaN. `colour`: photosites of the same colour are two columns apart.
///
/// The slope is in parts of the flat's structure: 0 fits, negative over-corrects, positive under-corrects.
pub fn flat_left(width: usize, colour: bool, light: &[f32], halves: [&[f32]; 2]) -> Left {
    let divided = [0, 1].map(|half| {
        let pixels = light.iter().zip(halves[half]);
        let divided = pixels.map(|(light, flat)| match *flat > 0.0 {
            true => f64::from(*light) / f64::from(*flat),
            false => f64::NAN,
        });
        divided.collect::<Vec<f64>>()
    });
    let flats = halves.map(|half| half.iter().map(|&v| f64::from(v)).collect::<Vec<f64>>());
    left(width, colour, &divided, &flats, true)
}

/// What is left of a dark's structure in two neighbouring rows of a light.
///
/// `light` holds both rows of the raw light, without its overscan's level, `halves` the same rows of
/// the dark's two half masters, `bias` those of the bias'; without halves of it the same rows twice,
/// without a bias zeros, and then its fixed pattern makes the slope look smaller. `factor` is that of a
/// scaled dark, else 1. NaN and `colour` as for [`flat_left`].
///
/// The slope is in parts of the dark's signal: 0 fits, positive where the light has more of it.
pub fn dark_left(
    width: usize,
    colour: bool,
    light: &[f32],
    halves: [&[f32]; 2],
    bias: [&[f32]; 2],
    factor: f64,
) -> Left {
    let signal = [0, 1].map(|half| {
        let pixels = halves[half].iter().zip(bias[half]);
        let signal = pixels.map(|(dark, bias)| factor * (f64::from(*dark) - f64::from(*bias)));
        signal.collect::<Vec<f64>>()
    });
    let above = [0, 1].map(|half| {
        let pixels = light.iter().zip(&signal[half]).zip(bias[half]);
        let above =
            pixels.map(|((light, signal), bias)| f64::from(*light) - signal - f64::from(*bias));
        above.collect::<Vec<f64>>()
    });
    left(width, colour, &above, &signal, false)
}

/// `light[h]` is the light calibrated with half h, `master[h]` the structure of that half.
/// `relative`: the master multiplies the light, so what is left is in parts of the light's level.
fn left(
    width: usize,
    colour: bool,
    light: &[Vec<f64>; 2],
    master: &[Vec<f64>; 2],
    relative: bool,
) -> Left {
    let apart = if colour { 2 } else { 1 };
    let usable: Vec<bool> = (0..light[0].len())
        .map(|at| {
            let all = light.iter().chain(master);
            all.map(|values| values[at]).all(f64::is_finite)
        })
        .collect();
    let mean: Vec<f64> = light[0]
        .iter()
        .zip(&light[1])
        .map(|(a, b)| (a + b) / 2.0)
        .collect();
    let usable = without_stars(width, apart, &mean, usable);
    let mut sums = Left::default();
    let mut blocks = vec![[0.0; 4]; width.div_ceil(BLOCK)];
    for first in line_starts(width, apart, light[0].len()) {
        let line = Line {
            places: (first..first / width * width + width)
                .step_by(apart)
                .collect(),
            usable: &usable,
        };
        line.regress(width, light, master, relative, &mut blocks);
    }
    for [count, zy, zx, noise] in blocks {
        if count > 0.0 {
            sums.block(zy, zx, noise);
        }
    }
    sums
}

/// Where the lines of one colour begin: every row, and every colour in it.
fn line_starts(width: usize, apart: usize, pixels: usize) -> impl Iterator<Item = usize> {
    (0..pixels)
        .step_by(width.max(1))
        .flat_map(move |row| row..row + apart.min(width))
}

/// Pixels that are usable and not near a star. A single pixel that stands out, hot or struck, is none.
fn without_stars(width: usize, apart: usize, values: &[f64], mut usable: Vec<bool>) -> Vec<bool> {
    // Every pixel in units of the noise, above its surroundings.
    let mut above = vec![f64::NAN; values.len()];
    for first in line_starts(width, apart, values.len()) {
        let places: Vec<usize> = (first..first / width * width + width)
            .step_by(apart)
            .collect();
        let known: Vec<f64> = places
            .iter()
            .map(|&at| if usable[at] { values[at] } else { f64::NAN })
            .collect();
        let rest: Vec<f64> = (known.iter().zip(trend(&known)))
            .map(|(value, level)| value - level)
            .collect();
        for (places, rest) in places.chunks(STRETCH).zip(rest.chunks(STRETCH)) {
            let finite: Vec<f64> = rest.iter().copied().filter(|v| v.is_finite()).collect();
            let noise = mad(&finite, 0.0).unwrap_or(0.0) * MAD_TO_SD;
            for (&at, rest) in places.iter().zip(rest).filter(|_| noise > 0.0) {
                above[at] = rest / noise;
            }
        }
    }
    let mut star = vec![false; width];
    for (x, star) in star.iter_mut().enumerate() {
        let columns = x.saturating_sub(1)..(x + 2).min(width);
        let near = (0..values.len() / width.max(1)).flat_map(|y| {
            let row = y * width;
            above[row + columns.start..row + columns.end].iter()
        });
        let (mut sum, mut count, mut most) = (0.0, 0.0, [0.0_f64; 2]);
        for &value in near.filter(|value| value.is_finite()) {
            sum += value;
            count += 1.0;
            most = [most[0].max(value), most[1].max(-value)];
        }
        let error = f64::max(count - 1.0, 1.0).sqrt();
        *star = sum - most[0] > STAR * error || -sum - most[1] > STAR * error;
    }
    for x in (0..width).filter(|&x| star[x]) {
        for row in (0..usable.len()).step_by(width) {
            usable[row + x.saturating_sub(AROUND)..row + (x + AROUND + 1).min(width)].fill(false);
        }
    }
    usable
}

/// The photosites of one colour in one row.
struct Line<'a> {
    places: Vec<usize>,
    usable: &'a [bool],
}

impl Line<'_> {
    fn regress(
        &self,
        width: usize,
        light: &[Vec<f64>; 2],
        master: &[Vec<f64>; 2],
        relative: bool,
        blocks: &mut [[f64; 4]],
    ) {
        let used: Vec<bool> = self.places.iter().map(|&at| self.usable[at]).collect();
        // For each half what is left of the light, then the half's own structure.
        let values: Vec<[f64; 4]> = (self.places.iter())
            .map(|&at| [light[0][at], master[0][at], light[1][at], master[1][at]])
            .collect();
        let window = match relative {
            true => ((used.len() / PART) | 1).clamp(WINDOW, WIDEST),
            false => WINDOW,
        };
        let mut rest = high(&values, &used, window);
        if relative {
            for half in [0, 2] {
                let known: Vec<f64> = (values.iter().zip(&used))
                    .map(|(values, used)| if *used { values[half] } else { f64::NAN })
                    .collect();
                let mut finite: Vec<f64> =
                    known.iter().copied().filter(|v| v.is_finite()).collect();
                let Some(middle) = median(&mut finite).filter(|middle| *middle > 0.0) else {
                    return;
                };
                // In the unit of the flat: its own level there times what is left of the light's.
                let levels = trend(&known);
                if levels.iter().any(|level| level.is_nan()) {
                    return;
                }
                for (at, rest) in rest.iter_mut().enumerate() {
                    if let Some(rest) = rest {
                        let level = levels[at].max(LOWEST * middle);
                        rest[half] *= (values[at][half + 1] - rest[half + 1]) / level;
                    }
                }
            }
        }
        let known: Vec<usize> = (0..rest.len()).filter(|&at| rest[at].is_some()).collect();
        let pixels: Vec<[f64; 4]> = rest.into_iter().flatten().collect();
        let Some((slope, noise)) = robust(&pixels) else {
            return;
        };
        let weight = noise.powi(-2);
        for (&at, &pixel) in known.iter().zip(&pixels) {
            if is_outlier(pixel, slope, noise) {
                continue;
            }
            let [y_a, x_a, y_b, x_b] = pixel;
            let (z_a, z_b) = (tamed(x_a, noise), tamed(x_b, noise));
            let block = &mut blocks[self.places[at] % width / BLOCK];
            block[0] += 1.0;
            block[1] += weight * (z_b * y_a + z_a * y_b) / 2.0;
            block[2] += weight * (z_b * x_a + z_a * x_b) / 2.0;
            block[3] += weight * (z_b * x_a - z_a * x_b) / 2.0;
        }
    }
}

/// What a structure counts for: itself where it is small, no more than a bounded amount of its
/// product with the structure where it is not.
fn tamed(structure: f64, noise: f64) -> f64 {
    structure / (1.0 + (structure / (STRONG * noise)).powi(2))
}

fn is_outlier([y_a, x_a, y_b, x_b]: [f64; 4], slope: f64, noise: f64) -> bool {
    let (y, x) = ((y_a + y_b) / 2.0, (x_a + x_b) / 2.0);
    (y - slope * x).abs() > CLIP * noise.hypot(OWN_NOISE * x)
}

/// Slope and noise of pixels `[y A, x A, y B, x B]`, begun with the median of the ratios of those with
/// the most structure, so that struck pixels do not lead it astray.
fn robust(pixels: &[[f64; 4]]) -> Option<(f64, f64)> {
    let structure = |pixel: &[f64; 4]| (pixel[1] + pixel[3]).abs();
    let mut sizes: Vec<f64> = pixels.iter().map(structure).collect();
    let strong = pixels.len() / 20 + 1;
    if pixels.len() < FEWEST {
        return None;
    }
    let (_, &mut limit, _) = sizes.select_nth_unstable_by(pixels.len() - strong, f64::total_cmp);
    let strongest = pixels
        .iter()
        .filter(|&pixel| structure(pixel) >= limit && limit > 0.0);
    let ratios = strongest.map(|[y_a, x_a, y_b, x_b]| (y_a + y_b) / (x_a + x_b));
    let mut slope = median(&mut ratios.collect::<Vec<f64>>())?;
    let mut noise = 0.0;
    for _ in 0..ROUNDS {
        let away = pixels
            .iter()
            .map(|[y_a, x_a, y_b, x_b]| (y_a + y_b) / 2.0 - slope * (x_a + x_b) / 2.0);
        noise = MAD_TO_SD * mad(&away.collect::<Vec<f64>>(), 0.0)?;
        if noise <= 0.0 {
            return None;
        }
        let (mut zy, mut zx) = (0.0, 0.0);
        for &pixel in pixels
            .iter()
            .filter(|&&pixel| !is_outlier(pixel, slope, noise))
        {
            let [y_a, x_a, y_b, x_b] = pixel;
            let (z_a, z_b) = (tamed(x_a, noise), tamed(x_b, noise));
            zy += z_b * y_a + z_a * y_b;
            zx += z_b * x_a + z_a * x_b;
        }
        if zx > 0.0 {
            slope = (zy / zx).clamp(-3.0, 3.0);
        }
    }
    Some((slope, noise))
}
