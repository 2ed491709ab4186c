#![allow(clippy::unwrap_used, clippy::expect_used)]

use ndarray::{Array2, ArrayView2};

use super::*;
use crate::facts::{Cfa, Star};
use crate::measure::dice::Dice;

/// A profile of unit flux: beta 0 is a Gaussian.
#[derive(Clone, Copy)]
struct Profile {
    long: f64,
    short: f64,
    angle: f64,
    beta: f64,
}

impl Profile {
    /// With a geometric mean of its full widths of `fwhm`, `drawn` times as long as wide.
    fn new(fwhm: f64, beta: f64, drawn: f64) -> Self {
        Self {
            long: fwhm * drawn.sqrt(),
            short: fwhm / drawn.sqrt(),
            angle: 0.6,
            beta,
        }
    }

    /// Flux that falls on a pixel this far away, by 8 x 8 midpoints where the profile is steep.
    fn pixel(&self, dx: f64, dy: f64) -> f64 {
        let parts = if dx.hypot(dy) < 2.0 * self.long { 8 } else { 2 };
        let (sin, cos) = self.angle.sin_cos();
        let (a, b) = (self.long / 2.0, self.short / 2.0);
        let mut sum = 0.0;
        for part in 0..parts * parts {
            let at = |part: usize| (part as f64 + 0.5) / parts as f64 - 0.5;
            let (x, y) = (dx + at(part % parts), dy + at(part / parts));
            let q = ((x * cos + y * sin) / a).powi(2) + ((y * cos - x * sin) / b).powi(2);
            sum += if self.beta == 0.0 {
                (-q * 2f64.ln()).exp() * 2f64.ln()
            } else {
                let k = 2f64.powf(1.0 / self.beta) - 1.0;
                (1.0 + k * q).powf(-self.beta) * k * (self.beta - 1.0)
            };
        }
        sum / (std::f64::consts::PI * a * b * (parts * parts) as f64)
    }

    fn draw(&self, plane: &mut Array2<f32>, x: f64, y: f64, flux: f64) {
        let reach = (if self.beta == 0.0 { 3.0 } else { 8.0 }) * self.long + 3.0;
        let (height, width) = plane.dim();
        let range = |at: f64, side: usize| {
            (at - reach).max(0.0) as usize..((at + reach).max(0.0) as usize + 1).min(side)
        };
        for row in range(y, height) {
            for column in range(x, width) {
                let value = flux * self.pixel(column as f64 - x, row as f64 - y);
                plane[(row, column)] += value as f32;
            }
        }
    }
}

const SKY: f64 = 500.0;
const NOISE: f64 = 5.0;

fn sky(width: usize, height: usize, dice: &mut Dice) -> Array2<f32> {
    Array2::from_shape_simple_fn((height, width), || (SKY + NOISE * dice.normal()) as f32)
}

/// Stars of one profile on a wobbly grid, whose signal to noise lies between these.
fn grid(profile: Profile, sn: (f64, f64)) -> (Array2<f32>, Vec<(f64, f64)>) {
    let mut dice = Dice(7);
    let mut plane = sky(600, 500, &mut dice);
    let mut places = Vec::new();
    let apart = 100.0;
    for row in 0..5 {
        for column in 0..6 {
            let x = apart * (f64::from(column) + 0.4 + 0.2 * dice.uniform());
            let y = apart * (f64::from(row) + 0.4 + 0.2 * dice.uniform());
            let share = f64::from(row * 6 + column) / 29.0;
            let sn = sn.0 * (sn.1 / sn.0).powf(share);
            // Noise within the matched filter's area, 4 pi sigma squared.
            let sigma = (profile.long * profile.short).sqrt() / 2.355;
            let flux = sn * NOISE * (4.0 * std::f64::consts::PI * (sigma * sigma + 0.1)).sqrt();
            profile.draw(&mut plane, x, y, flux);
            places.push((x, y));
        }
    }
    (plane, places)
}

fn measured(plane: &Array2<f32>, cfa: Option<Cfa>) -> StarReport {
    stars(&Light {
        plane: plane.view(),
        mask: None,
        cfa,
    })
    .unwrap()
}

