//! The method chosen by the number of exposures.
//!
//! | exposures | sensor known | sensor unknown | reason |
//! |---|---|---|---|
//! | up to 3 | noise-model | median | three samples with an outlier say nothing of their spread: sigma clipping keeps it, and winsorizing deals with it no better than the median |
//! | 4 to 10 | noise-model | winsorized | around the median, 3 standard deviations hold any lone outlier up to 7 samples and many beyond; the winsorized spread is not its captive. The price: it tears samples apart whose steps are coarse beside their noise (`coarse`, worst at 9: 0.42); such a sensor should be stated |
//! | 11 to 14 | noise-model | sigma-clip | clipping no longer keeps most outliers (`fine`, struck: 0.86 at 11), and has no such price |
//! | 15 to 39 | sigma-clip | sigma-clip | within 2 % of the noise model or better, and no figure of the sensor can be wrong |
//! | 40 and more | generalized-esd | generalized-esd | fixed limits take ever more good samples of ever more, on one side more than on the other; its limits grow with N |
//!
//! The generalized ESD test is run with alpha 0.05 and at most 5 outliers, sigma clipping around the
//! median in at most 5 rounds.
//!
//! The reasons are measured (`cargo bench --bench by_count`, which prints more rows and columns):
//! normal samples rounded to whole numbers, with a standard deviation of 6 (`fine`) or 0.6
//! (`coarse`), limits 4 below and 3 above. Each cell holds two efficiencies, that is the variance of
//! the mean of all good samples over the mean square error: of samples as they are, and where one
//! exposure was struck by 4 to 1000 standard deviations.
//!
//! | N | | mean | median | trimmed | sigma-clip | winsorized | gen. ESD | noise-model |
//! |---|---|---|---|---|---|---|---|---|
//! | 3 | fine | 1.00 0.00 | 0.74 0.50 | 0.74 0.50 | 1.00 0.00 | 0.80 0.49 | 1.00 0.00 | 0.97 0.90 |
//! |  | coarse | 1.00 0.00 | 0.61 0.50 | 0.61 0.50 | 1.00 0.00 | 0.61 0.45 | 1.00 0.00 | 0.88 0.93 |
//! | 4 | fine | 1.00 0.00 | 0.84 0.59 | 0.84 0.59 | 1.00 0.00 | 0.89 0.76 | 0.96 0.40 | 0.98 0.97 |
//! |  | coarse | 1.01 0.00 | 0.74 0.61 | 0.74 0.61 | 1.01 0.00 | 0.79 0.72 | 0.79 0.38 | 0.95 0.99 |
//! | 6 | fine | 1.00 0.00 | 0.78 0.64 | 0.90 0.67 | 1.00 0.00 | 0.91 0.91 | 0.90 0.82 | 0.98 0.98 |
//! |  | coarse | 1.00 0.00 | 0.59 0.56 | 0.84 0.69 | 1.00 0.00 | 0.65 0.82 | 0.65 0.75 | 0.93 0.96 |
//! | 8 | fine | 1.00 0.00 | 0.74 0.64 | 0.93 0.71 | 1.00 0.05 | 0.92 0.94 | 0.87 0.86 | 0.98 0.98 |
//! |  | coarse | 1.00 0.00 | 0.49 0.49 | 0.89 0.74 | 0.99 0.04 | 0.58 0.81 | 0.56 0.72 | 0.92 0.95 |
//! | 9 | fine | 1.00 0.00 | 0.66 0.59 | 0.94 0.74 | 0.99 0.57 | 0.92 0.96 | 0.83 0.85 | 0.98 0.99 |
//! |  | coarse | 0.99 0.00 | 0.34 0.35 | 0.89 0.76 | 0.98 0.49 | 0.42 0.67 | 0.39 0.55 | 0.88 0.92 |
//! | 10 | fine | 1.01 0.00 | 0.72 0.65 | 0.95 0.75 | 1.00 0.78 | 0.94 0.96 | 0.87 0.87 | 0.99 0.99 |
//! |  | coarse | 1.00 0.00 | 0.42 0.42 | 0.91 0.76 | 0.99 0.73 | 0.53 0.76 | 0.50 0.65 | 0.91 0.93 |
//! | 11 | fine | 1.00 0.00 | 0.66 0.60 | 0.95 0.76 | 1.00 0.86 | 0.93 0.96 | 0.84 0.85 | 0.98 0.98 |
//! |  | coarse | 1.00 0.00 | 0.31 0.31 | 0.92 0.78 | 0.97 0.82 | 0.40 0.62 | 0.36 0.49 | 0.89 0.91 |
//! | 12 | fine | 1.00 0.00 | 0.71 0.64 | 0.97 0.76 | 1.00 0.90 | 0.95 0.96 | 0.88 0.87 | 0.99 0.97 |
//! |  | coarse | 1.01 0.00 | 0.36 0.37 | 0.93 0.79 | 0.99 0.86 | 0.50 0.71 | 0.45 0.59 | 0.91 0.92 |
//! | 14 | fine | 1.00 0.00 | 0.69 0.64 | 0.96 0.79 | 0.99 0.95 | 0.95 0.97 | 0.91 0.91 | 0.98 0.98 |
//! |  | coarse | 1.01 0.00 | 0.32 0.33 | 0.94 0.81 | 0.99 0.91 | 0.47 0.67 | 0.62 0.75 | 0.91 0.92 |
//! | 15 | fine | 1.00 0.00 | 0.64 0.61 | 0.97 0.80 | 0.99 0.97 | 0.95 0.98 | 0.93 0.93 | 0.98 0.99 |
//! |  | coarse | 1.00 0.00 | 0.25 0.25 | 0.94 0.82 | 0.98 0.94 | 0.36 0.55 | 0.70 0.81 | 0.88 0.91 |
//! | 20 | fine | 1.00 0.00 | 0.67 0.64 | 0.98 0.82 | 0.99 0.98 | 0.96 0.98 | 0.96 0.95 | 0.99 0.98 |
//! |  | coarse | 1.00 0.00 | 0.24 0.24 | 0.95 0.84 | 0.98 0.96 | 0.31 0.40 | 0.92 0.93 | 0.89 0.90 |
//! | 30 | fine | 1.00 0.00 | 0.65 0.63 | 0.98 0.86 | 0.98 0.98 | 0.97 0.97 | 0.97 0.96 | 0.98 0.98 |
//! |  | coarse | 1.00 0.00 | 0.16 0.17 | 0.97 0.87 | 0.98 0.96 | 0.27 0.35 | 0.97 0.96 | 0.87 0.89 |
//! | 40 | fine | 1.00 0.00 | 0.64 0.62 | 0.99 0.88 | 0.99 0.98 | 0.97 0.98 | 0.98 0.98 | 0.99 0.98 |
//! |  | coarse | 1.00 0.00 | 0.12 0.13 | 0.98 0.90 | 0.96 0.96 | 0.21 0.25 | 0.98 0.97 | 0.86 0.87 |
//! | 60 | fine | 1.00 0.00 | 0.63 0.61 | 0.99 0.92 | 0.98 0.99 | 0.97 0.98 | 0.99 0.99 | 0.98 0.99 |
//! |  | coarse | 1.00 0.00 | 0.09 0.09 | 0.99 0.93 | 0.95 0.95 | 0.16 0.19 | 0.98 0.98 | 0.83 0.85 |
//! | 100 | fine | 1.00 0.00 | 0.59 0.59 | 0.99 0.94 | 0.98 0.98 | 0.97 0.98 | 0.99 0.99 | 0.98 0.98 |
//! |  | coarse | 1.00 0.00 | 0.05 0.05 | 1.00 0.94 | 0.92 0.91 | 0.12 0.14 | 0.99 0.98 | 0.78 0.78 |
//!
//! Bias where one exposure was struck, in standard deviations of the mean of the others, `fine` and
//! `coarse` (the mean's is 16 to 85):
//!
//! | N | median | trimmed | sigma-clip | winsorized | gen. ESD | noise-model |
//! |---|---|---|---|---|---|---|
//! | 3 | +0.79 +0.71 | +0.79 +0.71 | +84.56 +76.29 | +0.25 +0.32 | +84.56 +76.29 | +0.02 +0.02 |
//! | 6 | +0.55 +0.50 | +0.65 +0.58 | +66.77 +60.24 | +0.03 +0.05 | +0.08 +0.09 | +0.00 -0.02 |
//! | 10 | +0.41 +0.37 | +0.56 +0.50 | +0.15 +0.17 | +0.00 -0.08 | +0.02 +0.03 | -0.00 -0.05 |
//! | 15 | +0.33 +0.29 | +0.49 +0.44 | +0.02 +0.02 | -0.01 -0.14 | +0.01 +0.01 | -0.01 -0.10 |
//! | 20 | +0.28 +0.26 | +0.45 +0.41 | +0.01 -0.00 | -0.01 -0.07 | +0.01 +0.02 | -0.01 -0.10 |
//! | 40 | +0.20 +0.18 | +0.35 +0.32 | -0.02 -0.05 | -0.03 -0.10 | +0.00 +0.01 | -0.02 -0.17 |
//! | 100 | +0.12 +0.11 | +0.25 +0.22 | -0.05 -0.12 | -0.05 -0.13 | -0.00 -0.00 | -0.04 -0.30 |
//!
//! Bias of samples as they are, in standard deviations of their mean (the mean's own is -0.01 to +0.01, chance):
//! limits of 4 below and 3 above take more large samples than small ones, and with 40 and more that shows.
//!
//! | N | median | trimmed | sigma-clip | winsorized | gen. ESD | noise-model |
//! |---|---|---|---|---|---|---|
//! | 3 | -0.01 -0.01 | -0.01 -0.01 | -0.01 -0.01 | -0.03 -0.01 | -0.01 -0.01 | -0.02 -0.08 |
//! | 6 | +0.01 +0.01 | +0.01 +0.00 | +0.01 +0.00 | -0.03 +0.00 | +0.01 +0.01 | -0.01 -0.05 |
//! | 10 | +0.01 +0.01 | +0.01 +0.00 | +0.00 -0.01 | -0.04 +0.00 | +0.01 +0.01 | -0.01 -0.08 |
//! | 15 | -0.00 +0.00 | +0.00 -0.00 | -0.01 -0.03 | -0.04 -0.00 | +0.00 -0.00 | -0.02 -0.13 |
//! | 20 | +0.00 +0.00 | +0.00 +0.00 | -0.01 -0.03 | -0.04 +0.00 | +0.00 +0.00 | -0.02 -0.13 |
//! | 40 | -0.00 +0.01 | -0.00 -0.00 | -0.03 -0.06 | -0.05 -0.00 | -0.00 -0.00 | -0.03 -0.19 |
//! | 100 | -0.00 -0.01 | -0.00 -0.01 | -0.05 -0.12 | -0.06 -0.03 | -0.00 -0.01 | -0.04 -0.31 |

