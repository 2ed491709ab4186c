//! Trails of satellites on frames large enough to be searched: found where they are, and not made of
//! chains of stars.
//!
//! `DAWNLEDGER_FRAMES=300 cargo test --test verdicts trails` looks at more of both.

use dawnledger::facts::Trail;
use dawnledger::measure::{Light, stars};
use ndarray::Array2;
use rayon::prelude::*;

use crate::night::dice::Dice;

const WIDTH: usize = 900;
const HEIGHT: usize = 700;
const SKY: f64 = 500.0;
const NOISE: f64 = 8.0;

fn frames() -> u64 {
    std::env::var("DAWNLEDGER_FRAMES").map_or(40, |count| count.parse().unwrap())
}

/// Where a trail crosses the frame: a point of it, its direction, its height in units of the noise.
struct Crossing {
    x: f64,
    y: f64,
    angle: f64,
    height: f64,
}

/// From a sparse field to one with a star in every twenty by twenty pixels, ever more faint ones.
fn frame(dice: &mut Dice, crossing: Option<&Crossing>) -> Array2<f32> {
    let mut plane =
        Array2::from_shape_simple_fn((HEIGHT, WIDTH), || (SKY + NOISE * dice.normal()) as f32);
    let fwhm = dice.between(2.0, 4.5);
    let width2 = fwhm * fwhm / 0.876;
    for _ in 0..(60.0 * 25f64.powf(dice.uniform())) as usize {
        let (x, y) = (
            WIDTH as f64 * dice.uniform(),
            HEIGHT as f64 * dice.uniform(),
        );
        let peak = (2.0 * NOISE / (1.0 - dice.uniform())).min(4000.0 * NOISE);
        let reach = 4.0 * fwhm + (peak / NOISE).sqrt();
        let range = |at: f64, side: usize| {
            (at - reach).max(0.0) as usize..((at + reach) as usize + 1).min(side)
        };
        for row in range(y, HEIGHT) {
            for column in range(x, WIDTH) {
                let square = (column as f64 - x).powi(2) + (row as f64 - y).powi(2);
                // A Moffat of beta 3.5.
                plane[(row, column)] += (peak * (1.0 + square / width2).powf(-3.5)) as f32;
            }
        }
    }
    if let Some(crossing) = crossing {
        let (sin, cos) = crossing.angle.sin_cos();
        for ((row, column), value) in plane.indexed_iter_mut() {
            let (x, y) = (column as f64 - crossing.x, row as f64 - crossing.y);
            let beside = (y * cos - x * sin) / (fwhm / 2.355);
            *value += (crossing.height * NOISE * (-0.5 * beside * beside).exp()) as f32;
        }
    }
    plane
}

fn trails(plane: &Array2<f32>) -> Vec<Trail> {
    let light = Light {
        plane: plane.view(),
        mask: None,
        cfa: None,
    };
    stars(&light).unwrap().trails
}

#[test]
fn chains_of_stars_are_no_trails() {
    let found: Vec<(u64, Vec<Trail>)> = (1..=frames())
        .into_par_iter()
        .map(|seed| (seed, trails(&frame(&mut Dice::new(seed), None))))
        .filter(|(_, found)| !found.is_empty())
        .collect();
    assert!(
        found.is_empty(),
        "{} of {}: {found:?}",
        found.len(),
        frames()
    );
}

#[test]
fn trails_are_found_among_stars() {
    let missed: Vec<String> = (1..=frames())
        .into_par_iter()
        .filter_map(|seed| {
            let mut dice = Dice::new(1000 + seed);
            let crossing = Crossing {
                x: WIDTH as f64 * dice.between(0.3, 0.7),
                y: HEIGHT as f64 * dice.between(0.3, 0.7),
                angle: dice.between(0.0, std::f64::consts::PI),
                height: dice.log_between(1.0, 30.0),
            };
            let found = trails(&frame(&mut dice, Some(&crossing)));
            let is_it = |trail: &Trail| {
                let turned = f64::from(trail.angle_deg) - crossing.angle.to_degrees();
                let off = (turned + 90.0).rem_euclid(180.0) - 90.0;
                off.abs() < 1.0 && f64::from(trail.length_px) > 0.5 * HEIGHT as f64
            };
            let Crossing { angle, height, .. } = crossing;
            (!found.iter().any(is_it)).then(|| format!("{seed}: {angle} {height} {found:?}"))
        })
        .collect();
    let told = missed.join("\n");
    let few = frames() as usize * 3 / 40;
    assert!(
        missed.len() <= few,
        "{} of {}:\n{told}",
        missed.len(),
        frames()
    );
}
