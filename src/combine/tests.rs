#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::facts::{Pedestal, SensorNoise};
use form::MOST_EXPOSURES;

/// A small generator with a fixed seed (Marsaglia's xorshift64*).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Sum of twelve: near enough to normal here.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn methods() -> Vec<Combining> {
    let clip = |low, high, iterations, median_centre| Combining::SigmaClip {
        low,
        high,
        iterations,
        median_centre,
    };
    vec![
        Combining::Mean,
        Combining::Median,
        clip(3.0, 3.0, 100, true),
        clip(3.0, 3.0, 100, false),
        clip(4.0, 3.0, 5, true),
        clip(3.0, 2.5, 1, true),
        clip(2.0, 2.0, 100, true),
        clip(1.0, 1.0, 3, false),
        clip(0.5, 3.0, 100, true),
        clip(0.5, 0.5, 100, true),
        clip(3.0, 3.0, 0, true),
    ]
}

/// [`combine`] at every level that this machine has.
fn levels() -> impl Iterator<Item = (Level, impl Form)> {
    Level::here().map(|level| {
        let form = move |method: &Combining,
                         exposures: Exposures<'_>,
                         saturation: f64,
                         out: &mut [f32],
                         rejected: &mut [InputCount]| {
            combine_at(level, method, exposures, saturation, out, rejected)
        };
        (level, form)
    })
}

