//! Verdicts on groups whose figures are made up, one rule at a time.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::facts::{Gauge, SecondImage, SetAside, Shape, Star, Stars};

const SIZE: (u32, u32) = (512, 384);

/// A light that differs from a good one only where a test says so.
#[derive(Clone)]
struct Light {
    measured: Measured,
    minute: f64,
    air_mass: Option<f64>,
}

/// Strewn stars, brightest first.
fn field(seed: u64) -> Vec<Star> {
    // Knuth's linear congruential generator; its upper bits are good enough.
    let mut state = seed;
    let mut part = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f32 / (1u32 << 24) as f32
    };
    part();
    (0..50)
        .map(|at| Star {
            x: 10.0 + 490.0 * part(),
            y: 10.0 + 360.0 * part(),
            flux: 50_000.0 / (at as f32 + 1.0),
        })
        .collect()
}

/// Figures of good lights scatter by some per cent.
fn good(at: usize) -> Light {
    let scatter = |step: f64| 1.0 + 0.03 * (2.0 * (at as f64 * step).fract() - 1.0);
    let shape = Shape {
        stars: 20,
        fwhm_px: (3.0 * scatter(0.618)) as f32,
        half_flux_px: 3.2,
        elongation: (1.08 * scatter(0.414)) as f32,
        angle_deg: 20.0,
    };
    Light {
        measured: Measured {
            background_adu: 400.0 * scatter(0.732),
            noise_adu: 20.0,
            gradient_adu: 10.0,
            stars: Stars {
                count: (100.0 * scatter(0.236)) as u32,
                shape: Some(shape),
                fwhm_spread_px: 0.1,
                elongation_spread: 0.0,
                second_image: None,
                zones: [None; 9],
                brightest: field(0),
            },
            trails: Vec::new(),
            ..Measured::default()
        },
        minute: 5.0 * at as f64,
        air_mass: None,
    }
}

fn night(count: usize) -> Vec<Light> {
    (0..count).map(good).collect()
}

impl Light {
    fn shape(&mut self) -> &mut Shape {
        self.measured.stars.shape.as_mut().unwrap()
    }

    /// This part of the flux comes through; stars that grow too faint are lost.
    fn dim(&mut self, through: f32) {
        let stars = &mut self.measured.stars;
        stars.brightest.retain(|star| star.flux * through > 1200.0);
        stars
            .brightest
            .iter_mut()
            .for_each(|star| star.flux *= through);
        stars.count = (stars.count as f32 * through.powf(0.7)) as u32;
    }

    fn place(&mut self, place: impl Fn(f32, f32) -> (f32, f32)) {
        for star in &mut self.measured.stars.brightest {
            (star.x, star.y) = place(star.x, star.y);
        }
        let inside = |star: &Star| {
            (0.0..SIZE.0 as f32).contains(&star.x) && (0.0..SIZE.1 as f32).contains(&star.y)
        };
        self.measured.stars.brightest.retain(inside);
    }
}

fn judge(lights: &[Light], earlier: Option<&Usual>) -> Vec<Judged> {
    let evening: Timestamp = "2026-09-05T21:00:00Z".parse().unwrap();
    let group: Vec<Subframe> = lights
        .iter()
        .map(|light| Subframe {
            measured: &light.measured,
            start: evening
                .checked_add(jiff::SignedDuration::from_secs(
                    (60.0 * light.minute) as i64,
                ))
                .ok(),
            exposure: Seconds::new(300.0).unwrap(),
            air_mass: light.air_mass,
            pixel_scale: Some(1.5),
            size: SIZE,
        })
        .collect();
    verdicts(&group, earlier, &VerdictLimits::default())
}

fn reasons(judged: &Judged) -> Vec<SetAside> {
    judged
        .findings
        .iter()
        .map(|finding| finding.reason)
        .collect()
}

