//! What is to be expected of made-up figures.

#![allow(clippy::unwrap_used)]

use super::*;

const HABIT: Habit = Habit {
    rate: 0.2,
    most: 0.4,
    above: 0.3,
    floor: 0.03,
    clouded: None,
};

#[test]
fn the_shortest_half_forgets_the_other() {
    let good = [1.0, 1.1, 0.9, 1.05, 0.95];
    let all: Vec<f64> = good.iter().copied().chain([2.0, 3.5, 5.0, 7.0]).collect();
    let (middle, sd) = typical(&all).unwrap();
    assert!((middle - 1.0).abs() < 1e-9 && sd < 0.25, "{middle} {sd}");
    assert_eq!(typical(&[]), None);
    assert_eq!(typical(&[4.0]), Some((4.0, 0.0)));
}

#[test]
fn slow_changes_are_followed_and_steps_are_not() {
    let hours: Vec<f64> = (0..30).map(|n| f64::from(n) * 0.1).collect();
    let slow: Vec<Option<f64>> = hours.iter().map(|hour| Some(0.1 * hour)).collect();
    let trend = Trend::of(Some(&hours), &slow, HABIT).unwrap();
    for (at, figure) in slow.iter().enumerate() {
        assert_eq!(trend.beyond(at, figure.unwrap(), 0.1), None, "{at}");
    }
    let mut step = slow.clone();
    for figure in &mut step[10..14] {
        *figure = figure.map(|figure| figure + 0.5);
    }
    let trend = Trend::of(Some(&hours), &step, HABIT).unwrap();
    for (at, figure) in step.iter().enumerate() {
        let beyond = trend.beyond(at, figure.unwrap(), 0.35).is_some();
        assert_eq!(beyond, (10..14).contains(&at), "{at}");
    }
}

#[test]
fn a_few_lights_after_a_step_are_no_drift() {
    let hours: Vec<f64> = (0..30).map(|n| f64::from(n) * 0.3).collect();
    let beyond = |figure: &dyn Fn(usize) -> f64| -> Vec<usize> {
        let figures: Vec<Option<f64>> = (0..30).map(|at| Some(figure(at))).collect();
        let trend = Trend::of(Some(&hours), &figures, HABIT).unwrap();
        let trend = trend.without_steps(&hours, &figures, (HABIT.rate, 0.35));
        let lights = 0..30;
        let is_beyond = |at: &usize| trend.beyond(*at, figure(*at), 0.35).is_some();
        lights.filter(is_beyond).collect()
    };
    // Seeing worsens slowly; what comes before the focus was right stands out, and what is lit.
    let slow = |at: usize| 0.02 * at as f64;
    assert_eq!(beyond(&slow), NONE);
    assert_eq!(
        beyond(&|at| slow(at) + if at < 5 { 0.6 } else { 0.0 }),
        [0, 1, 2, 3, 4]
    );
    assert_eq!(
        beyond(&|at| slow(at) + if at == 12 { 0.6 } else { 0.0 }),
        [12]
    );
    // Dawn: each light brighter than the one before.
    let dawn = |at: usize| 0.7 * (at as f64 - 26.0).max(0.0);
    assert_eq!(beyond(&dawn), [27, 28, 29]);
    // From one level to another for good: both are as they are.
    assert_eq!(beyond(&|at| if at < 15 { 0.0 } else { 0.4 }), NONE);
}

#[test]
fn a_bad_night_is_measured_by_earlier_ones() {
    let bad = vec![Some(1.0); 8];
    let trend = Trend::of(None, &bad, HABIT).unwrap();
    assert_eq!(trend.beyond(0, 1.0, 0.3), None);
    assert_eq!(
        trend.clone().or_usual(Some(0.8), 0.3).beyond(0, 1.0, 0.3),
        None
    );
    assert_eq!(
        trend.or_usual(Some(0.5), 0.3).beyond(0, 1.0, 0.3),
        Some(None)
    );
}

/// A group's figures at this pace, and which of them are more than 0.35 worse than expected.
fn found(minutes: f64, figures: &[f64], clouded: Option<f64>) -> Vec<usize> {
    let hours: Vec<f64> = (0..figures.len())
        .map(|at| minutes / 60.0 * at as f64)
        .collect();
    let known: Vec<Option<f64>> = figures.iter().copied().map(Some).collect();
    let habit = Habit {
        clouded,
        above: 0.06,
        ..HABIT
    };
    let trend = Trend::of(Some(&hours), &known, habit).unwrap();
    let is_beyond = |&at: &usize| trend.beyond(at, figures[at], 0.35).is_some();
    (0..figures.len()).filter(is_beyond).collect()
}

