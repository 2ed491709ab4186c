//! One vector worked by hand and by libraries, through every method and every kind of sample.

use dawnledger::combine::{Exposures, MAD_TO_SD, by_count, mad, mean_and_sd, median};
use dawnledger::facts::{Combining, CombiningRule, Pedestal, SensorNoise};

use super::{mask, pixel, run, sigma_clip};

const X: [u16; 10] = [100, 101, 99, 102, 98, 100, 103, 97, 101, 150];

/// Figures of numpy 2.4.6 and astropy 8.0.2.
#[test]
fn moments_of_the_worked_vector() {
    let doubles: Vec<f64> = X.iter().map(|&x| f64::from(x)).collect();
    let moments = mean_and_sd(&doubles).unwrap();
    assert!((moments.mean - 105.1).abs() < 1e-13);
    assert!((moments.sd - 15.877657257920642).abs() < 1e-13);
    assert_eq!(median(&mut doubles.clone()), Some(100.5));
    assert_eq!(mad(&doubles, 100.5), Some(1.5));
    let mad_sd = MAD_TO_SD * mad(&doubles, 100.5).unwrap();
    assert!((mad_sd - 2.223903327758403).abs() < 1e-14);
}

fn model(low: f64, high: f64, pedestal: Pedestal) -> Combining {
    Combining::NoiseModel {
        low,
        high,
        sensor: sensor(pedestal),
    }
}

fn sensor(pedestal: Pedestal) -> SensorNoise {
    SensorNoise {
        read_noise_adu: 2.0,
        electrons_per_adu: 1.0,
        pedestal,
    }
}

fn by_count(sensor: Option<SensorNoise>) -> Combining {
    let rule = CombiningRule::ByCount {
        low: 4.0,
        high: 3.0,
        sensor,
    };
    by_count::method(&rule, 10)
}

/// Every method, its value, and which values it drops. Sources:
/// - mean, median, sigma clipping: numpy 2.4.6, astropy.stats.sigma_clip 8.0.2;
/// - winsorized: Huber's scheme written out in numpy 2.4.6, s = 2.3378545640355046, so that
///   one standard deviation keeps 98.16 to 102.84;
/// - generalized ESD: R_i = 2.8279, 1.6372, 1.5590, 1.5930 against lambda_i = 2.2900, 2.2150, 2.1266,
///   2.0200 by scipy 1.17.1;
/// - trimmed: scipy.stats.trim_mean 1.17.1, 0.1 from each end;
/// - noise model: by hand. At 100.5 the sensor has a variance of 4 ADU^2 of read noise, of 1/12 of
///   rounding and, counted from a pedestal of 90, of 10.5 of light: sd 3.819. Where all is pedestal,
///   98 and 103 lie 2.5 away, within 1.24 sd (2.506; without rounding 2.480), beyond 1.23 (2.485);
/// - by count: of ten exposures winsorized, with a sensor the noise model.
fn cases() -> Vec<(Combining, f64, Vec<u16>)> {
    let without_150 = 901.0 / 9.0;
    let esd = |alpha, max_outliers| Combining::GeneralizedEsd {
        alpha,
        max_outliers,
    };
    let winsorized = |low, high| Combining::Winsorized { low, high };
    let trimmed = |low, high| Combining::Trimmed { low, high };
    let level = Pedestal::Level(90.0);
    vec![
        (Combining::Mean, 105.1, vec![]),
        (Combining::Median, 100.5, vec![]),
        (sigma_clip("median", 3.0, 3.0, 100), without_150, vec![150]),
        (sigma_clip("mean", 3.0, 3.0, 100), 105.1, vec![]),
        (sigma_clip("median", 2.0, 2.0, 100), without_150, vec![150]),
        (winsorized(4.0, 3.0), without_150, vec![150]),
        (winsorized(1.0, 1.0), 100.5, vec![98, 103, 97, 150]),
        (winsorized(1.2, 1.0), 701.0 / 7.0, vec![103, 97, 150]),
        (esd(0.05, 1), without_150, vec![150]),
        (esd(0.05, 4), without_150, vec![150]),
        (trimmed(1, 1), 100.5, vec![97, 150]),
        (trimmed(0, 1), without_150, vec![150]),
        (trimmed(0, 0), 105.1, vec![]),
        (model(3.0, 3.0, level), without_150, vec![150]),
        (model(0.9, 0.6, level), 701.0 / 7.0, vec![103, 97, 150]),
        (
            model(1.24, 1.24, Pedestal::Whole),
            804.0 / 8.0,
            vec![97, 150],
        ),
        (
            model(1.23, 1.23, Pedestal::Whole),
            100.5,
            vec![98, 103, 97, 150],
        ),
        (by_count(None), without_150, vec![150]),
        (by_count(Some(sensor(level))), without_150, vec![150]),
    ]
}

#[test]
fn every_method_on_the_worked_vector() {
    let floats = X.map(f32::from);
    for (method, value, dropped) in cases() {
        let want = (value as f32, X.map(|x| dropped.contains(&x)).to_vec());
        assert_eq!(pixel(&method, &X), want, "{method}");
        assert_eq!(pixel(&method, &floats), want, "{method}, floats");
        // The order of exposures is of no account.
        let mut turned = (X, want.1.clone());
        turned.0.reverse();
        turned.1.reverse();
        assert_eq!(pixel(&method, &turned.0), (want.0, turned.1), "{method}");
    }
}

/// Divided by levels that are powers of two, the same samples go and the value is divided, too.
#[test]
fn every_method_on_the_scaled_worked_vector() {
    for (method, value, dropped) in cases() {
        for level in [1.0f64, 2.0, 64.0] {
            let samples = X.map(|x| [f32::from(x) / level as f32]);
            let samples: Vec<&[f32]> = samples.iter().map(|x| x.as_slice()).collect();
            let levels = [[level; 2]; 10];
            let exposures = Exposures::Scaled {
                samples: &samples,
                levels: &levels,
            };
            let (out, rejected) = run(&method, exposures);
            assert_eq!(out[0], (value / level) as f32, "{method}, level {level}");
            let want = X.map(|x| dropped.contains(&x));
            assert_eq!(mask(&rejected), want, "{method}, level {level}");
        }
    }
}

/// The largest possible distance from the mean in n values is sqrt(n - 1) standard deviations
/// (divisor n): around the mean, three can reject nothing from ten or fewer.
#[test]
fn ten_exposures_hide_any_outlier_from_three_sigma_around_the_mean() {
    for count in 2..=14u16 {
        let mut x: Vec<u16> = vec![1000; usize::from(count)];
        x[0] = 60000;
        let (_, mask) = pixel(&sigma_clip("mean", 3.0, 3.0, 100), &x);
        assert_eq!(mask[0], count > 10, "{count}");
    }
}
