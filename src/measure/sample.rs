//! A frame's subsample: which rows to read, and how they become a [`Sample`].

use super::piled::highest;
use crate::combine::{Clip, Counted, Level, clipped_sorted};
use crate::facts::{MESH, PlaneSample, Sample};

/// Samples by mesh cell and phase.
type Cells<T> = [[Vec<T>; 4]];

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
    let found = match whole(&cells) {
        Some(mut cells) => reduce(&mut cells, saturation),
        None => reduce(&mut cells, saturation),
    };
    Sample {
        highest: Some(highest(width, rows).map(f64::from)),
        ..found
    }
}

/// The same samples in 16 bits, where all are such.
fn whole(cells: &Cells<f32>) -> Option<Vec<[Vec<u16>; 4]>> {
    let all = cells.iter().flatten().all(|samples| {
        Level::widest().run(|| {
            let strays = |&sample: &f32| f32::from(sample as u16).to_bits() ^ sample.to_bits();
            samples.iter().fold(0, |any, sample| any | strays(sample)) == 0
        })
    });
    let whole = |samples: &Vec<f32>| samples.iter().map(|&sample| sample as u16).collect();
    all.then(|| {
        cells
            .iter()
            .map(|cell| cell.each_ref().map(whole))
            .collect()
    })
}

fn reduce<T: Measured>(cells: &mut Cells<T>, saturation: f64) -> Sample {
    let phases: [T::Phase; 4] = std::array::from_fn(|phase| {
        T::phase(
            cells
                .iter()
                .flat_map(|cell| &cell[phase])
                .copied()
                .collect(),
        )
    });
    let measured = phases.each_ref().map(|phase| T::plane(phase, saturation));
    let planes = std::array::from_fn(|phase| {
        // A phase that an image of one row or column does not have looks like another one.
        [phase, phase ^ 2, phase ^ 1, phase ^ 3]
            .into_iter()
            .find_map(|phase| measured[phase])
            .unwrap_or_default()
    });
    let step = T::step(&phases, saturation);
    Sample {
        mesh: mesh(cells, &planes, step),
        planes,
        step,
        saturation,
        highest: None,
    }
}

/// Samples that figures are worked out from.
trait Measured: Copy + PartialOrd + Into<f64> {
    /// All samples of a phase, arranged.
    type Phase;

    /// Arranges them.
    fn phase(samples: Vec<Self>) -> Self::Phase;

    /// What they say; nothing where there are none.
    fn plane(phase: &Self::Phase, saturation: f64) -> Option<PlaneSample>;

    /// Greatest common divisor of all phases' samples, where all are integers. Zeros say nothing, neither
    /// do saturated samples, whose value need not be a step.
    fn step(phases: &[Self::Phase; 4], saturation: f64) -> Option<u32>;

    /// The sample with so many before it in ascending order, of which there is one. Reorders them.
    fn at(samples: &mut [Self], rank: usize) -> Self;
}

/// 16-bit numbers are counted.
impl Measured for u16 {
    type Phase = Counted;

    fn phase(samples: Vec<Self>) -> Counted {
        Counted::of(&samples)
    }

    fn plane(phase: &Counted, saturation: f64) -> Option<PlaneSample> {
        let clip = phase.clipped(LIMIT, ROUNDS)?;
        Some(described(clip, phase.below(saturation), phase.count()))
    }

    fn step(phases: &[Counted; 4], saturation: f64) -> Option<u32> {
        let numbers = phases.iter().flat_map(Counted::numbers);
        let counted = numbers.filter(|&&number| f64::from(number) < saturation);
        common_step(counted.map(|&number| u32::from(number)))
    }

    /// Halves what it may be, each time with a look at all: a processor counts many at once.
    fn at(samples: &mut [Self], rank: usize) -> Self {
        let ends = samples.iter().fold([Self::MAX, 0], |[low, high], &sample| {
            [sample.min(low), sample.max(high)]
        });
        let [mut low, mut high] = ends;
        while low < high {
            let middle = low + (high - low) / 2;
            if up_to(samples, middle) > rank {
                high = middle;
            } else {
                low = middle + 1;
            }
        }
        low
    }
}

/// How many samples are at most `most`.
fn up_to(samples: &[u16], most: u16) -> usize {
    // In parts whose counts fit 16 bits, as the samples do.
    let parts = samples.chunks(1 << 15).map(|part| {
        Level::widest().run(|| {
            let count = part.iter().map(|&sample| u16::from(sample <= most));
            usize::from(count.sum::<u16>())
        })
    });
    parts.sum()
}

impl Measured for f32 {
    /// Ascending.
    type Phase = Vec<Self>;

    fn phase(mut samples: Vec<Self>) -> Vec<Self> {
        samples.sort_unstable_by(Self::total_cmp);
        samples
    }

    fn plane(sorted: &Vec<Self>, saturation: f64) -> Option<PlaneSample> {
        let clip = clipped_sorted(sorted, LIMIT, ROUNDS)?;
        let below = sorted.partition_point(|&value| f64::from(value) < saturation);
        Some(described(clip, below, sorted.len()))
    }

    fn step(phases: &[Vec<Self>; 4], saturation: f64) -> Option<u32> {
        let samples = || phases.iter().flatten();
        let is_whole = |value: &&Self| value.fract() == 0.0 && value.abs() < u32::MAX as Self;
        if !samples().all(|value| is_whole(&value)) {
            return None;
        }
        let counted = samples().filter(|&&value| f64::from(value) < saturation);
        // Whole and in range, so the cast keeps the value.
        common_step(counted.map(|value| value.abs() as u32))
    }