#[test]
fn each_fault_is_named_with_value_and_limit() {
    type Spoil = fn(&mut Light);
    let cases: [(Spoil, SetAside, f64, f64); 7] = [
        (
            |light| light.shape().elongation = 1.9,
            SetAside::Trailed,
            1.9,
            1.4,
        ),
        (|light| light.dim(0.45), SetAside::Clouds, 0.45, 0.7),
        (
            |light| light.shape().fwhm_px = 5.2,
            SetAside::Defocused,
            5.2,
            4.2,
        ),
        (
            |light| light.measured.background_adu = 1500.0,
            SetAside::BrightSky,
            1500.0,
            800.0,
        ),
        (
            |light| light.measured.stars.count = 30,
            SetAside::FewStars,
            30.0,
            50.0,
        ),
        (
            |light| light.place(|x, y| (x + 100.0, y)),
            SetAside::OffTarget,
            100.0 / 512.0,
            0.1,
        ),
        (
            |light| light.measured.stars.brightest = field(5),
            SetAside::OffTarget,
            100.0,
            50.0,
        ),
    ];
    for (spoil, reason, value, limit) in cases {
        let mut lights = night(12);
        spoil(&mut lights[7]);
        let judged = judge(&lights, None);
        for (at, judged) in judged.iter().enumerate() {
            let want: &[SetAside] = if at == 7 { &[reason] } else { &[] };
            assert_eq!(reasons(judged), want, "light {at}: {judged:?}");
        }
        let finding = judged[7].findings[0];
        assert!(
            (finding.value / value - 1.0).abs() < 0.05,
            "{finding:?}, want {value}"
        );
        assert!(
            (finding.limit / limit - 1.0).abs() < 0.12,
            "{finding:?}, want {limit}"
        );
        // Of stars of another field nothing tells how far off they are.
        let is_counted = reason == SetAside::OffTarget && value > 1.0;
        match finding.gauge {
            Gauge::Usual => assert!(
                !is_counted && finding.beyond_sd.unwrap() > 3.0,
                "{finding:?}"
            ),
            Gauge::UnmatchedStars => assert!(is_counted, "{finding:?}"),
        }
    }
}

/// Half of the flux is in each star's second image, which no cloud took.
#[test]
fn a_jump_of_the_mount_is_no_cloud() {
    let mut lights = night(12);
    for (at, through) in [(3, 0.55), (7, 0.2)] {
        lights[at].dim(through);
        lights[at].measured.stars.count = 100;
        lights[at].measured.stars.second_image = Some(SecondImage {
            apart_px: 60.0,
            share: 0.45,
        });
        lights[at].shape().elongation = 20.0;
    }
    let judged = judge(&lights, None);
    assert_eq!(reasons(&judged[3]), [SetAside::Trailed]);
    let through = judged[3].relative.unwrap().transparency;
    assert!((through - 1.0).abs() < 0.05, "{through}");
    // A cloud that passed meanwhile is told.
    assert_eq!(reasons(&judged[7]), [SetAside::Trailed, SetAside::Clouds]);
    let found = judged[7].findings[1];
    assert!((found.value / (0.2 / 0.55) - 1.0).abs() < 0.05, "{found:?}");
}

#[test]
fn beyond_the_limit_is_not_enough_where_the_group_scatters_so() {
    let mut lights = night(20);
    for (at, light) in lights.iter_mut().enumerate() {
        light.shape().elongation = 1.1 + 0.02 * at as f32;
    }
    let judged = judge(&lights, None);
    assert!(
        judged.iter().all(|judged| judged.findings.is_empty()),
        "{judged:?}"
    );
}

/// A full width is the geometric mean of both axes', which trailing makes larger too.
#[test]
fn a_trailed_light_is_defocused_only_where_it_is_wide_across() {
    let mut lights = night(9);
    for (at, across) in [(3, 3.0f32), (6, 6.0)] {
        let shape = lights[at].shape();
        shape.elongation = 4.0;
        shape.fwhm_px = across * 2.0;
    }
    let judged = judge(&lights, None);
    assert_eq!(reasons(&judged[3]), [SetAside::Trailed]);
    assert_eq!(
        reasons(&judged[6]),
        [SetAside::Trailed, SetAside::Defocused]
    );
}

#[test]
fn stars_narrower_than_two_pixels_may_be_longer() {
    let mut lights = night(8);
    for light in &mut lights {
        light.shape().fwhm_px /= 2.0;
    }
    lights[2].shape().elongation = 1.55;
    lights[3].shape().elongation = 1.65;
    let judged = judge(&lights, None);
    assert_eq!(reasons(&judged[2]), []);
    assert_eq!(reasons(&judged[3]), [SetAside::Trailed]);
    assert!((judged[3].findings[0].limit - 1.6).abs() < 1e-9);
}

