//! Dark current beside a glow, fixed patterns of rows and columns, and a colour sensor: what is told lies
//! around the truth as its error says.
//!
//! Frames are the simulator's, but for what is added to their darks here: a glow as its electrons are
//! counted, and patterns.

use dawnledger::facts::{DarkSignal, Estimate};
use dawnledger::measure::sensor::{Bands, dark_charge, dark_signal};
use dawnledger::simulate::{Scenario, frames, pixels};

use crate::dice::Dice;
use crate::sensor::assert_unit_normal;

const SIZE: (usize, usize) = (192, 128);
const EXPOSURE_S: f64 = 120.0;
const DARK_E_PER_S: f64 = 0.02;
const E_PER_ADU: f64 = 0.25;

/// How a glow falls with x and y.
type Falls = fn(f64, f64) -> f64;

/// What darks hold beside their dark current.
#[derive(Clone, Copy, Default)]
struct Beside {
    /// Electrons per second where it is brightest, and how it falls with x and y, counted from its
    /// corner in parts of the width.
    glow: Option<(f64, Falls)>,
    /// Standard deviations of what columns and rows add, ADU.
    columns: f64,
    rows: f64,
}

fn found(seed: usize, more: &str, beside: Beside) -> DarkSignal {
    let (width, height) = SIZE;
    let scenario = format!(
        "seed: {seed}
rigs:
  - camera: Petrel 26M
    sensor: {{width: {width}, height: {height}, e_per_adu: {E_PER_ADU}, read_noise_e: 2.2, dark_e_per_s: {DARK_E_PER_S},
             hot_pixels_per_million: 300, jitter_c: 0{more}}}
    runs:
      - {{kind: bias, start: '2026-09-05T18:00:00Z', count: 2}}
      - {{kind: dark, exposure_s: {EXPOSURE_S}, start: '2026-09-05T20:00:00Z', count: 2}}
"
    );
    let scenario = Scenario::parse(&scenario).unwrap();
    let mut shot: Vec<Vec<f32>> = frames(&scenario)
        .iter()
        .map(|file| pixels(&scenario, file.exposure().unwrap()))
        .map(|values| values.into_iter().map(f32::from).collect())
        .collect();
    let mut dice = Dice(0x5eed_0001 + (seed as u64) * 0x9e37_79b9);
    let mut pattern = |count: usize, sd: f64| -> Vec<f64> {
        (0..count).map(|_| (sd * dice.normal()).round()).collect()
    };
    let (columns, rows) = (pattern(width, beside.columns), pattern(height, beside.rows));
    for dark in &mut shot[2..] {
        for (at, value) in dark.iter_mut().enumerate() {
            let (x, y) = (at % width, at / width);
            if let Some((height, falls)) = beside.glow {
                let side = width as f64;
                let mean =
                    EXPOSURE_S * height * falls((width - 1 - x) as f64 / side, y as f64 / side);
                // An electron is several ADU, so that no rounding is needed.
                *value += (counted(&mut dice, mean) / E_PER_ADU) as f32;
            }
            *value += (columns[x] + rows[y]) as f32;
        }
    }
    let bands = Bands::of(width, height);
    let two = |first: usize| [&*shot[first], &*shot[first + 1]];
    dark_signal(&bands, two(0), two(2), 65_520.0).unwrap()
}

/// A number of electrons of this mean: Poisson's by inversion, of large ones by the normal law.
fn counted(dice: &mut Dice, mean: f64) -> f64 {
    if mean > 50.0 {
        return (mean + mean.sqrt() * dice.normal()).round();
    }
    let (mut left, mut count) = (dice.uniform(), 0.0);
    let mut chance = (-mean).exp();
    while left > chance && count < 200.0 {
        left -= chance;
        count += 1.0;
        chance *= mean / count;
    }
    count
}

/// Dark current by noise and by level, electrons per second.
fn told(dark: &DarkSignal) -> [Estimate; 2] {
    let gain = Estimate {
        value: E_PER_ADU,
        error: 0.0,
    };
    dark_charge(dark, gain).map(|charge| charge.times(1.0 / EXPOSURE_S))
}

/// Departures from the truth in standard errors, by noise and by level, and the errors by noise.
fn pulls(seeds: usize, more: &str, beside: Beside) -> ([Vec<f64>; 2], Vec<f64>) {
    let mut pulls = [Vec::new(), Vec::new()];
    let mut errors = Vec::new();
    for seed in 0..seeds {
        let told = told(&found(seed, more, beside));
        errors.push(told[0].error);
        for (pulls, told) in pulls.iter_mut().zip(told) {
            pulls.push((told.value - DARK_E_PER_S) / told.error);
        }
    }
    (pulls, errors)
}

fn mean(numbers: &[f64]) -> f64 {
    numbers.iter().sum::<f64>() / numbers.len() as f64
}

/// Within two errors for at least nine of ten, and for none far off.
fn assert_honest(name: &str, pulls: &[f64]) {
    let inside = pulls.iter().filter(|pull| pull.abs() < 2.0).count();
    assert!(10 * inside >= 9 * pulls.len(), "{name}: {pulls:.2?}");
    assert!(
        pulls.iter().all(|pull| pull.abs() < 4.0),
        "{name}: {pulls:.2?}"
    );
}