    fn at(samples: &mut [Self], rank: usize) -> Self {
        *samples.select_nth_unstable_by(rank, Self::total_cmp).1
    }
}

/// A phase of so many samples, of which so many are `below` saturation.
fn described(clip: Clip, below: usize, count: usize) -> PlaneSample {
    PlaneSample {
        level: clip.mean,
        spread: clip.sd,
        saturated: (count - below) as f64 / count as f64,
    }
}

fn mesh<T: Measured>(
    cells: &mut Cells<T>,
    planes: &[PlaneSample; 4],
    step: Option<u32>,
) -> Vec<f32> {
    let mean = planes.iter().map(|plane| plane.level).sum::<f64>() / 4.0;
    let coloured = planes
        .iter()
        .all(|plane| plane.level > plane.spread && plane.level > 0.0);
    let cell = |phases: &mut [Vec<T>; 4]| {
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
fn grouped_median<T: Measured>(samples: &mut [T], step: Option<u32>) -> Option<f64> {
    let count = samples.len();
    if count == 0 {
        return None;
    }
    let middle = T::at(samples, count / 2);
    let Some(step) = step.map(f64::from) else {
        let lower = match count % 2 {
            0 => T::at(samples, count / 2 - 1),
            _ => middle,
        };
        return Some((lower.into() + middle.into()) / 2.0);
    };
    let below = samples.iter().filter(|&&value| value < middle).count();
    let at = samples.iter().filter(|&&value| value == middle).count();
    let into = (count as f64 / 2.0 - below as f64) / at as f64;
    Some(middle.into() + step * (into - 0.5))
}

/// Greatest common divisor of numbers; nothing where all are zero.
fn common_step(numbers: impl Iterator<Item = u32>) -> Option<u32> {
    let common = |divisor: u32, number: u32| match number.is_multiple_of(divisor) {
        true => divisor,
        false => common(divisor, number),
    };
    Some(numbers.fold(0, common)).filter(|divisor| *divisor > 0)
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

    fn image(width: usize, height: usize, at: impl Fn(usize, usize) -> f32) -> Sample {
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
            let sample = image(1500, 1200, |x, y| (true_level + 3.0 * noise(x, y)).round());
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
        let sorts = [
            (0.0, 1.0, 90),
            (300.0, 4.0, 1),
            (65_500.0, 1.0, 500),
            (0.0, 0.0, 30),
        ];
        for (level, step, count) in sorts {
            let mut phase = || -> Vec<f32> {
                let value = |_| (level + step * (5.0 * dice.normal()).round()).clamp(0.0, 65_535.0);
                (0..count).map(value).map(|value| value as f32).collect()
            };
            let mut cells: Vec<[Vec<f32>; 4]> =
                (0..64).map(|_| std::array::from_fn(|_| phase())).collect();
            cells[5][2] = vec![65_535.0];
            cells[6][3].clear();
            let mut whole_ones = whole(&cells).unwrap();
            for saturation in [0.0, 310.5] {
                assert_eq!(
                    reduce(&mut whole_ones, saturation),
                    reduce(&mut cells, saturation)
                );
            }
            assert_eq!(
                reduce(&mut whole_ones, 65_535.0),
                reduce(&mut cells, 65_535.0),
                "{level}"
            );
            for other in [0.5, -1.0, -0.0, 65_536.0] {
                cells[63][3].push(other);
                assert_eq!(whole(&cells), None);
                cells[63][3].pop();
            }
        }
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
            // Negative ones wrap: both ends of 16 bits occur.
            let mut whole: Vec<u16> = samples.iter().map(|&sample| sample as i32 as u16).collect();
            let mut sorted = whole.clone();
            sorted.sort_unstable();
            for (rank, &sample) in sorted.iter().enumerate() {
                assert_eq!(u16::at(&mut whole, rank), sample);
            }
        }
        assert_eq!(grouped_median::<f32>(&mut [], Some(1)), None);
    }

    #[test]
    fn phases_are_told_apart_and_equalised_in_the_mesh() {
        let colour = [[8000.0, 20000.0], [19000.0, 11000.0]];
        let tilt = |x: usize| 1.0 + 0.2 * (x / 256) as f32;
        let sample = image(2048, 300, |x, y| colour[y % 2][x % 2] * tilt(x));
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
        let stepped = |step: f32| image(640, 480, |x, y| ((60.0 + noise(x, y)).round()) * step);
        assert_eq!(stepped(16.0).step, Some(16));
        assert_eq!(stepped(4.0).step, Some(4));
        assert_eq!(stepped(0.5).step, None);
        assert_eq!(image(64, 64, |_, _| 0.0).step, None);
        // A saturated pixel at 65535 does not hide it.
        let sample = image(640, 480, |x, y| {
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
        let sample = image(640, 480, |x, y| match (x % 4, y % 4) {
            (0, 0) => 65535.0,
            (1, 0) => f32::NAN,
            _ => 1000.0,
        });
        assert_eq!(sample.planes[0].saturated, 0.25);
        assert_eq!(sample.planes[1].saturated, 0.0);
        assert_eq!(sample.planes[1].level, 1000.0);
        assert_eq!(image(50, 40, |_, _| f32::NAN).level(), 0.0);
    }

    #[test]
    fn images_of_any_shape_have_finite_figures() {
        for (width, height) in [(1, 1), (1, 9), (9, 1), (2, 2), (3, 5), (1025, 3), (7, 131)] {
            let sample = image(width, height, |x, y| 100.0 + noise(x, y));
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