#[test]
fn a_setting_target_and_a_rising_moon_are_no_fault() {
    let mut lights = night(36);
    for (at, light) in lights.iter_mut().enumerate() {
        let hours = at as f64 / 12.0;
        let air = 1.2 + 0.6 * hours;
        light.air_mass = Some(air);
        light.dim(10f64.powf(-0.4 * 0.2 * (air - 1.2)) as f32);
        light.shape().fwhm_px *= (air / 1.2).powf(0.6) as f32;
        light.measured.background_adu *= 1.0 + 3.0 * hours;
    }
    for known in [true, false] {
        if !known {
            lights.iter_mut().for_each(|light| light.air_mass = None);
        }
        let judged = judge(&lights, None);
        let bad: Vec<_> = judged
            .iter()
            .map(reasons)
            .filter(|all| !all.is_empty())
            .collect();
        assert!(bad.is_empty(), "air mass known: {known}: {bad:?}");
        if known {
            let through = judged[35].relative.unwrap().transparency;
            assert!((through - 1.0).abs() < 0.03, "{through}");
        }
    }
}

#[test]
fn after_a_meridian_flip_the_field_is_the_same() {
    let mut lights = night(16);
    for light in &mut lights[9..] {
        light.place(|x, y| (511.0 - x, 383.0 - y));
    }
    let judged = judge(&lights, None);
    for (at, judged) in judged.iter().enumerate() {
        assert_eq!(reasons(judged), [], "light {at}");
    }
    let turns = |at: usize| judged[at].relative.unwrap().rotation_deg;
    assert!(((turns(0) - turns(15)).abs() - 180.0).abs() < 0.1);
}

#[test]
fn thick_cloud_is_cloud_and_no_other_field() {
    let mut lights = night(14);
    for (light, through) in lights[4..9].iter_mut().zip([0.5, 0.1, 0.0, 0.04, 0.3]) {
        light.dim(through);
        if through < 0.1 {
            light.measured.stars.shape = None;
        }
    }
    let judged = judge(&lights, None);
    for (at, judged) in judged.iter().enumerate() {
        let found = reasons(judged);
        assert_eq!(
            found.contains(&SetAside::Clouds),
            (4..9).contains(&at),
            "{at}: {found:?}"
        );
        assert!(!found.contains(&SetAside::OffTarget), "{at}: {found:?}");
    }
    assert_eq!(judged[6].findings[0].value, 0.0);
}

#[test]
fn a_night_that_is_cloudy_for_more_than_half_still_has_its_clear_lights() {
    let mut lights = night(20);
    for (at, light) in lights[8..].iter_mut().enumerate() {
        light.dim(0.15 + 0.02 * at as f32);
    }
    let judged = judge(&lights, None);
    for (at, judged) in judged.iter().enumerate() {
        assert_eq!(
            reasons(judged).contains(&SetAside::Clouds),
            at >= 8,
            "{at}: {judged:?}"
        );
    }
}

/// While it lay over the field for an hour, the limit followed it down to half of the best.
#[test]
fn the_limit_stays_where_it_is_under_clouds_that_last() {
    for (from, to) in [(20, 32), (0, 12), (48, 60), (30, 60)] {
        let mut lights = night(60);
        for light in &mut lights[from..to] {
            light.dim(0.6);
        }
        for air_mass in [None, Some(1.3)] {
            lights
                .iter_mut()
                .for_each(|light| light.air_mass = air_mass);
            for (at, judged) in judge(&lights, None).iter().enumerate() {
                let under = (from..to).contains(&at);
                let want: &[SetAside] = if under { &[SetAside::Clouds] } else { &[] };
                assert_eq!(reasons(judged), want, "light {at}: {judged:?}");
                for finding in &judged.findings {
                    assert!((finding.value - 0.6).abs() < 0.03, "{at}: {finding:?}");
                    assert!((finding.limit - 0.7).abs() < 0.03, "{at}: {finding:?}");
                }
            }
        }
    }
}

#[test]
fn few_lights_are_judged_by_the_limits_alone() {
    let mut lights = night(4);
    lights[2].shape().fwhm_px = 5.0;
    let judged = judge(&lights, None);
    assert_eq!(reasons(&judged[2]), [SetAside::Defocused]);
    assert_eq!(judged[2].findings[0].beyond_sd, None);
    assert!([0, 1, 3].iter().all(|&at| judged[at].findings.is_empty()));

    let mut alone = night(1);
    assert_eq!(reasons(&judge(&alone, None)[0]), []);
    alone[0].shape().elongation = 1.7;
    assert_eq!(reasons(&judge(&alone, None)[0]), [SetAside::Trailed]);
    assert!(judge(&[], None).is_empty());
}