/// Of a sensor without glow: as exact as its noise allows, whatever pattern its rows and columns have.
#[test]
fn without_glow_errors_are_those_of_the_noise() {
    for (name, more, columns, rows) in [
        ("no pattern", "", 0.0, 0.0),
        ("columns", "", 4.0, 0.0),
        ("rows", "", 0.0, 4.0),
        ("colour", ", cfa: RGGB", 2.0, 2.0),
    ] {
        let beside = Beside {
            columns,
            rows,
            ..Beside::default()
        };
        let (pulls, errors) = pulls(24, more, beside);
        println!(
            "{name}: {:.2} {:.2} +- {:.5}",
            mean(&pulls[0]),
            mean(&pulls[1]),
            mean(&errors)
        );
        for (by, pulls) in ["by noise", "by level"].iter().zip(&pulls) {
            assert_unit_normal(&format!("{name}, {by}"), pulls);
        }
        // Variances of 7.2 and 4.9 electrons squared are known to 1 %: 0.0007 electrons per second. Patterns
        // leave it less sure that there is no glow.
        assert!(mean(&errors) < 0.0014, "{name}: {errors:.5?}");
    }
}

fn corner(reach: f64, x: f64, y: f64) -> f64 {
    (-x.hypot(y) / reach).exp()
}

/// Glows from a corner and from an edge, by several laws, that reach over a fifth of the sensor to all of
/// it. Where the sensor has dark parts, the dark current is known as well as those tell; a glow that
/// reaches everywhere leaves it known as badly as the error says.
#[test]
fn beside_a_glow_the_truth_lies_within_the_error() {
    let glows: [(&str, f64, Falls, f64); 12] = [
        ("corner 0.05", 1.6, |x, y| corner(0.05, x, y), 0.0016),
        ("corner 0.1", 1.6, |x, y| corner(0.1, x, y), 0.0025),
        ("faint corner 0.1", 0.05, |x, y| corner(0.1, x, y), 0.0016),
        ("corner 0.22", 1.6, |x, y| corner(0.22, x, y), 0.05),
        ("faint corner 0.22", 0.05, |x, y| corner(0.22, x, y), 0.004),
        ("corner 0.5", 1.6, |x, y| corner(0.5, x, y), 0.5),
        ("edge 0.1", 1.6, |x, _| (-x / 0.1).exp(), 0.0025),
        ("edge 0.22", 1.6, |x, _| (-x / 0.22).exp(), 0.1),
        ("edge 0.5", 1.6, |x, _| (-x / 0.5).exp(), 0.8),
        (
            "round 0.22",
            1.6,
            |x, y| (-x.hypot(y).powi(2) / 0.0968).exp(),
            0.0025,
        ),
        (
            "far 0.1",
            1.6,
            |x, y| 1.0 / (1.0 + x.hypot(y).powi(2) / 0.01),
            0.02,
        ),
        (
            "far 0.22",
            0.05,
            |x, y| 1.0 / (1.0 + x.hypot(y).powi(2) / 0.0484),
            0.01,
        ),
    ];
    // A camera that holds its black level tells nothing by that.
    let held = ", cfa: RGGB, holds_black: true";
    for (at, (name, height, falls, worst)) in glows.into_iter().enumerate() {
        for more in ["", held].into_iter().take(if at % 4 == 1 { 2 } else { 1 }) {
            let glow = Some((height, falls));
            let beside = Beside {
                glow,
                ..Beside::default()
            };
            let name = format!("{name}{more}");
            let (pulls, errors) = pulls(10, more, beside);
            println!(
                "{name}: {:.2} {:.2} +- {:.5}",
                mean(&pulls[0]),
                mean(&pulls[1]),
                mean(&errors)
            );
            assert_honest(&format!("{name}, by noise"), &pulls[0]);
            if more.is_empty() {
                assert_honest(&format!("{name}, by level"), &pulls[1]);
            }
            assert!(mean(&errors) < worst, "{name}: {errors:.5?}");
        }
    }
}

/// The glow stands apart: its height is that of the corner cell over the sensor's darkest part, and the
/// fixed pattern, a tenth of the dark charge, holds little of its slope.
#[test]
fn glow_and_pattern_are_told_apart() {
    for seed in 0..6 {
        let glow: (f64, Falls) = (1.6, |x, y| corner(0.22, x, y));
        let beside = Beside {
            glow: Some(glow),
            ..Beside::default()
        };
        let found = found(seed, "", beside);
        let height = found.glow.value * E_PER_ADU / EXPOSURE_S;
        // Of a cell of 32 by 8 pixels, of which the farthest has 1.6 exp(-(0.13 / 0.22)).
        assert!((1.0..1.6).contains(&height), "{height}");
        let pattern = found.pattern.times(E_PER_ADU * E_PER_ADU);
        let truth = (0.1 * DARK_E_PER_S * EXPOSURE_S).powi(2);
        println!(
            "{height:.3}, pattern {pattern:.3?} for {truth:.3}, middle {}",
            found.middle * E_PER_ADU / EXPOSURE_S
        );
        assert!(
            (pattern.value - truth).abs() < 4.0 * pattern.error,
            "{pattern:?} for {truth}"
        );
        // The middle of the sensor is brighter than its dark part.
        assert!(found.middle * E_PER_ADU > 1.5 * found.level.value * E_PER_ADU);
    }
}
