//! Published figures and small invented frames.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::facts::{Estimate, Pair, Transfer};

fn level(level: f64, variance: f64) -> Pair {
    Pair {
        colour: None,
        level,
        variance: Estimate {
            value: variance,
            error: variance * (2.0_f64 / 307_200.0).sqrt(),
        },
        pixels: 307_200,
    }
}

fn transfer(bias: Pair, flats: &[Pair], step: f64) -> Transfer {
    Transfer {
        bias: vec![bias],
        flats: flats.iter().map(|&flat| vec![flat]).collect(),
        step,
        darkest: 1.0,
    }
}

fn near(found: f64, wanted: f64, part: f64) {
    assert!((found / wanted - 1.0).abs() < part, "{found} for {wanted}");
}

/// EMVA 1288 reference set 001, nine of its levels: 0.279987768 DN/e- by the reference
/// implementation (emva1288 1.0.2, release 4), which takes from each level its own darks; dark noise
/// 10.9458 e-. All fifty levels: 0.2800626485 DN/e-.
#[test]
fn the_slope_is_that_of_the_reference_implementation() {
    let table = include_str!("../../../tests/reference/photon_transfer.txt");
    let mut rows: Vec<Vec<f64>> = Vec::new();
    for line in table.lines().filter(|line| !line.starts_with('#')) {
        rows.push(line.split(' ').map(|word| word.parse().unwrap()).collect());
    }
    assert_eq!(rows.len(), 9);
    let bias = level(rows[0][3], rows[0][4]);
    let own = |row: &Vec<f64>| {
        level(
            row[1] - row[3] + bias.level,
            row[2] - row[4] + bias.variance.value,
        )
    };
    let flats: Vec<Pair> = rows.iter().map(own).collect();
    let found = photon_transfer(&transfer(bias, &flats, 1.0)).unwrap();
    near(1.0 / found.electrons_per_adu.value, 0.279_987_768, 1e-8);
    near(found.read_noise_e.value, 10.9458, 0.005);
    // One bias for all.
    let flats: Vec<Pair> = rows.iter().map(|row| level(row[1], row[2])).collect();
    let found = photon_transfer(&transfer(bias, &flats, 1.0)).unwrap();
    near(1.0 / found.electrons_per_adu.value, 0.280_062_648_5, 0.005);
    assert!(found.electrons_per_adu.error < 0.005 * found.electrons_per_adu.value);
}

/// Two flats and two bias frames: an invented vector, and set 001's flats 015 with darks 000 as bias
/// (numpy). Standard deviations are those of the differences.
#[test]
fn two_flats_and_two_bias_frames_give_the_textbook_s_figures() {
    let cases = [
        (
            [1000.0, 1002.0],
            [20_000.0, 20_010.0],
            5.0,
            160.0,
            1.486_139,
            5.254_294,
        ),
        (
            [14.695_221, 14.735_286],
            [1_665.258_421, 1_662.404_395],
            4.346_739,
            30.727_314,
            3.564_602,
            10.956_192,
        ),
    ];
    for ([b1, b2], [f1, f2], of_bias, of_flat, gain, noise) in cases {
        let half = |sd: f64| sd * sd / 2.0;
        let bias = level((b1 + b2) / 2.0, half(of_bias));
        let flat = level((f1 + f2) / 2.0, half(of_flat));
        let found = photon_transfer(&transfer(bias, &[flat], 0.0)).unwrap();
        near(found.electrons_per_adu.value, gain, 5e-7);
        near(found.read_noise_e.value, noise, 5e-7);
        assert_eq!(found.linearity, None);
    }
}

#[test]
fn levels_near_saturation_do_not_count() {
    let bias = level(500.0, 10.0);
    let line = [1000.0, 20_000.0, 40_000.0].map(|at| level(at, 10.0 + (at - 500.0) / 2.0));
    let mut all = line.to_vec();
    // Full wells scatter less.
    all.extend([level(50_000.0, 24_760.0), level(64_000.0, 300.0)]);
    let found = photon_transfer(&transfer(bias, &all, 0.0)).unwrap();
    near(found.electrons_per_adu.value, 2.0, 1e-12);
    assert!(found.linearity.unwrap().value.abs() < 1e-12);
    // Above a bias of 500 ADU: at 50 000 it still grew.
    assert_eq!(found.full, Some([49_500.0, 63_500.0]));
}