/// Half-flux diameter over full width (Moffat's integral; 1 for a Gaussian).
fn half_flux(beta: f64) -> f64 {
    let part = |beta: f64| 2f64.powf(1.0 / beta) - 1.0;
    if beta == 0.0 {
        1.0
    } else {
        (part(beta - 1.0) / part(beta)).sqrt()
    }
}

/// Biases of stars whose signal to noise lies between these: full width, half-flux diameter, elongation,
/// angle in degrees, root mean square of the errors of the places in pixels.
fn biases(profile: Profile, cfa: Option<Cfa>, sn: (f64, f64)) -> [f64; 5] {
    let (plane, places) = grid(profile, sn);
    let report = measured(&plane, cfa);
    assert_eq!(report.stars.count, 30);
    let shape = report.stars.shape.unwrap();
    let fwhm = (profile.long * profile.short).sqrt();
    let squares = report.stars.brightest.iter().map(|star| {
        let away = |&(x, y): &(f64, f64)| (x - f64::from(star.x)).hypot(y - f64::from(star.y));
        places
            .iter()
            .map(away)
            .fold(f64::INFINITY, f64::min)
            .powi(2)
    });
    let squares: f64 = squares.sum();
    [
        f64::from(shape.fwhm_px) / fwhm - 1.0,
        f64::from(shape.half_flux_px) / (fwhm * half_flux(profile.beta)) - 1.0,
        f64::from(shape.elongation) - profile.long / profile.short,
        f64::from(shape.angle_deg) - profile.angle.to_degrees(),
        (squares / 30.0).sqrt(),
    ]
}

/// Figures of pixel-integrated Gaussians and Moffats come out as they went in. Half-flux diameters
/// are those of the formula in `half_flux`; an ellipse's is a little larger, by 1.7 % at 1.5.
#[test]
fn known_profiles() {
    for (fwhm, beta, drawn) in [
        (1.8, 3.5, 1.0),
        (2.5, 0.0, 1.0),
        (2.5, 2.5, 1.5),
        (4.0, 4.765, 1.0),
        (8.0, 3.5, 1.5),
        (8.0, 0.0, 1.0),
    ] {
        for cfa in [None, Cfa::parse("RGGB")] {
            let [width, half, elongation, angle, place] =
                biases(Profile::new(fwhm, beta, drawn), cfa, (60.0, 1500.0));
            let what = format!(
                "{fwhm} {beta} {drawn} {cfa:?}: {width} {half} {elongation} {angle} {place}"
            );
            println!("{what}");
            assert!(width.abs() < 0.01, "{what}");
            let sparse = if cfa.is_some() { 0.04 } else { 0.015 };
            let drawn_out = if drawn > 1.0 { 0.017 } else { 0.0 };
            assert!((half - drawn_out).abs() < sparse, "{what}");
            assert!(elongation.abs() < 0.02, "{what}");
            assert!(drawn == 1.0 || angle.abs() < 1.0, "{what}");
            // At a signal to noise of 60 noise alone moves a star by FWHM / (2.355 x 60) along each
            // axis: by 0.06 px where it is 8 px wide.
            assert!(place < 0.05 * f64::max(fwhm / 4.0, 1.0), "{what}");
            let profile = Profile::new(fwhm, beta, drawn);
            let [.., place] = biases(profile, cfa, (150.0, 1500.0));
            assert!(place < 0.05, "{what}, brighter ones {place}");
        }
    }
}

/// Of stars as close as 2.5 full widths both are found, and in a field with a star every 26 pixels hardly
/// one is lost, made up, or taken for wider than it is.
#[test]
fn stars_close_together_are_told_apart() {
    let profile = Profile::new(3.0, 3.5, 1.0);
    let mut dice = Dice(11);
    let mut plane = sky(600, 500, &mut dice);
    for place in 0..30 {
        let (x, y) = (
            100.0 * f64::from(place % 6) + 50.0,
            100.0 * f64::from(place / 6) + 50.0,
        );
        let (sin, cos) = (f64::from(place) * 0.3).sin_cos();
        profile.draw(&mut plane, x, y, 4000.0);
        profile.draw(&mut plane, x + 7.5 * cos, y + 7.5 * sin, 3000.0);
    }
    assert_eq!(measured(&plane, None).stars.count, 60);

    let mut plane = sky(1040, 1040, &mut dice);
    for _ in 0..1600 {
        let (x, y) = (1040.0 * dice.uniform(), 1040.0 * dice.uniform());
        // From 30 to 300 times the noise within the matched filter.
        let flux = 600.0 * 10f64.powf(dice.uniform());
        profile.draw(&mut plane, x, y, flux);
    }
    let stars = measured(&plane, None).stars;
    // Stars at less than two full widths from another, and those at the rim, are one in ten.
    assert!((1360..1600).contains(&stars.count), "{}", stars.count);
    let width = f64::from(stars.shape.unwrap().fwhm_px);
    assert!((width / 3.0 - 1.0).abs() < 0.02, "{width}");
}

