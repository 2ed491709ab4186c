//! The method chosen by the number of exposures.

use crate::facts::{Combining, SensorNoise};

/// The method for so many exposures; never `by-count` itself.
pub fn choose(low: f64, high: f64, sensor: Option<SensorNoise>, count: usize) -> Combining {
    match (count, sensor) {
        (0..15, Some(sensor)) => Combining::NoiseModel { low, high, sensor },
        (0..6, None) => Combining::Median,
        _ => Combining::Winsorized { low, high },
    }
}