trait Form: Fn(&Combining, Exposures<'_>, f64, &mut [f32], &mut [InputCount]) -> Combined {}

impl<F> Form for F where
    F: Fn(&Combining, Exposures<'_>, f64, &mut [f32], &mut [InputCount]) -> Combined
{
}

fn sensor(pedestal: Pedestal) -> SensorNoise {
    SensorNoise {
        read_noise_adu: 9.0,
        electrons_per_adu: 0.8,
        pedestal,
    }
}

/// The methods that drop a number or a range of the sorted samples at once.
fn ranked_methods() -> Vec<Combining> {
    let winsorized = |low, high| Combining::Winsorized { low, high };
    let esd = |alpha, max_outliers| Combining::GeneralizedEsd {
        alpha,
        max_outliers,
    };
    let trimmed = |low, high| Combining::Trimmed { low, high };
    let model = |low, high, pedestal| Combining::NoiseModel {
        low,
        high,
        sensor: sensor(pedestal),
    };
    vec![
        winsorized(4.0, 3.0),
        winsorized(2.0, 2.0),
        winsorized(0.5, 1.0),
        esd(0.05, 5),
        esd(0.3, 3),
        esd(0.01, 1),
        esd(0.5, 40),
        trimmed(0, 0),
        trimmed(1, 2),
        trimmed(0, 3),
        trimmed(30, 1000),
        model(4.0, 3.0, Pedestal::Level(450.0)),
        model(1.0, 0.5, Pedestal::Whole),
    ]
}

fn run(
    form: impl Fn(&Combining, Exposures<'_>, f64, &mut [f32], &mut [InputCount]) -> Combined,
    method: &Combining,
    exposures: Exposures<'_>,
    count: usize,
    width: usize,
    saturation: f64,
) -> (Vec<u32>, Vec<InputCount>, Combined) {
    let mut out = vec![-1.0; width];
    let mut rejected = vec![InputCount::default(); count];
    let seen = form(method, exposures, saturation, &mut out, &mut rejected);
    (out.iter().map(|x| x.to_bits()).collect(), rejected, seen)
}

/// Pixel values of several sorts: noise, noise with outliers, few distinct values, constants,
/// the whole range, the ends of the range.
fn pixel(dice: &mut Dice, sort: u64) -> f64 {
    match sort % 6 {
        0 => 500.0 + 10.0 * dice.normal(),
        1 if dice.uniform() < 0.05 => 65535.0 * dice.uniform(),
        1 => 30500.0 + 20.0 * dice.normal(),
        2 => 1000.0 + (dice.next() % 3) as f64,
        3 => 777.0,
        4 => (dice.next() % 65536) as f64,
        _ => [0.0, 65535.0, 32767.0, 32768.0][(dice.next() % 4) as usize],
    }
}

#[test]
fn fast_integer_form_yields_the_bits_of_the_specification() {
    let mut dice = Dice(11);
    for count in (1..=41).chain([64, 65, 99, 100]) {
        for width in [1, 63, 128, 300] {
            let sorts: Vec<u64> = (0..width).map(|_| dice.next()).collect();
            let data: Vec<Vec<u16>> = (0..count)
                .map(|_| {
                    let value = |&sort: &u64| pixel(&mut dice, sort).clamp(0.0, 65535.0) as u16;
                    sorts.iter().map(value).collect()
                })
                .collect();
            let saturations = [65535.0, 1e9, f64::NAN, 40000.5, 0.0];
            as_specified(&data, &all_methods(), &saturations);
        }
    }
}

/// What a camera gives: noise about a level, few samples far away from it, few levels that saturate.
#[test]
fn noise_of_a_camera_yields_the_bits_of_the_specification() {
    let mut dice = Dice(15);
    for count in [
        2, 3, 4, 5, 7, 8, 9, 15, 16, 17, 40, 100, 128, 129, 256, 257, 300,
    ] {
        for sigma in [0.3, 6.0, 40.0, 80.0] {
            let levels: Vec<f64> = (0..200)
                .map(|_| 300.0 + 3000.0 * dice.uniform() * dice.uniform())
                .map(|level| if level > 2900.0 { 65535.0 } else { level })
                .collect();
            let mut sample = |level: f64| match dice.next() % 2000 {
                0 => 65535.0,
                1 => 0.0,
                _ => (level + sigma * dice.normal()).round().clamp(0.0, 65535.0),
            };
            let mut row = || levels.iter().map(|&level| sample(level) as u16).collect();
            let data: Vec<Vec<u16>> = (0..count).map(|_| row()).collect();
            as_specified(&data, &all_methods(), &[65535.0, 1000.0]);
        }
    }
}

/// Distances that just are, and just are not, near enough for 16 bits, and as many lanes of those as just
/// are, and just are not, too many.
#[test]
fn the_ends_of_what_is_near_yield_the_bits_of_the_specification() {
    for count in [3, 8, 41, 130] {
        for (far, distance) in [(128, 255), (16, 256), (17, 256)] {
            let sample = |row: usize, lane: usize| match (row * 7 + lane) % 5 {
                0 => 1000,
                1 if lane < far => 1000 + distance,
                2 if lane < far => 1000 - distance,
                _ => 1000 + (row * 31 + lane * 17) as u16 % 256,
            };
            let data: Vec<Vec<u16>> = (0..count)
                .map(|row| (0..128).map(|lane| sample(row, lane)).collect())
                .collect();
            as_specified(&data, &all_methods(), &[65535.0]);
        }
    }
    // As many as go through side by side at all. The first two lie at either end, the reference midway.
    let ends = |row: u32, lane: u32| match row {
        0 | 1 => 32768 - 255 + 510 * row as u16,
        _ => 32768 - 255 + 510 * ((row * (lane + 3)) % 7 % 2) as u16,
    };
    let row = |row| (0..128).map(|lane| ends(row, lane)).collect();
    let data: Vec<Vec<u16>> = (0..MOST_EXPOSURES as u32).map(row).collect();
    as_specified(&data, &looking_methods(), &[65535.0]);
}

/// Distances from the first two exposures, which are the same, at the ends of what 16 bits hold.
#[test]
fn the_ends_of_a_distance_yield_the_bits_of_the_specification() {
    for count in [3, 40, 130] {
        for distance in [255, 256, 30_000, 32_767, 32_768] {
            for level in [0, 32_768, 65_535] {
                let value = |row: usize, lane: usize| -> i32 {
                    match (row, (row * 7 + lane) % 9) {
                        (0 | 1, _) => level,
                        (_, 0) if lane.is_multiple_of(9) => level + distance,
                        (_, 1) if lane.is_multiple_of(10) => level - distance,
                        (_, place) => level + place as i32 - 4,
                    }
                };
                let sample = |row, lane| value(row, lane).clamp(0, 65_535) as u16;
                let row = |row| (0..256).map(|lane| sample(row, lane)).collect();
                let data: Vec<Vec<u16>> = (0..count).map(row).collect();
                as_specified(&data, &looking_methods(), &[65_535.0, 1e9]);
            }
        }
    }
}

/// What was found in a chunk is tried for the next: noise that grows and shrinks from chunk to chunk.
#[test]
fn chunks_unlike_the_ones_before_yield_the_bits_of_the_specification() {
    let mut dice = Dice(19);
    let sigmas = [
        0.0, 0.3, 60.0, 0.3, 15.0, 300.0, 300.0, 3.0, 300.0, 3.0, 3.0, 12.0,
    ];
    let width = 128 * sigmas.len() + 5;
    for count in [1, 2, 3, 40, 129, 300] {
        let mut sample = |lane: usize| {
            let sigma = sigmas[(lane / 128).min(sigmas.len() - 1)];
            match dice.next() % 3000 {
                0 => 65_535,
                _ => (500.0 + sigma * dice.normal()).round().clamp(0.0, 65_535.0) as u16,
            }
        };
        let data: Vec<Vec<u16>> = (0..count)
            .map(|_| (0..width).map(&mut sample).collect())
            .collect();
        as_specified(&data, &looking_methods(), &[65_535.0]);
    }
}

/// Samples that are no normal noise: levels far apart, a long tail to one side, few steps, outliers that hide each
/// other. What is told of such lanes without sorting them must hold as well.
#[test]
fn samples_of_any_shape_yield_the_bits_of_the_specification() {
    let mut dice = Dice(23);
    for count in (4..=13).chain([20, 25, 40, 60, 101, 260]) {
        let shapes: Vec<u64> = (0..384).map(|_| dice.next()).collect();
        let mut row = |row: usize| -> Vec<u16> {
            let sample = |&shape: &u64| {
                let (width, few) = (
                    2.0 + (shape >> 8 & 31) as f64,
                    1 + (shape >> 16 & 7) as usize,
                );
                let away = match shape % 6 {
                    0 if row < few => 2.5 * width,
                    1 if row < few => (2.0 + 0.5 * dice.uniform()) * width,
                    2 if row < few => (3.0 + row as f64) * width * (row as f64 % 2.0 - 0.5),
                    3 => -width * dice.uniform().ln(),
                    4 => width * (3.0 * dice.uniform()).floor(),
                    5 => 2.0 * width * (dice.uniform() - 0.5),
                    _ => width * dice.normal(),
                };
                (1000.0 + away).round().clamp(0.0, 65_535.0) as u16
            };
            shapes.iter().map(sample).collect()
        };
        let data: Vec<Vec<u16>> = (0..count).map(&mut row).collect();
        as_specified(&data, &all_methods(), &[65_535.0]);
        let esd = |alpha, max_outliers| Combining::GeneralizedEsd {
            alpha,
            max_outliers,
        };
        let tests = [1, 2, 3, 4, 10].map(|most| [esd(0.05, most), esd(0.9, most), esd(1e-9, most)]);
        as_specified(&data, tests.as_flattened(), &[65_535.0]);
    }
}

/// A chunk whose lanes are of one such shape, most of them quiet; `noise` of its lanes are nothing else.
fn chunk_of_shapes(dice: &mut Dice, count: usize, noise: usize) -> Vec<Vec<Stored>> {
    let shapes: Vec<u64> = (0..128).map(|_| dice.next()).collect();
    let few = 1 + (dice.next() % 6) as usize;
    let row = |row: usize| {
        let sample = |(lane, &shape): (usize, &u64)| {
            let width = 1.0 + (shape >> 8 & 15) as f64;
            let away = match shape % 5 {
                _ if lane < noise => width * dice.normal(),
                0 if row < few => (2.0 + 1.5 * dice.uniform()) * width,
                1 if row < few => (2.0 + row as f64) * width * (row as f64 % 2.0 - 0.5),
                2 => width * (3.0 * dice.uniform()).floor(),
                3 => -width * dice.uniform().ln(),
                _ => width * dice.normal(),
            };
            stored((1000.0 + away).round() as u16)
        };
        shapes.iter().enumerate().map(sample).collect()
    };
    (0..count).map(row).collect()
}

/// What is told of single lanes before they are sorted, however many others of the chunk may lose something; and of
/// most lanes of noise that lose nothing something is told.
#[test]
fn what_is_told_before_sorting_is_what_the_specification_keeps() {
    let mut dice = Dice(29);
    let mut told = |count: usize, tests: &[(f64, u32)], limits: &[(f64, f64)]| {
        let (mut quiet_told, mut pulled_told) = (0, 0);
        let (mut quiet_all, mut pulled_all) = (0, 0);
        for _ in 0..12 {
            let noise = 64;
            let data = chunk_of_shapes(&mut dice, count, noise);
            let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
            let chunks = near::chunks_of(&slices);
            let sorted: Vec<Vec<u16>> = (0..128)
                .map(|lane| {
                    let mut samples: Vec<u16> =
                        slices.iter().map(|row| sample(row[lane])).collect();
                    samples.sort_unstable();
                    samples
                })
                .collect();
            let mut near = near::Near::new();
            assert!(near::Pace::new().look::<true>(&chunks, 0, &mut near));
            for &(alpha, max_outliers) in tests {
                let mut test = esd::Test::new(alpha, max_outliers);
                let may_lose = quiet::Quiet::new(&mut test, count).may_lose(&chunks, 0, &near);
                for (lane, samples) in sorted.iter().enumerate() {
                    let keeps_all = test.kept(samples) == (0..count);
                    assert!(
                        keeps_all || may_lose[lane] == 1,
                        "{alpha} {max_outliers}: {samples:?}"
                    );
                    quiet_all += u32::from(keeps_all && lane < noise);
                    quiet_told += u32::from(may_lose[lane] == 0 && lane < noise);
                }
            }
            let row = |place: usize| {
                let lanes = sorted.iter().map(|samples| stored(samples[place]));
                let lanes: Vec<i16> = lanes.map(<i16 as lanes::Lane>::of).collect();
                chunk::Row(<[i16; 128]>::try_from(lanes).unwrap())
            };
            let rows: Vec<_> = (0..count).map(row).collect();
            for &(low, high) in limits {
                let ends = (&rows[0], &rows[count - 1]);
                let (means, may_lose) = winsor::may_lose(&chunks, 0, &rows, ends, (low, high));
                for (lane, samples) in sorted.iter().enumerate() {
                    let keeps_all = winsor::kept(samples, low, high) == (0..count);
                    assert!(
                        keeps_all || may_lose[lane] == 1,
                        "{low} {high}: {samples:?}"
                    );
                    pulled_all += u32::from(keeps_all && lane < noise);
                    pulled_told += u32::from(may_lose[lane] == 0 && lane < noise);
                    let sum: f64 = samples.iter().copied().map(f64::from).sum();
                    assert_eq!(means[lane], (sum / count as f64) as f32);
                }
            }
        }
        (
            f64::from(quiet_told) / f64::from(quiet_all),
            f64::from(pulled_told) / f64::from(pulled_all),
        )
    };
    let tests = [
        (0.05, 1),
        (0.05, 2),
        (0.05, 3),
        (0.05, 5),
        (0.9, 4),
        (1e-6, 30),
    ];
    let limits = [(4.0, 3.0), (2.0, 2.0), (1.0, 0.7)];
    for count in (4..=14).chain([20, 40, 41, 100, 260]) {
        told(count, &tests, &limits);
    }
    for count in [40, 60, 100] {
        let (quiet, pulled) = told(count, &tests[..4], &limits[..1]);
        assert!(quiet > 0.85, "{quiet} of {count}");
        assert!(pulled > 0.95, "{pulled} of {count}");
    }
}

/// A sample that saturates so far above the others that a look does not tell by how much, in more pixels than are
/// settled together, and in others than those.
#[test]
fn saturated_samples_far_above_the_others_never_enter() {
    let mut dice = Dice(31);
    let lanes = 128 * 24;
    for count in [5, 12, 40] {
        let mut row = |row: usize| -> Vec<u16> {
            let sample = |lane: usize| match (lane % 16, row) {
                (3, 2) | (11, 4) => 65_535,
                (7, 3) => 2_000,
                _ => (1000.0 + 6.0 * dice.normal()).round() as u16,
            };
            (0..lanes).map(sample).collect()
        };
        let data: Vec<Vec<u16>> = (0..count).map(&mut row).collect();
        as_specified(&data, &looking_methods(), &[65_535.0]);
    }
}

/// Methods that look at a chunk before they sort it.
fn looking_methods() -> Vec<Combining> {
    let mut methods = vec![clip(false), clip(true)];
    methods.extend(ranked_methods().into_iter().take(7));
    methods
}

fn clip(median_centre: bool) -> Combining {
    Combining::SigmaClip {
        low: 4.0,
        high: 3.0,
        iterations: 5,
        median_centre,
    }
}

fn all_methods() -> Vec<Combining> {
    methods().into_iter().chain(ranked_methods()).collect()
}

fn in_stored_form(data: &[impl AsRef<[u16]>]) -> Vec<Vec<Stored>> {
    let rows = data.iter().map(AsRef::as_ref);
    rows.map(|row| row.iter().copied().map(stored).collect())
        .collect()
}

/// Each method at every level does to 16-bit samples what the specification says.
fn as_specified(data: &[Vec<u16>], methods: &[Combining], saturations: &[f64]) {
    let data = in_stored_form(data);
    all_as_specified(&data, |slices| Exposures::U16(slices), methods, saturations);
}

/// The same of any samples.
fn all_as_specified<T: Copy + std::fmt::Debug>(
    data: &[Vec<T>],
    exposures: impl for<'a> Fn(&'a [&'a [T]]) -> Exposures<'a>,
    methods: &[Combining],
    saturations: &[f64],
) {
    let (count, width) = (data.len(), data[0].len());
    let slices: Vec<&[T]> = data.iter().map(Vec::as_slice).collect();
    let exposures = exposures(&slices);
    for method in methods {
        for &saturation in saturations {
            let plain = run(combine_scalar, method, exposures, count, width, saturation);
            for form in levels() {
                let fast = run(form.1, method, exposures, count, width, saturation);
                let what = format!(
                    "{:?}, {method}, {count} x {width}, saturation {saturation}",
                    form.0
                );
                for at in 0..width {
                    let samples: Vec<_> = slices.iter().map(|row| row[at]).collect();
                    assert_eq!(fast.0[at], plain.0[at], "{what}, pixel {at}: {samples:?}");
                }
                assert_eq!((&fast.1, fast.2), (&plain.1, plain.2), "{what}");
            }
        }
    }
}

#[test]
fn fast_float_form_yields_the_bits_of_the_specification() {
    let mut dice = Dice(12);
    for count in (1..=41).chain([64, 65, 99, 100]) {
        for width in [1, 31, 75, 128, 300] {
            let sorts: Vec<u64> = (0..width).map(|_| dice.next()).collect();
            let data: Vec<Vec<f32>> = (0..count)
                .map(|_| {
                    sorts
                        .iter()
                        .map(|&sort| match (sort >> 8) % 40 {
                            0 if dice.uniform() < 0.2 => f32::NAN,
                            1 if dice.uniform() < 0.2 => f32::NEG_INFINITY,
                            2 => [0.0, -0.0, 1.0][(dice.next() % 3) as usize],
                            3 => -pixel(&mut dice, sort) as f32,
                            _ => pixel(&mut dice, sort) as f32,
                        })
                        .collect()
                })
                .collect();
            let saturations = [65535.0, f64::INFINITY, f64::NAN, 40000.1, 0.0];
            all_as_specified(
                &data,
                |slices| Exposures::F32(slices),
                &all_methods(),
                &saturations,
            );
        }
    }
}

/// Where the squares do not fit the fast way's exact range.
#[test]
fn very_many_exposures_of_the_whole_range() {
    let mut dice = Dice(13);
    let (count, width) = (1600, 5);
    let data: Vec<Vec<u16>> = (0..count)
        .map(|_| (0..width).map(|at| pixel(&mut dice, at) as u16).collect())
        .collect();
    let data = in_stored_form(&data);
    let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
    for method in all_methods() {
        let exposures = Exposures::U16(&slices);
        let fast = run(combine, &method, exposures, count, width as usize, 1e9);
        let plain = run(
            combine_scalar,
            &method,
            exposures,
            count,
            width as usize,
            1e9,
        );
        assert_eq!(fast, plain, "{method}");
    }
}

/// Where squares leave the range of `f32` but not that of `f64`, and where the distances themselves are as
/// small as there are numbers.
#[test]
fn huge_and_tiny_samples_yield_the_bits_of_the_specification() {
    let mut dice = Dice(14);
    for count in [3, 4, 5, 9, 10] {
        for exponent in [
            17.5, 18.5, 18.9, 19.0, 19.1, 19.5, 30.0, 38.0, -12.0, -19.0, -22.0, -38.0, -44.0,
        ] {
            let scale = 10f64.powf(exponent);
            let width = 200;
            let data: Vec<Vec<f32>> = (0..count)
                .map(|at| match at {
                    0 => vec![0.0; width],
                    1 => vec![if exponent > 0.0 { 1.0 } else { 0.0 }; width],
                    _ => (0..width)
                        .map(|_| (scale * dice.uniform()) as f32)
                        .collect(),
                })
                .collect();
            let slices: Vec<&[f32]> = data.iter().map(Vec::as_slice).collect();
            for method in ranked_methods() {
                let exposures = Exposures::F32(&slices);
                let limit = f64::INFINITY;
                let fast = run(combine, &method, exposures, count, width, limit);
                let plain = run(combine_scalar, &method, exposures, count, width, limit);
                assert_eq!(fast, plain, "{method}, {count} around 1e{exponent}");
            }
        }
    }
}

/// A sample that is struck by the least that there is.
#[test]
fn the_least_of_numbers_yields_the_bits_of_the_specification() {
    for (struck, high) in [(1, 3.0), (49, 100.0)] {
        let data: Vec<Vec<f32>> = (0..8)
            .map(|at| vec![f32::from_bits(if at == 5 { struck } else { 0 }); 130])
            .collect();
        let methods = [Combining::Winsorized { low: 4.0, high }];
        all_as_specified(&data, |slices| Exposures::F32(slices), &methods, &[1e9]);
    }
}

/// Very many exposures; samples just so near that 16 bits hold the squares of forty at once, and just not, in all
/// lanes and in some; sums about the greatest that are exact in `f32`.
#[test]
fn the_ends_of_whole_sums_yield_the_bits_of_the_specification() {
    let mut dice = Dice(16);
    for count in [16_384, 16_385] {
        let mut row = || {
            [2, 3, 4]
                .map(|of| 1000 + (dice.next() % of) as u16)
                .to_vec()
        };
        let data: Vec<Vec<u16>> = (0..count).map(|_| row()).collect();
        as_specified(&data, &ranked_methods()[..4], &[65535.0]);
    }
    let forty = |sample: &dyn Fn(usize, usize) -> u16| -> Vec<Vec<u16>> {
        let row = |row| (0..128).map(|lane| sample(row, lane)).collect();
        (0..40).map(row).collect()
    };
    // The root of 65,535 over 40 is 40.5.
    for (far, distance) in [(128, 39), (128, 40), (32, 41), (33, 41)] {
        let data = forty(&|row, lane| match (row * 7 + lane) % 10 {
            0 if lane < far => 2000 + distance,
            1 if lane < far => 2000 - distance,
            _ => 2000 + (row * 31 + lane * 17) as u16 % 9,
        });
        as_specified(&data, &ranked_methods(), &[65535.0]);
    }
    // 40 times the sum of squares is 2^24 where two of 40 samples lie 140.4 away and the others 100.
    for distance in [139, 140, 141, 142] {
        let data = forty(&|row, lane| match row {
            0 => 30_000 + distance + (lane % 3) as u16,
            1 => 30_000 - distance,
            _ if (row + lane) % 2 == 0 => 30_100,
            _ => 29_900,
        });
        as_specified(&data, &ranked_methods(), &[65535.0]);
    }
}

/// As many pixels of a chunk lose something as a look is still worth, and one more: both ways go to the end of the
/// chunk, and of those behind it.
#[test]
fn the_most_that_a_look_lets_lose_yield_the_bits_of_the_specification() {
    let chunks = 3;
    for losing in [0, 42, 43, 128] {
        // Noise of two steps that no limit reaches, and in some lanes a sample that every limit drops.
        let sample = |row: usize, lane: usize| match (row, lane * 37 % 128) {
            (7, place) if place < losing => 1150,
            (row, place) => 999 + 2 * ((row + place) % 2) as u16,
        };
        let row = |row| (0..128 * chunks).map(|lane| sample(row, lane)).collect();
        let data: Vec<Vec<u16>> = (0..40).map(row).collect();
        as_specified(&data, &looking_methods(), &[65_535.0]);
        let stored = in_stored_form(&data);
        let slices: Vec<&[Stored]> = stored.iter().map(Vec::as_slice).collect();
        for method in [&ranked_methods()[0], &ranked_methods()[3]] {
            let form::Form::Ranked(mut ranked) = form::Form::of(method) else {
                unreachable!("{method}");
            };
            let mut eye = glance::Eye::new(&mut ranked, &slices, i32::from(i16::MAX)).unwrap();
            let mut glance = glance::Glance::new();
            for chunk in 0..chunks {
                // A third of 128 lanes; what was found too much is not looked at again at once.
                let told = eye.look(128 * chunk, &mut glance);
                assert_eq!(
                    told,
                    losing <= 42,
                    "{method}, {losing} lanes, chunk {chunk}"
                );
            }
        }
    }
}

/// Two of three that are alike say nothing of the third.
#[test]
fn the_test_for_outliers_judges_no_three_samples() {
    let data = [[100u16], [104], [100]];
    let data = in_stored_form(&data);
    let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
    let method = Combining::GeneralizedEsd {
        alpha: 0.05,
        max_outliers: 5,
    };
    let (out, rejected, _) = run(combine, &method, Exposures::U16(&slices), 3, 1, 1e9);
    assert_eq!(f32::from_bits(out[0]), (304.0 / 3.0) as f32);
    assert_eq!(rejected, [InputCount::default(); 3]);
}

const CLIP: Combining = Combining::SigmaClip {
    low: 3.0,
    high: 3.0,
    iterations: 5,
    median_centre: true,
};

#[test]
fn saturated_and_undefined_samples_never_enter() {
    let data = [[100.0f32], [f32::NAN], [65535.0], [102.0]];
    let slices: Vec<&[f32]> = data.iter().map(|x| x.as_slice()).collect();
    for method in [Combining::Mean, Combining::Median, CLIP] {
        let mut out = [0.0];
        let mut rejected = [InputCount::default(); 4];
        let seen = combine(
            &method,
            Exposures::F32(&slices),
            65535.0,
            &mut out,
            &mut rejected,
        );
        assert_eq!(out, [101.0], "{method}");
        assert_eq!(rejected, [InputCount::default(); 4]);
        assert_eq!((seen.excluded, seen.without_survivors), (2, 0));
    }
}

#[test]
fn a_pixel_without_survivors_gets_the_median_of_what_is_finite() {
    let data = [[65535u16, 5], [60000, 6], [61000, 7]];
    let data = in_stored_form(&data);
    let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
    let mut out = [0.0; 2];
    let mut rejected = [InputCount::default(); 3];
    let seen = combine(
        &CLIP,
        Exposures::U16(&slices),
        60000.0,
        &mut out,
        &mut rejected,
    );
    assert_eq!(out, [61000.0, 6.0]);
    assert_eq!((seen.excluded, seen.without_survivors), (3, 1));

    let nothing = [[f32::NAN], [f32::INFINITY]];
    let slices: Vec<&[f32]> = nothing.iter().map(|x| x.as_slice()).collect();
    let mut out = [0.0];
    let mut rejected = [InputCount::default(); 2];
    let seen = combine(
        &CLIP,
        Exposures::F32(&slices),
        60000.0,
        &mut out,
        &mut rejected,
    );
    assert!(out[0].is_nan());
    assert_eq!((seen.excluded, seen.without_survivors), (2, 1));
}

#[test]
fn rejections_are_counted_by_exposure() {
    // Fifteen exposures of 100..=114 in some order; exposure 3 is struck at pixel 0, exposure 9
    // is blind at pixel 1.
    let mut data: Vec<[u16; 2]> = (0..15u16).map(|j| [100 + j % 5, 200 + j % 5]).collect();
    data[3][0] = 5000;
    data[9][1] = 3;
    let data = in_stored_form(&data);
    let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
    let mut out = [0.0; 2];
    let mut rejected = vec![InputCount::default(); 15];
    combine(
        &CLIP,
        Exposures::U16(&slices),
        65535.0,
        &mut out,
        &mut rejected,
    );
    for (exposure, count) in rejected.iter().enumerate() {
        let want = match exposure {
            3 => InputCount { low: 0, high: 1 },
            9 => InputCount { low: 1, high: 0 },
            _ => InputCount::default(),
        };
        assert_eq!(*count, want, "exposure {exposure}");
    }
}

#[test]
fn a_sample_exactly_on_the_bound_stays() {
    // Mean 0 counted from 1000, standard deviation 1: at one standard deviation all four stay.
    let data = [[999u16], [1001], [999], [1001]];
    let data = in_stored_form(&data);
    let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
    for median_centre in [true, false] {
        let method = Combining::SigmaClip {
            low: 1.0,
            high: 1.0,
            iterations: 9,
            median_centre,
        };
        let mut out = [0.0];
        let mut rejected = [InputCount::default(); 4];
        combine(
            &method,
            Exposures::U16(&slices),
            65535.0,
            &mut out,
            &mut rejected,
        );
        assert_eq!(rejected, [InputCount::default(); 4]);
        assert_eq!(out, [1000.0]);
    }
}

#[test]
fn a_pedestal_shifts_the_result_and_nothing_else() {
    let mut dice = Dice(5);
    let data: Vec<Vec<u16>> = (0..20)
        .map(|_| {
            (0..300)
                .map(|_| (500.0 + 9.0 * dice.normal()) as u16)
                .collect()
        })
        .collect();
    let raised: Vec<Vec<u16>> = data
        .iter()
        .map(|row| row.iter().map(|x| x + 60000).collect())
        .collect();
    let counts = |data: &[Vec<u16>]| {
        let data = in_stored_form(data);
        let slices: Vec<&[Stored]> = data.iter().map(Vec::as_slice).collect();
        let method = Combining::SigmaClip {
            low: 2.0,
            high: 2.0,
            iterations: 9,
            median_centre: true,
        };
        run(combine, &method, Exposures::U16(&slices), 20, 300, 1e9).1
    };
    assert_eq!(counts(&data), counts(&raised));
}

#[test]
fn small_statistics_of_a_known_vector() {
    let mut values = [
        100.0, 101.0, 99.0, 102.0, 98.0, 100.0, 103.0, 97.0, 101.0, 150.0,
    ];
    assert_eq!(median(&mut values), Some(100.5));
    assert_eq!(mad(&values, 100.5), Some(1.5));
    let clip = clipped(&mut values, 3.0, 9).unwrap();
    assert_eq!(clip.count, 9);
    assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
    assert_eq!(median(&mut []), None);
    assert_eq!(mean_and_sd(&[]), None);
    assert_eq!(mean_and_sd(&[4.0]), Some(Moments { mean: 4.0, sd: 0.0 }));
}

#[test]
fn whole_numbers_have_the_sums_of_others() {
    let mut dice = Dice(3);
    for count in [1, 2, 7, 40, 4001] {
        let mut values: Vec<u16> = (0..count).map(|_| dice.next() as u16).collect();
        values.sort_unstable();
        let wide: Vec<f64> = values.iter().copied().map(f64::from).collect();
        let centre = (wide[(count - 1) / 2] + wide[count / 2]) / 2.0;
        let sums = (u16::sums(&values, centre), f64::sums(&wide, centre));
        assert_eq!(sums.0, sums.1, "{count}");
    }
}

/// Sorted lanes of a camera's noise, one in a thousand of its samples struck.
fn sorted_noise<T: lanes::Lane, const L: usize>(
    dice: &mut Dice,
    count: usize,
    sigma: f64,
    of: impl Fn(f64) -> T,
) -> Vec<chunk::Row<T, L>> {
    let mut rows = vec![chunk::Row([T::LEAST; L]); count];
    for lane in 0..L {
        let mut sample = || match dice.next() % 1000 {
            0 => 1000.0 + 60.0 * sigma * dice.uniform(),
            _ => 1000.0 + sigma * dice.normal(),
        };
        let mut samples: Vec<f64> = (0..count).map(|_| sample()).collect();
        samples.sort_by(f64::total_cmp);
        for (row, &sample) in rows.iter_mut().zip(&samples) {
            row[lane] = of(sample);
        }
    }
    rows
}

/// What is certain side by side is what the specification says, and nearly everything is certain.
fn certain_ranges_are_right<T: lanes::Lane>(name: &str, of: impl Fn(f64) -> T + Copy) {
    let mut dice = Dice(21);
    let methods = [
        Combining::Winsorized {
            low: 4.0,
            high: 3.0,
        },
        Combining::Winsorized {
            low: 2.0,
            high: 2.5,
        },
        Combining::GeneralizedEsd {
            alpha: 0.05,
            max_outliers: 5,
        },
        Combining::GeneralizedEsd {
            alpha: 0.3,
            max_outliers: 3,
        },
    ];
    for method in methods {
        let form::Form::Ranked(mut ranked) = form::Form::of(&method) else {
            unreachable!("{method}");
        };
        for count in [7, 10, 23, 40, 100] {
            let (mut lanes, mut sure, mut losing, mut at_once) = (0, 0, 0, 0);
            for sigma in [2.0, 8.0, 30.0, 200.0] {
                let rows = sorted_noise::<T, 256>(&mut dice, count, sigma, of);
                let (ranges, settled) = (ranked.ranges(&rows), ranked.settled(&rows));
                for lane in 0..256 {
                    let samples: Vec<_> = rows.iter().map(|row| row[lane].value()).collect();
                    let kept = ranked.kept(&samples);
                    lanes += 1;
                    losing += usize::from(kept.len() < count);
                    if ranges.sure[lane] {
                        sure += 1;
                        assert_eq!(ranges.of(lane), kept, "{method}, {name}");
                    }
                    if settled[lane] {
                        at_once += 1;
                        assert_eq!(kept, 0..count, "{method}, {name}");
                    }
                }
            }
            assert!(
                at_once * 10 > (lanes - losing) * 8,
                "{at_once} of {lanes}: {method} {count} {name}"
            );
            assert!(losing > 50, "{losing} of {lanes}: {method}");
            assert!(
                sure * 100 > lanes * 97,
                "{sure} of {lanes}: {method} {count} {name}"
            );
        }
    }
}

#[test]
fn what_is_certain_side_by_side_is_what_the_specification_keeps() {
    certain_ranges_are_right("16 bits", |sample| {
        <i16 as lanes::Lane>::of(stored(sample.round() as u16))
    });
    certain_ranges_are_right("floats", |sample| sample as f32);
}
