//! A frame's subsample: which rows to read, and how they become a [`Sample`].

use crate::combine::{Clip, Summed, clipped_sorted};
use crate::facts::{MESH, PlaneSample, Sample};

/// Pairs of neighbouring rows to read: eight for each row of mesh cells.
const ROW_PAIRS: usize = 8 * MESH;

/// Pairs of neighbouring columns to look at in each row.
const COLUMN_PAIRS: usize = 64 * MESH;

/// Wide enough that a normal sample loses next to nothing (6 in 100 000, and 0.1 % of its standard
/// deviation), narrow enough for hot pixels.
const LIMIT: f64 = 4.0;

/// It settles after a few rounds; a limit keeps the time bounded.
const ROUNDS: u32 = 20;

/// Which rows of an image to read: `(first row, how many)`, pairs of neighbouring rows that begin
/// at an even row, spread evenly; every row of a small image. With the columns that [`sample`]
/// takes this makes at least 100 000 samples of any image that has them in 128 rows.
pub fn rows_to_sample(height: usize) -> Vec<(usize, usize)> {
    let mut rows: Vec<_> = spread_pairs(height, ROW_PAIRS)
        .map(|first| (first, 2.min(height - first)))
        .collect();
    rows.dedup();
    rows
}

/// About how many pixels a mesh cell of an image's sample is made of: its median errs by 1.25
/// standard deviations over the root of that.
pub fn samples_per_cell(width: usize, height: usize) -> f64 {
    let rows = height.min(2 * ROW_PAIRS);
    let columns = width.min(2 * COLUMN_PAIRS);
    (rows * columns) as f64 / (MESH * MESH) as f64
}

/// First members of at most `most` pairs of neighbours, spread evenly over `length`. Where all
/// pairs are taken the odd one left at the end is, too.
fn spread_pairs(length: usize, most: usize) -> impl Iterator<Item = usize> {
    let all = length.div_ceil(2);
    let whole = length / 2;
    let taken = if whole <= most { all } else { most };
    (0..taken).map(move |k| {
        if taken == all {
            2 * k
        } else {
            2 * ((2 * k + 1) * whole / (2 * taken))
        }
    })
}

/// Reduces rows of a frame to a [`Sample`].
///
/// `rows` holds runs of whole rows, each with the number of its first row: those of
/// [`rows_to_sample`], or any others that hit both odd and even rows. Pixels in ADU; those that
/// are not finite never enter. At and above `saturation` a sample counts as saturated; it still
/// enters level and spread.
///
/// A cell of the mesh holds the mean of its phases' medians, each phase first divided by its share
/// of the mean level where every level stands out of its spread (else there is no colour to speak
/// of). Medians of integer samples are those of grouped data, so that they are not quantised
/// themselves. Cells without a sample hold the frame's level; a frame without one is all zero.
pub fn sample(width: usize, height: usize, rows: &[(usize, &[f32])], saturation: f64) -> Sample {
    let room = samples_per_cell(width, height) as usize / 4;
    let phases = || std::array::from_fn(|_| Vec::with_capacity(room));
    let mut cells: Vec<[Vec<f32>; 4]> = std::iter::repeat_with(phases).take(MESH * MESH).collect();
    let columns: Vec<(usize, usize)> = spread_pairs(width, COLUMN_PAIRS)
        .map(|x| (x, x * MESH / width))
        .collect();
    for (first, run) in rows {
        for (y, row) in (*first..height).zip(run.chunks_exact(width.max(1))) {
            let cells = &mut cells[y * MESH / height * MESH..][..MESH];
            for &(x, column) in &columns {
                let pair = &row[x..width.min(x + 2)];
                for (value, phase) in pair.iter().zip(2 * (y % 2)..) {
                    if value.is_finite() {
                        cells[column][phase].push(*value);
                    }
                }
            }
        }
    }
    let step = step(cells.iter().flatten().flatten(), saturation);
    let measured: [Option<PlaneSample>; 4] = std::array::from_fn(|phase| {
        let samples: Vec<f32> = cells
            .iter()
            .flat_map(|cell| &cell[phase])
            .copied()
            .collect();
        plane(samples, saturation)
    });
    let planes = std::array::from_fn(|phase| {
        // A phase that an image of one row or column does not have looks like another one.
        [phase, phase ^ 2, phase ^ 1, phase ^ 3]
            .into_iter()
            .find_map(|phase| measured[phase])
            .unwrap_or_default()
    });
    let mesh = mesh(&mut cells, &planes, step);
    Sample {
        planes,
        mesh,
        step,
        saturation,
    }
}

