//! The background of star fields.

use std::fs;

use dawnledger::measure::{BAND_ROWS, Background, band, fold};

use super::{Dice, read, tests_folder};

fn background(width: usize, pixels: &[f32]) -> Background {
    let bands: Vec<_> = pixels
        .chunks(width * BAND_ROWS)
        .map(|rows| band(width, rows, None, 1))
        .collect();
    fold(&bands).unwrap()
}

/// sep 1.4.1's Background on two real star fields, one of them crowded (tests/reference/
/// background.py). It clips in a histogram and smooths its mesh with other rules at the edges, which
/// on the 25 cells of the crowded field makes a difference of half a per cent in the level.
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
            (found.noise / number(5) - 1.0).abs() < 0.005,
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