/// Of two flats of much the same level the darker one may well scatter more.
#[test]
fn chance_is_no_saturation() {
    let bias = level(500.0, 10.0);
    let flats = [level(20_500.0, 10_030.0), level(20_501.0, 9990.0)];
    let found = photon_transfer(&transfer(bias, &flats, 0.0)).unwrap();
    near(found.electrons_per_adu.value, 2.0, 1e-4);
    assert_eq!(found.full, None);
}

#[test]
fn what_says_nothing_gives_nothing() {
    let bias = level(500.0, 10.0);
    assert_eq!(photon_transfer(&transfer(bias, &[], 1.0)), None);
    assert_eq!(
        photon_transfer(&transfer(bias, &[level(900.0, 10.0)], 1.0)),
        None
    );
    let bands = Bands::of(16, 16);
    let nothing = [f32::NAN; 256];
    assert!(pair(&bands, None, [&nothing, &nothing], 65_535.0, &[]).is_empty());
    assert_eq!(
        dark_signal(&bands, [&nothing; 2], [&nothing; 2], 65_535.0),
        None
    );
}

#[test]
fn bands_begin_at_even_rows_and_lie_in_the_image() {
    for (width, height) in [
        (1, 1),
        (7, 3),
        (64, 48),
        (640, 480),
        (6248, 4176),
        (9576, 6388),
        (30_000, 9),
    ] {
        let bands = Bands::of(width, height);
        let mut next = 0;
        for &(first, count) in bands.rows() {
            assert!(first >= next && first % 2 == 0, "{width}x{height}: {first}");
            next = first + count;
        }
        assert!(
            next <= height && bands.pixels() <= 2_500_000,
            "{width}x{height}"
        );
        let mut places: Vec<usize> = bands.cells().into_iter().flatten().flatten().collect();
        places.sort_unstable();
        assert!(places.into_iter().eq(0..bands.pixels()), "{width}x{height}");
    }
    let large = Bands::of(6248, 4176);
    assert!((1_300_000..1_600_000).contains(&large.pixels()));
    // A pixel in the middle of a band has eight neighbours, one in its corner three.
    assert_eq!(large.around(6248 + 5).count(), 8);
    assert_eq!(large.around(0).count(), 3);
}

/// Without noise: a hot pixel in both darks, a cosmic ray in one, a glowing corner.
#[test]
fn hot_pixels_are_hot_in_both_darks_and_glow_is_smooth() {
    let (width, height) = (256, 256);
    let bands = Bands::of(width, height);
    // Two values a pixel apart, in turn from frame to frame: a noise of 2.
    let frame = |number: usize, charge: &dyn Fn(usize, usize) -> f32| -> Vec<f32> {
        (0..width * height)
            .map(|at| {
                let (x, y) = (at % width, at / width);
                let mut hash = (at * 4 + number).wrapping_mul(0x9e37_79b9_7f4a_7c15);
                hash ^= hash >> 29;
                let noise = if hash.wrapping_mul(0xbf58_476d_1ce4_e5b9) >> 63 == 0 {
                    2.0
                } else {
                    -2.0
                };
                500.0 + noise + charge(x, y)
            })
            .collect()
    };
    let none = |_: usize, _: usize| 0.0;
    let glow = |x: usize, y: usize| 40.0 * (-((255 - x) as f32 + y as f32) / 30.0).exp();
    let hot = |x: usize, y: usize| {
        if (x + 7 * y).is_multiple_of(1000) {
            90.0
        } else {
            0.0
        }
    };
    let both = |x: usize, y: usize| glow(x, y) + hot(x, y);
    let bias = [frame(0, &none), frame(1, &none)];
    let mut dark = [frame(2, &both), frame(3, &both)];
    dark[0][12_345] += 5000.0;
    let (bias, dark) = (
        bias.each_ref().map(Vec::as_slice),
        dark.each_ref().map(Vec::as_slice),
    );
    let found = dark_signal(&bands, bias, dark, 65_535.0).unwrap();
    let wanted = (0..width * height)
        .filter(|at| hot(at % width, at / width) > 0.0)
        .count();
    let hot_pixels = found.hot_per_megapixel.value * (width * height) as f64 / 1e6;
    assert!(
        (hot_pixels - wanted as f64).abs() < 1.5,
        "{hot_pixels} of {wanted}"
    );
    assert!((18.0..40.0).contains(&found.glow.value), "{found:?}");
    assert!(found.level.value.abs() < 0.2, "{found:?}");
    assert!(
        found.pattern.value.abs() < 5.0 * found.pattern.error,
        "{found:?}"
    );
    near(found.bias_variance.value, 4.0, 0.01);
}