/// What one phase's samples say.
fn plane(mut samples: Vec<f32>, saturation: f64) -> Option<PlaneSample> {
    match counts(&samples) {
        Some(mut counts) => {
            sort_by_counting(&mut counts);
            plane_of_sorted(&counts, saturation)
        }
        None => {
            samples.sort_unstable_by(f32::total_cmp);
            plane_of_sorted(&samples, saturation)
        }
    }
}

/// The same samples in 16 bits, where they are such.
fn counts(samples: &[f32]) -> Option<Vec<u16>> {
    let count = |&sample: &f32| {
        let count = sample as u16;
        (f32::from(count).to_bits() == sample.to_bits()).then_some(count)
    };
    samples.iter().map(count).collect()
}

/// Sorts numbers of which many are equal.
fn sort_by_counting(numbers: &mut [u16]) {
    let (Some(&least), Some(&most)) = (numbers.iter().min(), numbers.iter().max()) else {
        return;
    };
    let mut counts = vec![0; usize::from(most - least) + 1];
    for number in &*numbers {
        counts[usize::from(number - least)] += 1;
    }
    let mut rest = numbers;
    for (number, count) in (least..=most).zip(counts) {
        let (equal, others) = rest.split_at_mut(count);
        equal.fill(number);
        rest = others;
    }
}

fn plane_of_sorted<T: Summed>(sorted: &[T], saturation: f64) -> Option<PlaneSample> {
    let Clip { mean, sd, .. } = clipped_sorted(sorted, LIMIT, ROUNDS)?;
    let below = sorted.partition_point(|&value| value.into() < saturation);
    Some(PlaneSample {
        level: mean,
        spread: sd,
        saturated: (sorted.len() - below) as f64 / sorted.len() as f64,
    })
}

fn mesh(cells: &mut [[Vec<f32>; 4]], planes: &[PlaneSample; 4], step: Option<u32>) -> Vec<f32> {
    let mean = planes.iter().map(|plane| plane.level).sum::<f64>() / 4.0;
    let coloured = planes
        .iter()
        .all(|plane| plane.level > plane.spread && plane.level > 0.0);
    let cell = |phases: &mut [Vec<f32>; 4]| {
        let (mut sum, mut count) = (0.0, 0.0);
        for (samples, plane) in phases.iter_mut().zip(planes) {
            if let Some(median) = grouped_median(samples, step) {
                sum += if coloured {
                    median * mean / plane.level
                } else {
                    median
                };
                count += 1.0;
            }
        }
        if count > 0.0 { sum / count } else { mean }
    };
    cells.iter_mut().map(|phases| cell(phases) as f32).collect()
}

/// Median of samples, which are reordered. Where they come in steps each stands for the step around it,
/// evenly filled: the textbook median of grouped data, lower edge + step (n/2 - below) / (at).
fn grouped_median(samples: &mut [f32], step: Option<u32>) -> Option<f64> {
    let count = samples.len();
    if count == 0 {
        return None;
    }
    let (lower, &mut middle, _) = samples.select_nth_unstable_by(count / 2, f32::total_cmp);
    let Some(step) = step.map(f64::from) else {
        let lower = match count % 2 {
            0 => lower.iter().copied().max_by(f32::total_cmp)?,
            _ => middle,
        };
        return Some((f64::from(lower) + f64::from(middle)) / 2.0);
    };
    let below = samples.iter().filter(|&&value| value < middle).count();
    let at = samples.iter().filter(|&&value| value == middle).count();
    let into = (count as f64 / 2.0 - below as f64) / at as f64;
    Some(f64::from(middle) + step * (into - 0.5))
}

