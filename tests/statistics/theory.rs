//! What theory says of normal data, by simulation with fixed seeds and by integration. Simulated
//! figures may err by four standard errors.

use dawnledger::combine::{MAD_TO_SD, WINSOR_TO_SD, clipped, mad, mean_and_sd};
use dawnledger::facts::{Combining, InputCount};

use super::{Dice, sigma_clip, stack};

/// n var / sigma^2 of the median of n normal values, exact to the digits given (by integration of
/// the order statistic's density with scipy 1.17.1; as n grows it becomes pi / 2). Of even n, by integration of
/// the middle two's joint density with numpy 2.4.6; efficiencies 0.838, 0.776, 0.743, 0.723 and 0.692 of
/// n = 4, 6, 8, 10 and 16 are published (stats.stackexchange 468688), which they are the inverse of.
#[test]
fn efficiency_of_the_median() {
    let mut dice = Dice(77);
    let trials = 150_000;
    for (count, exact) in [
        (3, 1.346013),
        (4, 1.192798),
        (5, 1.434168),
        (6, 1.288456),
        (7, 1.473128),
        (8, 1.345447),
        (9, 1.494912),
        (10, 1.383264),
        (11, 1.508787),
        (15, 1.525420),
        (16, 1.446003),
        (21, 1.538455),
        (25, 1.543656),
        (51, 1.557532),
    ] {
        let exposures: Vec<Vec<f32>> = (0..count)
            .map(|_| (0..trials).map(|_| dice.normal() as f32).collect())
            .collect();
        let (medians, _) = stack(&Combining::Median, &exposures);
        let medians: Vec<f64> = medians.into_iter().map(f64::from).collect();
        let found = f64::from(count) * mean_and_sd(&medians).unwrap().sd.powi(2);
        // Standard error of a variance: sqrt(2 / trials), here 0.37 %.
        let error = exact * (2.0 / f64::from(trials)).sqrt();
        assert!(
            (found - exact).abs() < 4.0 * error,
            "n {count}: {found} +- {error}, exact {exact}"
        );
    }
}

/// k, what one round of clipping at k standard deviations drops of normal data, and the standard
/// deviation of what it leaves.
const LOSSES: [(f64, f64, f64); 3] = [
    (2.0, 0.0455003, 0.879626),
    (2.5, 0.0124193, 0.954597),
    (3.0, 0.0026998, 0.986578),
];

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
    for (k, loss, sd) in LOSSES {
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

/// Integral from 0 to `end` by Simpson's rule.
fn integral(end: f64, of: impl Fn(f64) -> f64) -> f64 {
    let steps = 4000;
    let width = end / f64::from(steps);
    let terms = (0..=steps).map(|step| {
        let weight = match step {
            0 => 1.0,
            last if last == steps => 1.0,
            odd if odd % 2 == 1 => 4.0,
            _ => 2.0,
        };
        weight * of(f64::from(step) * width)
    });
    terms.sum::<f64>() * width / 3.0
}

fn density(x: f64) -> f64 {
    (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt()
}

/// By the definition: the variance of a unit normal variable that is pulled in to +-1.5. (1.134 in
/// ISO 13528, algorithm A.)
#[test]
fn winsorized_correction_by_integration() {
    let pull = 1.5;
    let inside = 2.0 * integral(pull, |x| x * x * density(x));
    let pulled = 1.0 - 2.0 * integral(pull, density);
    let sd = (inside + pull * pull * pulled).sqrt();
    assert!((sd - 0.882307).abs() < 5e-7, "{sd}");
    assert!((1.0 / sd - 1.133393).abs() < 5e-7, "{}", 1.0 / sd);
    assert!((1.0 / sd - WINSOR_TO_SD).abs() < 1e-13, "{}", 1.0 / sd);
}

/// The same fractions and deviations as in [`loss_of_clipping_normal_data`], from the definition.
#[test]
fn loss_of_clipping_by_integration() {
    for (k, loss, sd) in LOSSES {
        let kept = 2.0 * integral(k, density);
        assert!((1.0 - kept - loss).abs() < 6e-8, "{k}: {}", 1.0 - kept);
        let found = (2.0 * integral(k, |x| x * x * density(x)) / kept).sqrt();
        assert!((found - sd).abs() < 6e-7, "{k}: {found}");
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