/// A closed dome shows no stars, but now and then a few narrow and bright specks of the sensor, in the
/// same places. They are no reference for lights that are full of stars, even where they are as many.
#[test]
fn of_a_few_lights_the_one_with_the_best_pattern_is_the_reference() {
    let specks = |count: usize| -> Vec<Star> {
        let speck = |star: Star| Star {
            flux: 200_000.0,
            ..star
        };
        field(9).into_iter().take(count).map(speck).collect()
    };
    for (good, blocked, seen) in [(1, 1, 8), (2, 1, 12), (1, 2, 6), (1, 3, 6), (2, 2, 12)] {
        let mut lights = night(good + blocked);
        for light in &mut lights[good..] {
            light.measured.stars.brightest = specks(seen);
            light.measured.stars.count = seen as u32;
            light.shape().fwhm_px = 1.2;
        }
        let judged = judge(&lights, None);
        for (at, judged) in judged.iter().enumerate() {
            let found = reasons(judged);
            if at < good {
                assert_eq!(found, [], "{good} good of {}: {judged:?}", lights.len());
                let through = judged.relative.unwrap().transparency;
                assert!((through - 1.0).abs() < 0.1, "{judged:?}");
            } else {
                assert!(found.contains(&SetAside::FewStars), "{judged:?}");
                assert_eq!(judged.relative, None);
            }
        }
    }
}

#[test]
fn a_night_that_is_bad_as_a_whole_is_judged_by_earlier_ones() {
    let mut lights = night(10);
    for light in &mut lights {
        light.shape().fwhm_px *= 1.8;
        light.measured.background_adu *= 3.0;
        light.measured.stars.count /= 3;
    }
    let kept = |judged: &[Judged]| judged.iter().all(|judged| judged.findings.is_empty());
    assert!(kept(&judge(&lights, None)));
    let usual = Usual {
        fwhm_px: Some(3.0),
        elongation: Some(1.1),
        background_adu_per_s: Some(400.0 / 300.0),
        stars: Some(100.0),
    };
    assert!(kept(&judge(&night(10), Some(&usual))));
    for judged in judge(&lights, Some(&usual)) {
        let all = [SetAside::Defocused, SetAside::BrightSky, SetAside::FewStars];
        assert_eq!(reasons(&judged), all);
        assert!(
            judged
                .findings
                .iter()
                .all(|finding| finding.beyond_sd.is_none())
        );
    }
    // Stars that are long on all lights were so before, or they are trailed.
    for light in &mut lights {
        light.shape().elongation += 0.5;
    }
    let trailed = |judged: Vec<Judged>| reasons(&judged[0]).contains(&SetAside::Trailed);
    assert!(trailed(judge(&lights, None)));
    let crooked = Usual {
        elongation: Some(1.55),
        ..Usual::default()
    };
    assert!(!trailed(judge(&lights, Some(&crooked))));
}

#[test]
fn the_order_of_the_lights_is_of_no_account() {
    let mut lights = night(17);
    lights[3].dim(0.4);
    lights[8].shape().fwhm_px = 6.0;
    lights[11].place(|x, y| (x, y + 80.0));
    let forwards = judge(&lights, None);
    for step in [3, 5, 16] {
        let order: Vec<usize> = (0..17).map(|at| (at * step) % 17).collect();
        let shuffled: Vec<Light> = order.iter().map(|&at| lights[at].clone()).collect();
        let judged = judge(&shuffled, None);
        for (place, &at) in order.iter().enumerate() {
            assert_eq!(judged[place], forwards[at], "light {at}, step {step}");
        }
    }
}

#[test]
fn lights_without_stars_or_numbers_are_borne() {
    let mut lights = night(6);
    for light in &mut lights {
        light.measured.stars.brightest.clear();
        light.measured.stars.shape = None;
        light.measured.stars.count = 0;
        light.measured.background_adu = f64::NAN;
        light.measured.noise_adu = 0.0;
    }
    assert!(
        judge(&lights, None)
            .iter()
            .all(|judged| judged.findings.is_empty())
    );
}