/// Greatest common divisor of the samples, where all are integers. Zeros say nothing, neither do
/// saturated samples, whose value need not be a step.
fn step<'a>(samples: impl Iterator<Item = &'a f32>, saturation: f64) -> Option<u32> {
    let mut divisor = 0u32;
    for &value in samples {
        if value.fract() != 0.0 || value.abs() >= u32::MAX as f32 {
            return None;
        }
        if f64::from(value) >= saturation {
            continue;
        }
        // Whole and in range, so the cast keeps the value.
        let value = value.abs() as u32;
        if !value.is_multiple_of(divisor) {
            divisor = common(divisor, value);
        }
    }
    (divisor > 0).then_some(divisor)
}

fn common(mut a: u32, mut b: u32) -> u32 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn whole(width: usize, height: usize, at: impl Fn(usize, usize) -> f32) -> Sample {
        let pixels: Vec<f32> = (0..width * height)
            .map(|i| at(i % width, i / width))
            .collect();
        let rows: Vec<(usize, &[f32])> = rows_to_sample(height)
            .into_iter()
            .map(|(first, count)| (first, &pixels[first * width..(first + count) * width]))
            .collect();
        sample(width, height, &rows, 65535.0)
    }

    /// Repeatable noise of about one standard deviation, from the pixel's place.
    fn noise(x: usize, y: usize) -> f32 {
        let mut z = (x as u64) << 32 | y as u64;
        let mut sum = 0.0;
        for _ in 0..12 {
            z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut h = z;
            h = (h ^ h >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            h = (h ^ h >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
            sum += ((h ^ h >> 31) >> 40) as f32 / (1u32 << 24) as f32;
        }
        sum - 6.0
    }

    #[test]
    fn rows_come_in_pairs_spread_evenly() {
        for height in [0, 1, 2, 3, 127, 128, 129, 130, 131, 200, 1000, 4176] {
            let rows = rows_to_sample(height);
            let mut next = 0;
            for &(first, count) in &rows {
                assert!(first >= next && first % 2 == 0, "{height}: {rows:?}");
                assert!(count == 2 || first + count == height);
                next = first + count;
            }
            assert!(next <= height);
            if height <= 129 {
                assert_eq!(rows.iter().map(|row| row.1).sum::<usize>(), height);
            } else {
                assert_eq!(rows.len(), 64);
                for band in 0..8 {
                    let inside = |row: &&(usize, usize)| row.0 * 8 / height == band;
                    let inside = rows.iter().filter(inside).count();
                    assert!(
                        (7..=9).contains(&inside),
                        "{height}: {inside} in band {band}"
                    );
                }
            }
        }
    }

    #[test]
    fn level_and_spread_are_not_quantised() {
        for true_level in [500.0, 500.2, 500.5, 500.73] {
            let sample = whole(1500, 1200, |x, y| (true_level + 3.0 * noise(x, y)).round());
            let spread = (9.0f64 + 1.0 / 12.0).sqrt();
            for plane in sample.planes {
                assert!(
                    (plane.level - f64::from(true_level)).abs() < 0.08,
                    "{plane:?}"
                );
                assert!((plane.spread / spread - 1.0).abs() < 0.02, "{plane:?}");
            }
            for cell in &sample.mesh {
                // Standard error of a median: 1.2533 sigma / sqrt(n).
                assert!((cell - true_level).abs() < 5.0 * 1.2533 * 3.0 / 2000f32.sqrt());
            }
            assert_eq!(sample.step, Some(1));
        }
    }

    /// Numbers of 16 bits go by a way of their own, which must say the same to the last bit.
    #[test]
    fn numbers_of_16_bits_say_what_others_say() {
        let mut dice = crate::measure::dice::Dice(16);
        for level in [0.0, 300.0, 65_500.0] {
            let mut counts: Vec<u16> = (0..5000)
                .map(|_| (level + 20.0 * dice.normal()).round() as u16)
                .collect();
            let samples: Vec<f32> = counts.iter().copied().map(f32::from).collect();
            let found = plane(samples.clone(), 65_535.0).unwrap();
            let mut sorted = samples.clone();
            sorted.sort_unstable_by(f32::total_cmp);
            assert_eq!(Some(found), plane_of_sorted(&sorted, 65_535.0), "{level}");
            sort_by_counting(&mut counts);
            assert!(counts.is_sorted() && counts.len() == samples.len());
            let mut others = samples;
            others.push(0.5);
            assert_eq!(super::counts(&others), None);
        }
        sort_by_counting(&mut []);
        assert_eq!(plane(Vec::new(), 65_535.0), None);
    }

    /// The definition, of sorted samples.
    #[test]
    fn medians_of_grouped_samples_are_those_of_sorted_ones() {
        let mut dice = crate::measure::dice::Dice(17);
        for count in (1..40).chain([500, 501]) {
            let mut samples: Vec<f32> = (0..count)
                .map(|_| (2.0 + dice.normal()).round() as f32)
                .collect();
            let mut sorted = samples.clone();
            sorted.sort_unstable_by(f32::total_cmp);
            let (lower, middle) = (sorted[(count - 1) / 2], sorted[count / 2]);
            let plain = (f64::from(lower) + f64::from(middle)) / 2.0;
            assert_eq!(grouped_median(&mut samples, None), Some(plain));
            let below = sorted.iter().position(|&value| value == middle).unwrap();
            let at = sorted.iter().filter(|&&value| value == middle).count();
            let into = (count as f64 / 2.0 - below as f64) / at as f64;
            let grouped = f64::from(middle) + (into - 0.5);
            assert_eq!(grouped_median(&mut samples, Some(1)), Some(grouped));
        }
        assert_eq!(grouped_median(&mut [], Some(1)), None);
    }

    #[test]
    fn phases_are_told_apart_and_equalised_in_the_mesh() {
        let colour = [[8000.0, 20000.0], [19000.0, 11000.0]];
        let tilt = |x: usize| 1.0 + 0.2 * (x / 256) as f32;
        let sample = whole(2048, 300, |x, y| colour[y % 2][x % 2] * tilt(x));
        let ratio = |a: usize, b: usize| sample.planes[a].level / sample.planes[b].level;
        assert!((ratio(1, 0) - 2.5).abs() < 1e-6 && (ratio(3, 2) - 11.0 / 19.0).abs() < 1e-6);
        let first = sample.mesh[0];
        for (at, cell) in sample.mesh.iter().enumerate() {
            let want = 1.0 + 0.2 * (at % 8) as f32;
            assert!((cell / first / want - 1.0).abs() < 1e-4, "cell {at}");
        }
        // The mesh is on the scale of the mean level.
        let mean: f32 = sample.mesh.iter().sum::<f32>() / 64.0;
        assert!((f64::from(mean) / sample.level() - 1.0).abs() < 1e-4);
    }

    #[test]
    fn the_step_of_the_converter_is_seen() {
        let stepped = |step: f32| whole(640, 480, |x, y| ((60.0 + noise(x, y)).round()) * step);
        assert_eq!(stepped(16.0).step, Some(16));
        assert_eq!(stepped(4.0).step, Some(4));
        assert_eq!(stepped(0.5).step, None);
        assert_eq!(whole(64, 64, |_, _| 0.0).step, None);
        // A saturated pixel at 65535 does not hide it.
        let sample = whole(640, 480, |x, y| {
            if (x, y) == (7, 7) {
                65535.0
            } else {
                16.0 * (x % 9) as f32
            }
        });
        assert_eq!(sample.step, Some(16));
    }

    #[test]
    fn saturation_and_undefined_pixels() {
        let sample = whole(640, 480, |x, y| match (x % 4, y % 4) {
            (0, 0) => 65535.0,
            (1, 0) => f32::NAN,
            _ => 1000.0,
        });
        assert_eq!(sample.planes[0].saturated, 0.25);
        assert_eq!(sample.planes[1].saturated, 0.0);
        assert_eq!(sample.planes[1].level, 1000.0);
        assert_eq!(whole(50, 40, |_, _| f32::NAN).level(), 0.0);
    }

    #[test]
    fn images_of_any_shape_have_finite_figures() {
        for (width, height) in [(1, 1), (1, 9), (9, 1), (2, 2), (3, 5), (1025, 3), (7, 131)] {
            let sample = whole(width, height, |x, y| 100.0 + noise(x, y));
            assert_eq!(sample.mesh.len(), 64);
            assert!(sample.mesh.iter().all(|cell| (*cell - 100.0).abs() < 6.0));
            assert!(
                sample
                    .planes
                    .iter()
                    .all(|plane| (plane.level - 100.0).abs() < 6.0)
            );
        }
        assert_eq!(sample(0, 0, &[], 65535.0).mesh.len(), 64);
    }
}