use crate::facts::{Combining, CombiningRule, SensorNoise};

/// The method for a set of so many exposures, as a recipe holds it.
///
/// It is settled once, for the whole set: parts of a set (such as the halves by which the noise of
/// its master is measured) are combined by the same method, though they have fewer exposures.
pub fn method(rule: &CombiningRule, count: usize) -> Combining {
    match *rule {
        CombiningRule::Always(method) => method,
        CombiningRule::ByCount { low, high, sensor } => choose(low, high, sensor, count),
    }
}

/// The table's method. `low` and `high` are the limits of those methods that have them.
fn choose(low: f64, high: f64, sensor: Option<SensorNoise>, count: usize) -> Combining {
    match (count, sensor) {
        (0..15, Some(sensor)) => Combining::NoiseModel { low, high, sensor },
        (0..4, None) => Combining::Median,
        (4..11, None) => Combining::Winsorized { low, high },
        (0..40, _) => Combining::SigmaClip {
            low,
            high,
            iterations: 5,
            median_centre: true,
        },
        (40.., _) => Combining::GeneralizedEsd {
            alpha: 0.05,
            max_outliers: 5,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Pedestal;

    /// The table, at both sides of each of its borders.
    #[test]
    fn each_number_of_exposures_has_the_method_of_the_table() {
        let sensor = SensorNoise {
            read_noise_adu: 9.0,
            electrons_per_adu: 0.8,
            pedestal: Pedestal::Whole,
        };
        let (low, high) = (4.0, 3.0);
        let name = |count, sensor| {
            let chosen = method(&CombiningRule::ByCount { low, high, sensor }, count);
            match chosen {
                Combining::Median => "median",
                Combining::Winsorized { .. } => "winsorized",
                Combining::SigmaClip { .. } => "sigma-clip",
                Combining::GeneralizedEsd { .. } => "generalized-esd",
                Combining::NoiseModel { .. } => "noise-model",
                Combining::Mean | Combining::Trimmed { .. } => "another",
            }
        };
        for (count, known, unknown) in [
            (1, "noise-model", "median"),
            (3, "noise-model", "median"),
            (4, "noise-model", "winsorized"),
            (10, "noise-model", "winsorized"),
            (11, "noise-model", "sigma-clip"),
            (14, "noise-model", "sigma-clip"),
            (15, "sigma-clip", "sigma-clip"),
            (39, "sigma-clip", "sigma-clip"),
            (40, "generalized-esd", "generalized-esd"),
            (1000, "generalized-esd", "generalized-esd"),
        ] {
            assert_eq!(name(count, Some(sensor)), known, "{count}");
            assert_eq!(name(count, None), unknown, "{count}");
        }
    }
}