const NONE: [usize; 0] = [];

/// Good lights scatter by some hundredths.
fn scatter(at: usize) -> f64 {
    0.04 * ((at as f64 * 0.618).fract() - 0.5)
}

#[test]
fn clouds_that_last_and_pass_are_no_drift() {
    // Ninety lights, nine of them under a cloud with soft edges, and haze that grows to the end.
    let dimmed = |at: usize, deep: f64| match at {
        40 | 50 => deep / 2.0,
        41..50 => deep,
        _ => 0.0,
    };
    let night = |deep: f64| -> Vec<f64> {
        (0..90)
            .map(|at| 0.003 * at as f64 + scatter(at) + dimmed(at, deep))
            .collect()
    };
    let cloud: Vec<usize> = (41..50).collect();
    assert_eq!(found(8.0, &night(0.45), Some(0.17)), cloud);
    // It passed for drift.
    assert!(found(8.0, &night(0.45), None).len() < 5);
    // Thin cloud is no reason to set aside.
    assert_eq!(found(8.0, &night(0.2), Some(0.17)), NONE);
}

#[test]
fn clouds_that_came_to_stay_are_no_drift() {
    let night = |first: usize, deep: f64| -> Vec<f64> {
        (0..30)
            .map(|at| scatter(at) + if at >= first { deep } else { 0.0 })
            .collect()
    };
    for first in [15, 21, 25, 28] {
        let evening = night(first, 0.5);
        let late: Vec<usize> = (first..30).collect();
        assert_eq!(found(10.0, &evening, Some(0.17)), late);
        // From the start on, until they go.
        let morning: Vec<f64> = evening.iter().rev().copied().collect();
        let early: Vec<usize> = (0..30 - first).collect();
        assert_eq!(found(10.0, &morning, Some(0.17)), early);
    }
    assert!(found(10.0, &night(15, 0.5), None).len() < 10);
}

#[test]
fn spoilt_lights_in_the_majority_are_no_measure_of_scatter() {
    // Clear, a cloud for five lights, clear; then something stands before the telescope.
    let spoilt = |at: usize| match at {
        3..8 => 0.5,
        15.. => 0.4 + 0.5 * (at as f64 * 0.414).fract(),
        _ => 0.0,
    };
    let figures: Vec<f64> = (0..22).map(|at| scatter(at) + spoilt(at)).collect();
    let under: Vec<usize> = (3..8).chain(15..22).collect();
    assert_eq!(found(2.0, &figures, Some(0.17)), under);
}

#[test]
fn what_sets_or_rises_is_under_no_cloud() {
    let curves: [fn(f64) -> f64; 4] = [
        // From the start to the end of five hours, 0 to 1.
        |part| 0.5 * part,
        |part| 0.5 * (1.0 - part).powi(2),
        // Through the meridian.
        |part| 1.6 * (part - 0.5).powi(2),
        // Haze that stays.
        |part| 0.3 / (1.0 + (20.0 * (0.5 - part)).exp()),
    ];
    for (number, curve) in curves.iter().enumerate() {
        let figures: Vec<f64> = (0..60)
            .map(|at| curve(at as f64 / 59.0) + scatter(at))
            .collect();
        assert_eq!(found(5.0, &figures, Some(0.17)), NONE, "curve {number}");
    }
}

#[test]
fn lights_of_one_moment_have_no_order() {
    let hours = [0.0, 0.1, 0.1, 0.1, 0.2, 0.3, 0.4, 0.4, 0.5, 0.6];
    let figures = [0.0, 0.5, 0.1, 0.6, 0.5, 0.5, 0.0, 0.4, 0.02, 0.01].map(Some);
    let habit = Habit {
        clouded: Some(0.17),
        ..HABIT
    };
    let trend = Trend::of(Some(&hours), &figures, habit).unwrap();
    let turned = |of: &[Option<f64>]| of.iter().rev().copied().collect::<Vec<_>>();
    let back: Vec<f64> = hours.iter().rev().copied().collect();
    let mut other = Trend::of(Some(&back), &turned(&figures), habit)
        .unwrap()
        .expected;
    other.reverse();
    assert_eq!(trend.expected, other);
}