/// The same figures from any number of threads.
#[test]
fn threads_play_no_part() {
    let (mut plane, _) = grid(Profile::new(3.0, 3.5, 1.1), (20.0, 2000.0));
    plane[(100, 100)] = f32::NAN;
    let alone = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        pool.build().unwrap().install(|| measured(&plane, None))
    };
    let (one, three) = (alone(1), alone(3));
    assert_eq!(one.stars, three.stars);
    assert_eq!(one.covered, three.covered);
    assert_eq!((one.mesh, one.trails), (three.mesh, three.trails));
}

/// A jump of the guiding by 9 px: every star twice, both round.
#[test]
fn doubled_stars_are_drawn_out() {
    let profile = Profile::new(3.0, 3.5, 1.0);
    let mut dice = Dice(11);
    let mut plane = sky(800, 600, &mut dice);
    for _ in 0..60 {
        let (x, y) = (780.0 * dice.uniform() + 5.0, 580.0 * dice.uniform() + 5.0);
        let flux = 3000.0 / (1.0 - dice.uniform());
        profile.draw(&mut plane, x, y, 0.6 * flux);
        profile.draw(&mut plane, x + 8.0, y - 4.0, 0.4 * flux);
    }
    let shape = measured(&plane, None).stars.shape.unwrap();
    assert!(shape.elongation > 2.0, "{shape:?}");
    // 4 rows down for 8 columns to the left: 180 - atan(1/2).
    assert!((shape.angle_deg - 153.4).abs() < 3.0, "{shape:?}");
    // The single star's width.
    assert!((shape.fwhm_px - 3.0).abs() < 0.15, "{shape:?}");
}

/// A jump of the mount by more than guiding makes.
#[test]
fn stars_doubled_far_apart_are_drawn_out() {
    let profile = Profile::new(3.0, 3.5, 1.0);
    for (dx, dy) in [(0.0, 0.0), (52.0, -24.0)] {
        let mut dice = Dice(12);
        let mut plane = sky(1200, 1000, &mut dice);
        for _ in 0..80 {
            let (x, y) = (
                1100.0 * dice.uniform() + 20.0,
                940.0 * dice.uniform() + 40.0,
            );
            let flux = 3000.0 / (1.0 - dice.uniform());
            profile.draw(&mut plane, x, y, 0.65 * flux);
            profile.draw(&mut plane, x + dx, y + dy, 0.35 * flux);
        }
        let stars = measured(&plane, None).stars;
        let shape = stars.shape.unwrap();
        if dx == 0.0 {
            assert_eq!(stars.second_image, None);
            assert!(shape.elongation < 1.2, "{shape:?}");
            continue;
        }
        let image = stars.second_image.unwrap();
        assert!(
            (f64::from(image.apart_px) - dx.hypot(dy)).abs() < 1.0,
            "{image:?}"
        );
        assert!((image.share - 0.35).abs() < 0.05, "{image:?}");
        assert!(shape.elongation > 5.0, "{shape:?}");
    }
}

