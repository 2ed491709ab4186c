//! Certified and published data: means, deviations, outliers.

use dawnledger::combine::{EsdStep, generalized_esd, mean_and_sd};
use dawnledger::facts::Combining;

use super::{pixel, read};

/// NIST Statistical Reference Datasets, univariate: certified mean and standard deviation (divisor
/// n - 1), as published by NIST. The last column is what double precision can reach, given that the
/// data themselves are rounded on input.
#[test]
fn nist_univariate_sets() {
    let certified = [
        ("lew", 200, -177.435, 277.332168044316, 1e-13),
        ("lottery", 218, 518.958715596330, 291.699727470969, 1e-13),
        ("mavro", 50, 2.001856, 0.000429123454003053, 1e-11),
        ("michelso", 100, 299.8524, 0.0790105478190518, 1e-12),
        ("numacc1", 3, 10000002.0, 1.0, 1e-15),
        ("numacc2", 1001, 1.2, 0.1, 1e-13),
        ("numacc3", 1001, 1000000.2, 0.1, 1e-9),
        ("numacc4", 1001, 10000000.2, 0.1, 1e-8),
        ("pidigits", 5000, 4.5348, 2.86733906028871, 1e-13),
    ];
    for (name, count, mean, sd, tolerance) in certified {
        let text = read(&format!("data/statistics/nist/{name}.txt"));
        let values: Vec<f64> = text
            .lines()
            .map(|line| line.trim().parse().unwrap())
            .collect();
        assert_eq!(values.len(), count, "{name}");
        let found = mean_and_sd(&values).unwrap();
        let digits = |found: f64, wanted: f64| ((found - wanted) / wanted).abs();
        assert!(
            digits(found.mean, mean) < 1e-14,
            "{name}: mean {}",
            found.mean
        );
        assert!(digits(found.sd, sd) < tolerance, "{name}: sd {}", found.sd);
        let mut backwards = values.clone();
        backwards.reverse();
        let again = mean_and_sd(&backwards).unwrap();
        assert!(
            digits(again.sd, sd) < tolerance,
            "{name} backwards: sd {}",
            again.sd
        );
    }
}

/// Rosner 1983, Technometrics 25, 165; also NIST/SEMATECH e-Handbook of Statistical Methods,
/// 1.3.5.17.3.
const ROSNER: [f64; 54] = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58,
    1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23,
    2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30,
    3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
];

/// The e-Handbook prints the table to three decimals, the docstring of `outliers_gesd` in
/// scikit-posthocs 0.17.1 has more of them, numpy 2.4.6 and scipy 1.17.1 yield these.
#[test]
fn rosners_table() {
    let moments = mean_and_sd(&ROSNER).unwrap();
    assert!((moments.mean - 2.320741).abs() < 5e-7, "{moments:?}");
    assert!((moments.sd - 1.182870).abs() < 5e-7, "{moments:?}");
    let table = [
        (6.01, 3.118906, 3.158794),
        (5.42, 2.942973, 3.151430),
        (5.34, 3.179424, 3.143890),
        (4.64, 2.810181, 3.136165),
        (-0.25, 2.815580, 3.128247),
        (4.30, 2.848172, 3.120128),
        (3.68, 2.279327, 3.111796),
        (3.59, 2.310366, 3.103243),
        (0.68, 2.101581, 3.094456),
        (3.30, 2.067178, 3.085425),
    ];
    let (steps, outliers) = generalized_esd(&ROSNER, 0.05, 10);
    assert_eq!(outliers, 3);
    assert_eq!(steps.len(), table.len());
    for (step, (removed, deviate, limit)) in steps.iter().zip(table) {
        assert_eq!(step.removed, removed, "{step:?}");
        assert!((step.deviate - deviate).abs() < 6e-7, "{step:?}");
        assert!((step.limit - limit).abs() < 6e-7, "{step:?}");
    }
}

/// The third step is the first beyond its limit: fewer steps find nothing, more find three.
#[test]
fn rosners_outliers_among_exposures() {
    let whole: Vec<u16> = ROSNER.map(|x| (1000.0 + 100.0 * x).round() as u16).to_vec();
    let floats: Vec<f32> = ROSNER.map(|x| x as f32).to_vec();
    for (max_outliers, outliers) in [(1, 0), (2, 0), (3, 3), (4, 3), (10, 3)] {
        let (_, found) = generalized_esd(&ROSNER, 0.05, max_outliers);
        assert_eq!(found, outliers, "of at most {max_outliers}");
        let method = Combining::GeneralizedEsd {
            alpha: 0.05,
            max_outliers,
        };
        let kept = 54 - outliers;
        let mean = ROSNER[..kept].iter().sum::<f64>() / kept as f64;
        let want: Vec<bool> = (0..54).map(|at| at >= kept).collect();
        let (value, mask) = pixel(&method, &floats);
        assert_eq!(mask, want, "at most {max_outliers}");
        assert!((f64::from(value) - mean).abs() < 1e-6, "{value} for {mean}");
        let (value, mask) = pixel(&method, &whole);
        assert_eq!(mask, want, "whole numbers, at most {max_outliers}");
        let mean = 1000.0 + 100.0 * mean;
        assert!((f64::from(value) - mean).abs() < 1e-4, "{value} for {mean}");
    }
}

/// Grubbs' test is the first step: NIST/SEMATECH e-Handbook, 1.3.5.17.1. One-sided, the whole of
/// alpha lies on one side.
#[test]
fn grubbs_test() {
    let masses = [
        199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57,
    ];
    let moments = mean_and_sd(&masses).unwrap();
    assert!((moments.mean - 206.43375).abs() < 1e-10, "{moments:?}");
    assert!((moments.sd - 15.852564).abs() < 5e-7, "{moments:?}");
    for (alpha, critical) in [(0.05, 2.126645), (0.1, 2.031652)] {
        let (steps, outliers) = generalized_esd(&masses, alpha, 1);
        let [
            EsdStep {
                removed,
                deviate,
                limit,
            },
        ] = steps[..]
        else {
            panic!("{steps:?}")
        };
        assert_eq!((removed, outliers), (245.57, 1));
        assert!((deviate - 2.468765).abs() < 6e-7, "{deviate}");
        assert!((limit - critical).abs() < 6e-7, "{limit}");
    }
    let method = Combining::GeneralizedEsd {
        alpha: 0.05,
        max_outliers: 1,
    };
    let (value, mask) = pixel(&method, &masses.map(|mass| mass as f32));
    assert_eq!(mask, masses.map(|mass| mass > 240.0));
    assert!((value - 200.842_86).abs() < 1e-4, "{value}");
}
