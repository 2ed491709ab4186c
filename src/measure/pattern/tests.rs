//! Matching on strewn stars with fixed seeds: right matches are found, unrelated fields are not.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::measure::dice::Dice;

const SIZE: (u32, u32) = (512, 384);

fn dice(seed: u64) -> Dice {
    Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
}

/// Stars over three by three frames around the one that is looked at.
fn sky(dice: &mut Dice, in_frame: usize, size: (u32, u32)) -> Vec<Star> {
    (0..9 * in_frame)
        .map(|_| Star {
            x: dice.between(-1.0, 2.0) as f32 * size.0 as f32,
            y: dice.between(-1.0, 2.0) as f32 * size.1 as f32,
            flux: (1000.0 * dice.uniform().max(1e-4).powf(-1.25)) as f32,
        })
        .collect()
}

#[derive(Clone, Copy)]
struct View {
    shift: (f64, f64),
    turn_deg: f64,
    scale: f64,
    flux: f64,
    lost: f64,
    /// Standard deviation of a position, pixels.
    error: f64,
}

const STRAIGHT: View = View {
    shift: (0.0, 0.0),
    turn_deg: 0.0,
    scale: 1.0,
    flux: 1.0,
    lost: 0.0,
    error: 0.15,
};

/// What a light sees of the sky, the brightest sixty.
fn see(sky: &[Star], view: View, dice: &mut Dice, size: (u32, u32)) -> Vec<Star> {
    let (cx, cy) = (f64::from(size.0) / 2.0 - 0.5, f64::from(size.1) / 2.0 - 0.5);
    let (sin, cos) = view.turn_deg.to_radians().sin_cos();
    let mut seen: Vec<Star> = Vec::new();
    for star in sky {
        let (x, y) = (
            f64::from(star.x) - cx - view.shift.0,
            f64::from(star.y) - cy - view.shift.1,
        );
        let u = view.scale * (cos * x - sin * y) + cx + view.error * dice.normal();
        let v = view.scale * (sin * x + cos * y) + cy + view.error * dice.normal();
        let inside = u >= 0.0 && v >= 0.0 && u < f64::from(size.0) && v < f64::from(size.1);
        if dice.uniform() >= view.lost && inside {
            let flux = f64::from(star.flux) * view.flux * (1.0 + 0.05 * dice.normal());
            seen.push(Star {
                x: u as f32,
                y: v as f32,
                flux: flux as f32,
            });
        }
    }
    seen.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    seen.truncate(60);
    seen
}

/// How many of `count` skies are matched right, each with a view of its own.
fn found(count: u64, in_frame: usize, size: (u32, u32), view: impl Fn(&mut Dice) -> View) -> u64 {
    let mut right = 0;
    for seed in 1..=count {
        let mut dice = dice(seed);
        let sky = sky(&mut dice, in_frame, size);
        let reference = see(&sky, STRAIGHT, &mut dice, size);
        let view = view(&mut dice);
        let other = see(&sky, view, &mut dice, size);
        let Some(found) = align(&reference, &other, size) else {
            continue;
        };
        let turn = (found.rotation_deg - view.turn_deg + 540.0).rem_euclid(360.0) - 180.0;
        let off = (found.shift_px.0 - view.shift.0).hypot(found.shift_px.1 - view.shift.1);
        assert!(
            turn.abs() < 1.0 && off < 3.0 && (found.scale / view.scale - 1.0).abs() < 0.02,
            "sky {seed}: {found:?}, view shift {:?} turn {}",
            view.shift,
            view.turn_deg
        );
        right += 1;
    }
    right
}

#[test]
fn a_shift_a_turn_and_a_flip_are_found_to_a_fraction_of_a_pixel() {
    let mut dice = dice(3);
    let sky = sky(&mut dice, 120, SIZE);
    let reference = see(&sky, STRAIGHT, &mut dice, SIZE);
    for (shift, turn_deg, scale, flux) in [
        ((12.3, -7.7), 0.0, 1.0, 0.8),
        ((-31.0, 20.0), 179.2, 1.001, 0.35),
        ((5.0, 90.0), -37.0, 0.97, 1.4),
    ] {
        let view = View {
            shift,
            turn_deg,
            scale,
            flux,
            ..STRAIGHT
        };
        let other = see(&sky, view, &mut dice, SIZE);
        let found = align(&reference, &other, SIZE).expect("a match");
        let off = (found.shift_px.0 - shift.0).hypot(found.shift_px.1 - shift.1);
        assert!(off < 0.15, "{found:?}");
        assert!((found.rotation_deg - turn_deg).abs() < 0.1, "{found:?}");
        assert!((found.scale - scale).abs() < 0.001, "{found:?}");
        let error = (found.flux_ratio - flux).abs() / found.flux_error;
        assert!(error < 4.0 && found.flux_error < 0.04 * flux, "{found:?}");
        // The order of the lists is of no account.
        let mut turned: Vec<Star> = other.clone();
        turned.reverse();
        assert_eq!(align(&reference, &turned, SIZE), Some(found));
    }
}

