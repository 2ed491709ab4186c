//! Courses of made-up groups.

#![allow(clippy::unwrap_used)]

use super::*;
use crate::facts::{Finding, Gauge, Measured, Relative, Seconds, Stars};

fn nothing() -> Measured {
    Measured {
        background_adu: 0.0,
        noise_adu: 0.0,
        gradient_adu: 0.0,
        stars: Stars {
            count: 0,
            shape: None,
            fwhm_spread_px: 0.0,
            elongation_spread: 0.0,
            second_image: None,
            zones: [None; 9],
            brightest: Vec::new(),
        },
        trails: Vec::new(),
        ..Measured::default()
    }
}

/// A light every five minutes, with these shifts and transparencies; set aside for clouds below 0.7.
fn course(lights: &[(f64, f64, f64)]) -> Course {
    let measured = nothing();
    let evening: jiff::Timestamp = "2026-09-05T21:00:00Z".parse().unwrap();
    let subframe = |at: usize| Subframe {
        measured: &measured,
        start: evening
            .checked_add(jiff::SignedDuration::from_mins(5 * at as i64))
            .ok(),
        exposure: Seconds::new(290.0).unwrap(),
        air_mass: None,
        pixel_scale: Some(1.5),
        size: (1000, 800),
    };
    let judged = |&(x, y, transparency): &(f64, f64, f64)| Judged {
        findings: (transparency < 0.7)
            .then_some(Finding {
                reason: SetAside::Clouds,
                value: transparency,
                limit: 0.7,
                beyond_sd: None,
                gauge: Gauge::Usual,
            })
            .into_iter()
            .collect(),
        relative: Some(Relative {
            transparency,
            shift_px: (x, y),
            rotation_deg: 0.0,
            scale: 1.0,
        }),
    };
    let group: Vec<Subframe> = (0..lights.len()).map(subframe).collect();
    Course::of(&group, &lights.iter().map(judged).collect::<Vec<_>>())
}

/// Dithers of some pixels, around nothing.
fn dither(at: usize) -> (f64, f64) {
    let part = |step: f64| 8.0 * ((at as f64 * step).fract() - 0.5);
    (part(0.618), part(0.414))
}

#[test]
fn a_night_that_is_not_dithered_is_told() {
    let still: Vec<_> = (0..15).map(|at| (0.03 * at as f64, 0.2, 1.0)).collect();
    let found = course(&still);
    assert!(
        (found.undithered_px.unwrap() - 0.27).abs() < 0.01,
        "{found:?}"
    );
    assert!(
        found
            .warning()
            .unwrap()
            .starts_with("not dithered: 10 lights in a row lie within 0.3 px")
    );
    let moved: Vec<_> = (0..15)
        .map(|at| (dither(at).0, dither(at).1, 1.0))
        .collect();
    assert_eq!(course(&moved).warning(), None);
    // Too few lights to say.
    assert_eq!(course(&still[..9]).warning(), None);
}

#[test]
fn drift_and_jumps_are_told_apart() {
    let place = |at: usize, jump: f64| {
        let (x, y) = dither(at);
        // 12 pixels in an hour along the columns.
        let x = x + at as f64 + if at >= 14 { jump } else { 0.0 };
        (x, y, 1.0)
    };
    let found = course(&(0..30).map(|at| place(at, 0.0)).collect::<Vec<_>>());
    let drift = found.drift.unwrap();
    assert!(
        (drift.px_per_h.0 - 12.0).abs() < 1.5 && drift.px_per_h.1.abs() < 1.5,
        "{drift:?}"
    );
    assert!(
        (drift.arcsec_per_h.unwrap() - 18.0).abs() < 2.5,
        "{drift:?}"
    );
    assert_eq!(found.jumps, []);
    let found = course(&(0..30).map(|at| place(at, 60.0)).collect::<Vec<_>>());
    assert_eq!(found.jumps.len(), 1, "{found:?}");
    assert_eq!(found.jumps[0].before, 14);
    assert!((found.jumps[0].px - 60.0).abs() < 8.0, "{found:?}");
    // A light that strayed alone is no jump.
    let mut strayed: Vec<_> = (0..30).map(|at| place(at, 0.0)).collect();
    strayed[9].0 += 70.0;
    assert_eq!(course(&strayed).jumps, []);
}

#[test]
fn a_passing_cloud_is_a_dip_with_its_edges() {
    let through = [
        1.0, 0.98, 0.8, 0.4, 0.2, 0.6, 0.84, 1.0, 0.8, 1.0, 0.65, 1.0,
    ];
    let lights: Vec<_> = through.iter().map(|&through| (0.0, 0.0, through)).collect();
    let passage = |first, last, lowest| Passage {
        first,
        last,
        lowest,
    };
    // Thin haze alone, as in the ninth light, sets nothing aside.
    assert_eq!(
        course(&lights).clouds,
        [passage(2, 6, 0.2), passage(10, 10, 0.65)]
    );
}

#[test]
fn no_lights_have_no_course() {
    assert_eq!(course(&[]), Course::default());
}