/// A trail across a field of stars, as bright per pixel as this many times the noise.
#[test]
fn trails_bright_and_faint() {
    for (brightness, cfa) in [
        (0.0, None),
        (1.0, None),
        (5.0, Cfa::parse("GRBG")),
        (60.0, None),
    ] {
        let (mut plane, _) = grid(Profile::new(3.0, 3.5, 1.0), (20.0, 2000.0));
        let before = measured(&plane, cfa).stars;
        let (dx, dy) = (0.9f64, 0.19f64.sqrt());
        for ((row, column), value) in plane.indexed_iter_mut() {
            let (x, y) = (column as f64 - 20.0, row as f64 - 130.0);
            let beside = y * dx - x * dy;
            *value += (brightness * NOISE * (-0.5 * (beside / 1.5).powi(2)).exp()) as f32;
        }
        let report = measured(&plane, cfa);
        let what = format!("{brightness} {:?} {:?}", report.trails, report.stars);
        if brightness == 0.0 {
            assert_eq!(report.trails, [], "{what}");
            continue;
        }
        assert_eq!(report.trails.len(), 1, "{what}");
        let trail = report.trails[0];
        assert!((trail.angle_deg - 25.84).abs() < 0.5, "{what}");
        assert!((trail.length_px - 600.0 / 0.9).abs() < 80.0, "{what}");
        assert!(report.stars.count.abs_diff(before.count) <= 3, "{what}");
        assert!(report.covered.at(20, 130) && !report.covered.at(60, 20));
        let (was, is) = (before.shape.unwrap(), report.stars.shape.unwrap());
        assert!((was.fwhm_px - is.fwhm_px).abs() < 0.05, "{what}");
    }
}

/// Stars drawn out over 40 px by a drive that stood still are stars, and no trails.
#[test]
fn long_drawn_stars_stay_stars() {
    let mut dice = Dice(5);
    let mut plane = sky(800, 600, &mut dice);
    let profile = Profile::new(3.0, 3.5, 1.0);
    for _ in 0..30 {
        let (x, y) = (740.0 * dice.uniform() + 10.0, 560.0 * dice.uniform() + 20.0);
        let flux = 20_000.0 / (1.0 - dice.uniform());
        for step in 0..20 {
            profile.draw(&mut plane, x + 2.0 * f64::from(step), y, flux / 20.0);
        }
    }
    let report = measured(&plane, None);
    let shape = report.stars.shape.unwrap();
    assert!(
        shape.elongation > 3.0 && report.trails.is_empty(),
        "{shape:?} {:?}",
        report.trails
    );
}

/// A sparse field of which few stars are clear of the noise, all alike: so many times the noise of a
/// pixel in all, drawn out over `long` pixels along the columns.
fn sparse(fluxes: &[f64], profile: Profile, long: f64) -> Stars {
    let alike = fluxes.iter().map(|&flux| (flux, profile));
    sparse_of(&alike.collect::<Vec<_>>(), long)
}

/// The same with a profile for each star.
fn sparse_of(stars: &[(f64, Profile)], long: f64) -> Stars {
    const STEPS: u32 = 24;
    let mut dice = Dice(23);
    let mut plane = sky(384, 256, &mut dice);
    for (at, (flux, profile)) in stars.iter().enumerate() {
        let (x, y) = (60.0 + 64.0 * (at % 5) as f64, 50.0 + 75.0 * (at / 5) as f64);
        for step in 0..STEPS {
            let along = long * (f64::from(step) / f64::from(STEPS - 1) - 0.5);
            profile.draw(&mut plane, x + along, y, flux * NOISE / f64::from(STEPS));
        }
    }
    measured(&plane, None).stars
}

/// A light of a sparse field, out of focus or badly guided, has one star that is well exposed at most:
/// it and the faint ones tell the shape together.
#[test]
fn few_faint_stars_tell_the_shape() {
    // Over so wide a star, noise is that of 13 pixels: a signal to noise of some 55 and 12 to 20.
    let fluxes = [1000.0, 380.0, 320.0, 270.0, 220.0, 200.0];
    let blurred = Profile::new(9.0, 3.5, 1.0);
    let round = sparse(&fluxes, blurred, 0.0);
    let shape = round.shape.unwrap();
    assert!((shape.fwhm_px - 9.0).abs() < 0.7, "{shape:?}");
    assert!(shape.elongation < 1.2 && shape.stars >= 4, "{shape:?}");
    assert!(
        round.fwhm_spread_px > 0.0 && round.fwhm_spread_px < 2.0,
        "{round:?}"
    );

    // They need no bright one, and one that is none of them does not decide.
    let faint = [380.0, 370.0, 320.0, 310.0, 270.0, 260.0, 220.0, 210.0];
    let none_bright = sparse(&faint, blurred, 0.0);
    let mut stars = fluxes.map(|flux| (flux, blurred));
    stars[0].1 = Profile::new(5.0, 3.5, 1.0);
    for found in [none_bright, sparse_of(&stars, 0.0)] {
        let shape = found.shape.unwrap();
        assert!((shape.fwhm_px - 9.0).abs() < 1.0, "{shape:?}");
    }

    let drawn = sparse(&fluxes, Profile::new(3.0, 3.5, 1.0), 16.0)
        .shape
        .unwrap();
    assert!(drawn.elongation > 2.5, "{drawn:?}");
    assert!(
        drawn.angle_deg.min(180.0 - drawn.angle_deg) < 4.0,
        "{drawn:?}"
    );
}

