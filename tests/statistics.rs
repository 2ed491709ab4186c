//! Statistics against outside sources: certified data, worked examples, reference libraries, and
//! theory by simulation. The source stands beside each check.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::combine::{
    Combined, Exposures, MAD_TO_SD, clipped, combine, mad, mean_and_sd, median,
};
use dawnledger::facts::{Combining, InputCount};
use dawnledger::measure::{BAND_ROWS, Background, band, fold};

fn tests_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests")
}

fn read(path: &str) -> String {
    let path = tests_folder().join(path);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A small generator with a fixed seed (Marsaglia's xorshift64*).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// By the polar method of Box and Muller.
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

fn sigma_clip(centre: &str, low: f64, high: f64, iterations: u32) -> Combining {
    Combining::SigmaClip {
        low,
        high,
        iterations,
        median_centre: match centre {
            "median" => true,
            "mean" => false,
            other => panic!("{other} is no centre"),
        },
    }
}

/// Combines exposures of one stretch, whatever the kind of sample.
trait Stack: Copy {
    fn exposures<'a>(slices: &'a [&'a [Self]]) -> Exposures<'a>;
}

impl Stack for u16 {
    fn exposures<'a>(slices: &'a [&'a [Self]]) -> Exposures<'a> {
        Exposures::U16(slices)
    }
}

impl Stack for f32 {
    fn exposures<'a>(slices: &'a [&'a [Self]]) -> Exposures<'a> {
        Exposures::F32(slices)
    }
}

fn stack<T: Stack>(method: &Combining, exposures: &[Vec<T>]) -> (Vec<f32>, Vec<InputCount>) {
    let slices: Vec<&[T]> = exposures.iter().map(Vec::as_slice).collect();
    let mut out = vec![0.0; exposures[0].len()];
    let mut rejected = vec![InputCount::default(); exposures.len()];
    let seen = combine(method, T::exposures(&slices), 1e9, &mut out, &mut rejected);
    assert_eq!(seen, Combined::default());
    (out, rejected)
}

/// The value of a single pixel and which of its samples were rejected.
fn pixel<T: Stack>(method: &Combining, samples: &[T]) -> (f32, Vec<bool>) {
    let exposures: Vec<Vec<T>> = samples.iter().map(|&sample| vec![sample]).collect();
    let (out, rejected) = stack(method, &exposures);
    let mask = rejected
        .iter()
        .map(|count| match count.low + count.high {
            0 => false,
            1 => true,
            more => panic!("one sample rejected {more} times"),
        })
        .collect();
    (out[0], mask)
}

/// NIST Statistical Reference Datasets, univariate: certified mean and standard deviation (divisor
/// n - 1), as published by NIST. The last column is what double precision can reach, given that the
/// data themselves are rounded on input.
#[test]
fn nist_univariate_sets() {
    let certified = [
        ("lew", 200, -177.435, 277.332168044316, 1e-13),
        ("lottery", 218, 518.958715596330, 291.699727470969, 1e-13),
        ("mavro", 50, 2.001856, 0.000429123454003053, 1e-11),
        ("michelso", 100, 299.8524, 0.0790105478190518, 1e-12),
        ("numacc1", 3, 10000002.0, 1.0, 1e-15),
        ("numacc2", 1001, 1.2, 0.1, 1e-13),
        ("numacc3", 1001, 1000000.2, 0.1, 1e-9),
        ("numacc4", 1001, 10000000.2, 0.1, 1e-8),
        ("pidigits", 5000, 4.5348, 2.86733906028871, 1e-13),
    ];
    for (name, count, mean, sd, tolerance) in certified {
        let text = read(&format!("data/statistics/nist/{name}.txt"));
        let values: Vec<f64> = text
            .lines()
            .map(|line| line.trim().parse().unwrap())
            .collect();
        assert_eq!(values.len(), count, "{name}");
        let found = mean_and_sd(&values).unwrap();
        let digits = |found: f64, wanted: f64| ((found - wanted) / wanted).abs();
        assert!(
            digits(found.mean, mean) < 1e-14,
            "{name}: mean {}",
            found.mean
        );
        assert!(digits(found.sd, sd) < tolerance, "{name}: sd {}", found.sd);
        let mut backwards = values.clone();
        backwards.reverse();
        let again = mean_and_sd(&backwards).unwrap();
        assert!(
            digits(again.sd, sd) < tolerance,
            "{name} backwards: sd {}",
            again.sd
        );
    }
}

/// Masks of astropy.stats.sigma_clip 8.0.2 (tests/reference/sigma_clip.py).
#[test]
fn clipping_masks_equal_astropys() {
    let table = read("reference/sigma_clip.txt");
    let mut samples: (&str, Vec<&str>) = ("", Vec::new());
    let mut masks = [0, 0];
    for line in table.lines() {
        let words: Vec<&str> = line.split(' ').collect();
        if words[0] == "pixel" {
            samples = (words[1], words[2..].to_vec());
            continue;
        }
        let method = sigma_clip(
            words[1],
            words[2].parse().unwrap(),
            words[3].parse().unwrap(),
            words[4].parse().unwrap(),
        );
        let want: Vec<bool> = words[5].chars().map(|digit| digit == '1').collect();
        let values: Vec<f64> = samples.1.iter().map(|word| word.parse().unwrap()).collect();
        let (value, mask) = match samples.0 {
            "u16" => pixel(
                &method,
                &values.iter().map(|&x| x as u16).collect::<Vec<_>>(),
            ),
            "f32" => pixel(
                &method,
                &values.iter().map(|&x| x as f32).collect::<Vec<_>>(),
            ),
            other => panic!("{other} samples"),
        };
        masks[usize::from(samples.0 == "f32")] += 1;
        assert_eq!(mask, want, "{method}, {} {values:?}", samples.0);
        let survivors = || values.iter().zip(&want).filter(|(_, dropped)| !**dropped);
        let mean = survivors().map(|(x, _)| x).sum::<f64>() / survivors().count() as f64;
        assert!(
            (f64::from(value) - mean).abs() <= mean.abs() * f64::from(f32::EPSILON),
            "{method}: {value}, mean of the survivors {mean}"
        );
    }
    assert!(masks.iter().all(|&count| count > 1000), "{masks:?}");
}

/// A vector worked with numpy 2.4.6, scipy 1.17.1 and astropy 8.0.2.
#[test]
fn worked_vector() {
    let x = [100u16, 101, 99, 102, 98, 100, 103, 97, 101, 150];
    let floats: Vec<f32> = x.iter().map(|&x| f32::from(x)).collect();
    let doubles: Vec<f64> = x.iter().map(|&x| f64::from(x)).collect();
    let moments = mean_and_sd(&doubles).unwrap();
    assert!((moments.mean - 105.1).abs() < 1e-13);
    assert!((moments.sd - 15.877657257920642).abs() < 1e-13);
    assert_eq!(median(&mut doubles.clone()), Some(100.5));
    let mad_sd = MAD_TO_SD * mad(&doubles, 100.5).unwrap();
    assert!((mad_sd - 2.223903327758403).abs() < 1e-14);

    let last = |drops: bool| (0..10).map(|at| drops && at == 9).collect::<Vec<bool>>();
    let cases = [
        (Combining::Mean, 105.1f32, false),
        (Combining::Median, 100.5, false),
        (sigma_clip("median", 3.0, 3.0, 100), 901.0 / 9.0, true),
        (sigma_clip("mean", 3.0, 3.0, 100), 105.1, false),
        (sigma_clip("median", 2.0, 2.0, 100), 901.0 / 9.0, true),
    ];
    for (method, value, drops) in cases {
        assert_eq!(pixel(&method, &x), (value, last(drops)), "{method}");
        assert_eq!(pixel(&method, &floats), (value, last(drops)), "{method}");
    }
}

/// The largest possible distance from the mean in n values is sqrt(n - 1) standard deviations
/// (divisor n): around the mean, three can reject nothing from ten or fewer.
#[test]
fn ten_exposures_hide_any_outlier_from_three_sigma_around_the_mean() {
    for count in 2..=14u16 {
        let mut x: Vec<u16> = vec![1000; usize::from(count)];
        x[0] = 60000;
        let (_, mask) = pixel(&sigma_clip("mean", 3.0, 3.0, 100), &x);
        assert_eq!(mask[0], count > 10, "{count}");
    }
}

/// n var / sigma^2 of the median of n normal values, exact to the digits given (by integration of
/// the order statistic's density).
#[test]
fn efficiency_of_the_median() {
    let mut dice = Dice(77);
    let trials = 150_000;
    for (count, exact) in [(3, 1.346013), (5, 1.434168), (9, 1.494912)] {
        let exposures: Vec<Vec<f32>> = (0..count)
            .map(|_| (0..trials).map(|_| dice.normal() as f32).collect())
            .collect();
        let (medians, _) = stack(&Combining::Median, &exposures);
        let medians: Vec<f64> = medians.into_iter().map(f64::from).collect();
        let found = f64::from(count) * mean_and_sd(&medians).unwrap().sd.powi(2);
        // Standard error of a variance: sqrt(2 / trials).
        let error = exact * (2.0 / f64::from(trials)).sqrt();
        assert!(
            (found - exact).abs() < 4.0 * error,
            "n {count}: {found}, exact {exact}"
        );
    }
}

/// One round at k standard deviations drops 2 Phi(-k) of normal data and leaves a standard
/// deviation of sqrt(1 - 2 k phi(k) / (1 - 2 Phi(-k))).
#[test]
fn loss_of_clipping_normal_data() {
    let mut dice = Dice(78);
    let (count, width) = (2000, 400);
    let exposures: Vec<Vec<f32>> = (0..count)
        .map(|_| (0..width).map(|_| dice.normal() as f32).collect())
        .collect();
    let all = (count * width) as f64;
    for (k, loss, sd) in [
        (2.0, 0.0455003, 0.879626),
        (2.5, 0.0124193, 0.954597),
        (3.0, 0.0026998, 0.986578),
    ] {
        let (_, rejected) = stack(&sigma_clip("mean", k, k, 1), &exposures);
        for side in [
            |count: &InputCount| count.low,
            |count: &InputCount| count.high,
        ] {
            let found = rejected.iter().map(side).sum::<u64>() as f64 / all;
            let error = (loss / 2.0 / all).sqrt();
            // The bounds scatter as well, by a part in the number of exposures.
            let tolerance = 4.0 * error + 5.0 * loss / count as f64;
            assert!((found - loss / 2.0).abs() < tolerance, "{k} sigma: {found}");
        }
        let mut values: Vec<f64> = exposures.iter().flatten().map(|&x| f64::from(x)).collect();
        let clip = clipped(&mut values, k, 1).unwrap();
        assert!(
            (clip.sd / sd - 1.0).abs() < 4.0 / (2.0 * all).sqrt(),
            "{k} sigma: {clip:?}"
        );
    }
}

/// 1 / Phi^-1(3/4) (astropy's mad_std uses the same figure).
#[test]
fn median_absolute_deviation_of_normal_data() {
    let mut dice = Dice(79);
    let values: Vec<f64> = (0..400_000).map(|_| 40.0 + 7.0 * dice.normal()).collect();
    let sd = MAD_TO_SD * mad(&values, 40.0).unwrap();
    // Its efficiency is 0.37: standard error sigma / sqrt(2 * 0.37 n).
    assert!(
        (sd / 7.0 - 1.0).abs() < 4.0 / (2.0 * 0.37 * 400_000f64).sqrt(),
        "{sd}"
    );
}

/// The mean of n exposures has sigma / sqrt(n), in 16-bit numbers as well.
#[test]
fn noise_of_a_mean() {
    let mut dice = Dice(80);
    let width = 40_000;
    for count in [4, 25] {
        let exposures: Vec<Vec<u16>> = (0..count)
            .map(|_| {
                (0..width)
                    .map(|_| (500.5 + 12.0 * dice.normal()) as u16)
                    .collect()
            })
            .collect();
        let (means, _) = stack(&Combining::Mean, &exposures);
        let means: Vec<f64> = means.into_iter().map(f64::from).collect();
        let found = mean_and_sd(&means).unwrap();
        let sd = ((144.0 + 1.0 / 12.0) / f64::from(count)).sqrt();
        assert!(
            (found.sd / sd - 1.0).abs() < 4.0 / (2.0 * width as f64).sqrt(),
            "{found:?}"
        );
        assert!(
            (found.mean - 500.0).abs() < 4.0 * sd / (width as f64).sqrt(),
            "{found:?}"
        );
    }
}

fn background(width: usize, pixels: &[f32]) -> Background {
    let mut cells: Vec<_> = pixels
        .chunks(width * BAND_ROWS)
        .flat_map(|rows| band(width, rows, None, 1))
        .collect();
    let found = fold(&cells).unwrap();
    cells.reverse();
    assert_eq!(
        fold(&cells),
        Some(found),
        "the order of cells must not matter"
    );
    found
}

/// sep 1.4.1's Background on two real star fields, one of them crowded (tests/reference/
/// background.py). It clips in a histogram and smooths its mesh, which on the 25 cells of the
/// crowded field makes a difference of half a per cent in the level and one in the noise.
#[test]
fn background_of_star_fields() {
    for line in read("reference/background.txt").lines() {
        let words: Vec<&str> = line.split(' ').collect();
        let number = |at: usize| words[at].parse::<f64>().unwrap();
        let (width, scale, zero) = (number(1) as usize, number(2), number(3));
        let path = format!("data/statistics/fields/{}.i16", words[0]);
        let bytes = fs::read(tests_folder().join(path)).unwrap();
        let pixels: Vec<f32> = bytes
            .chunks_exact(2)
            .map(|pair| i16::from_be_bytes([pair[0], pair[1]]))
            .map(|raw| (f64::from(raw) * scale + zero) as f32)
            .collect();
        assert_eq!(pixels.len(), width * width);
        let found = background(width, &pixels);
        assert!(
            (found.level / number(4) - 1.0).abs() < 0.005,
            "{line}: {found:?}"
        );
        assert!(
            (found.noise / number(5) - 1.0).abs() < 0.015,
            "{line}: {found:?}"
        );
    }
}

/// A field with known sky, noise and stars, whose faint wings are not all clipped.
#[test]
fn background_of_a_made_field() {
    let (width, height, sky, noise) = (700, 500, 812.3, 14.2);
    let mut dice = Dice(81);
    let mut pixels: Vec<f32> = (0..width * height)
        .map(|_| (sky + noise * dice.normal()) as f32)
        .collect();
    for _ in 0..400 {
        let (left, top) = (
            width as f64 * dice.uniform(),
            height as f64 * dice.uniform(),
        );
        let peak = 100.0 / (1.0 - dice.uniform()).powf(1.2);
        for y in (top as usize).saturating_sub(8)..(top as usize + 8).min(height) {
            for x in (left as usize).saturating_sub(8)..(left as usize + 8).min(width) {
                let square = (x as f64 - left).powi(2) + (y as f64 - top).powi(2);
                pixels[y * width + x] += (peak * (-square / 6.0).exp()) as f32;
            }
        }
    }
    let found = background(width, &pixels);
    assert!((found.level - sky).abs() < 0.05 * noise, "{found:?}");
    assert!((found.noise / noise - 1.0).abs() < 0.03, "{found:?}");
}