/// What lies so on what lies so: a third light by way of a second is where it is when it is looked for.
#[test]
fn matches_follow_each_other() {
    let size = SIZE;
    for seed in 1..=20 {
        let mut dice = dice(seed);
        let sky = sky(&mut dice, 40, size);
        let turned = View {
            shift: (30.0, -20.0),
            turn_deg: 175.0,
            scale: 1.02,
            flux: 0.5,
            error: 0.02,
            ..STRAIGHT
        };
        let further = View {
            shift: (-25.0, 40.0),
            turn_deg: -160.0,
            scale: 0.98,
            flux: 0.25,
            error: 0.02,
            ..STRAIGHT
        };
        let views = [
            View {
                error: 0.02,
                ..STRAIGHT
            },
            turned,
            further,
        ];
        let [first, second, third] = views.map(|view| see(&sky, view, &mut dice, size));
        let straight = align(&first, &third, size).unwrap();
        let steps = align(&first, &second, size).unwrap();
        let steps = steps.then(align(&second, &third, size).unwrap());
        let apart = |a: f64, b: f64| (a - b).abs();
        assert!(
            apart(steps.shift_px.0, straight.shift_px.0) < 0.1,
            "{steps:?} {straight:?}"
        );
        assert!(
            apart(steps.shift_px.1, straight.shift_px.1) < 0.1,
            "{steps:?} {straight:?}"
        );
        assert!(
            apart(steps.rotation_deg, straight.rotation_deg) < 0.05,
            "{steps:?} {straight:?}"
        );
        assert!(
            apart(steps.scale, straight.scale) < 0.002,
            "{steps:?} {straight:?}"
        );
        assert!(apart(steps.flux_ratio, straight.flux_ratio) < 0.05 * straight.flux_ratio);
        assert!(steps.flux_error > straight.flux_error / 2.0);
    }
}

#[test]
fn half_the_field_and_half_the_stars_are_enough() {
    let half = |dice: &mut Dice| View {
        shift: (dice.between(-0.5, 0.5) * 512.0, 0.0),
        turn_deg: if dice.uniform() < 0.5 { 0.0 } else { 180.0 },
        ..STRAIGHT
    };
    let count = found(1000, 100, SIZE, half);
    assert!(count >= 995, "half the field: {count} of 1000");
    let lost = |dice: &mut Dice| View {
        shift: (dice.between(-40.0, 40.0), dice.between(-40.0, 40.0)),
        turn_deg: dice.between(-180.0, 180.0),
        lost: 0.5,
        ..STRAIGHT
    };
    let count = found(1000, 100, SIZE, lost);
    assert!(count >= 995, "half the stars: {count} of 1000");
    let both = |dice: &mut Dice| View {
        shift: (256.0, 0.0),
        lost: 0.5,
        ..lost(dice)
    };
    let count = found(1000, 100, SIZE, both);
    assert!(count >= 850, "a quarter: {count} of 1000");
    let sparse = |dice: &mut Dice| View {
        shift: (dice.between(-30.0, 30.0), dice.between(-30.0, 30.0)),
        turn_deg: if dice.uniform() < 0.5 { 0.3 } else { 179.7 },
        ..STRAIGHT
    };
    let count = found(1000, 8, SIZE, sparse);
    assert!(count >= 980, "eight stars: {count} of 1000");
}

#[test]
fn unrelated_fields_do_not_match() {
    for (count, in_frame, size) in [
        (1000, 100, SIZE),
        (1000, 6, SIZE),
        (1000, 15, (256, 192)),
        (1000, 100, (256, 192)),
        (300, 100, (6248, 4176)),
    ] {
        let mut matched = 0;
        for seed in 1..=count {
            let mut dice = dice(seed + 7_000_000);
            let mut other = || {
                let sky = sky(&mut dice, in_frame, size);
                see(&sky, STRAIGHT, &mut dice, size)
            };
            if align(&other(), &other(), size).is_some() {
                matched += 1;
            }
        }
        assert!(
            matched == 0,
            "{in_frame} stars on {size:?}: {matched} of {count}"
        );
    }
}

#[test]
fn nothing_matches_with_nothing() {
    assert_eq!(align(&[], &[], SIZE), None);
    let one = Star {
        x: 10.0,
        y: 10.0,
        flux: 1.0,
    };
    assert_eq!(align(&[one; 60], &[one; 60], SIZE), None);
    assert_eq!(align(&[one], &[one], (0, 0)), None);
    let broken = Star { x: f32::NAN, ..one };
    assert_eq!(align(&[broken; 9], &[one; 9], SIZE), None);
}