/// What one star says may be its own affair, whatever faint one is beside it, and faint stars say too
/// little.
#[test]
fn too_few_stars_tell_no_shape() {
    let profile = Profile::new(3.0, 3.5, 1.0);
    for fluxes in [&[900.0][..], &[900.0, 100.0], &[50.0, 45.0, 40.0]] {
        let found = sparse(fluxes, profile, 0.0);
        assert_eq!(found.count as usize, fluxes.len());
        assert_eq!(found.shape, None, "{fluxes:?}");
    }
}

#[test]
fn frames_without_stars_or_numbers() {
    let none = |plane: ArrayView2<'_, f32>| {
        let light = Light {
            plane,
            mask: None,
            cfa: None,
        };
        stars(&light).map(|report| report.stars)
    };
    for (width, height) in [(0, 0), (1, 1), (64, 48), (256, 192), (65, 3)] {
        let empty = Array2::from_elem((height, width), f32::NAN);
        assert_eq!(none(empty.view()), None);
        let level = Array2::from_elem((height, width), 300.0);
        if width > 0 {
            let found = none(level.view()).unwrap();
            assert_eq!((found.count, found.shape), (0, None));
        }
        let noise = sky(width, height, &mut Dice(3));
        if width > 0 {
            assert_eq!(none(noise.view()).unwrap().count, 0);
        }
    }
}

/// A bright nebula over the whole frame: knots as narrow as ten stars, up to thirty times the noise of a
/// pixel above the sky.
fn with_nebula(mut plane: Array2<f32>, fwhm: f64) -> Array2<f32> {
    let mut dice = Dice(3);
    let (height, width) = plane.dim();
    for _ in 0..14 {
        let x = width as f64 * (0.5 + 0.3 * dice.normal());
        let y = height as f64 * (0.5 + 0.3 * dice.normal());
        let mut side = || fwhm * (10.0 + 30.0 * dice.uniform());
        let (a, b) = (side(), side());
        let knot = 30.0 * NOISE * dice.uniform();
        for ((row, column), value) in plane.indexed_iter_mut() {
            let q = ((column as f64 - x) / a).powi(2) + ((row as f64 - y) / b).powi(2);
            let light = knot * (-q / 2.0).exp();
            // Light has noise of its own.
            *value += (light + 0.3 * light.sqrt() * dice.normal()) as f32;
        }
    }
    plane
}

#[test]
fn a_nebula_is_no_star_and_spoils_none() {
    for fwhm in [2.5, 4.0, 7.0] {
        let profile = Profile::new(fwhm, 3.5, 1.0);
        let (plane, places) = grid(profile, (80.0, 800.0));
        let plain = measured(&plane, None).stars;
        let report = measured(&with_nebula(plane, fwhm), None);
        let stars = &report.stars;
        assert!((29..=33).contains(&stars.count), "{fwhm}: {}", stars.count);
        let shape = stars.shape.unwrap();
        assert!(
            (f64::from(shape.fwhm_px) / fwhm - 1.0).abs() < 0.03,
            "{fwhm}: {shape:?}"
        );
        assert_eq!(report.trails, []);
        // Of the same stars as much flux comes through.
        let mut ratios = Vec::new();
        for (x, y) in places {
            let at = |stars: &Stars| {
                let near =
                    |star: &&Star| (f64::from(star.x) - x).hypot(f64::from(star.y) - y) < 1.0;
                stars
                    .brightest
                    .iter()
                    .find(near)
                    .map(|star| f64::from(star.flux))
            };
            ratios.extend(
                at(stars)
                    .zip(at(&plain))
                    .map(|(with, without)| with / without),
            );
        }
        assert!(ratios.len() >= 27, "{fwhm}: {}", ratios.len());
        let ratio = median(&mut ratios).unwrap();
        assert!((ratio - 1.0).abs() < 0.03, "{fwhm}: {ratio}");
    }
}
