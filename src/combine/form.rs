//! Which form of combining a method takes, with its settings made ready: the one place that tells
//! methods apart.

use crate::facts::Combining;

use super::esd::Test;
use super::noise::Model;
use super::ranked::Ranked;

/// Above this many exposures 32-bit sums of a pixel might not fit, and speed is no concern.
pub(super) const MOST_EXPOSURES: usize = 1 << 15;

/// Limits of clipping, as in [`Combining::SigmaClip`]; none is below zero.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    pub low: f64,
    pub high: f64,
    pub iterations: u32,
    pub median_centre: bool,
}

/// Methods with a fast form of their own for each kind of sample.
#[derive(Clone, Copy, Debug)]
pub(super) enum Basic {
    Mean,
    Median,
    Clip(Limits),
}

/// A method, ready for use.
pub(super) enum Form {
    Basic(Basic),
    Ranked(Ranked),
}

impl Form {
    pub(super) fn of(method: &Combining) -> Self {
        match *method {
            Combining::Mean => Self::Basic(Basic::Mean),
            Combining::Median => Self::Basic(Basic::Median),
            Combining::SigmaClip {
                low,
                high,
                iterations,
                median_centre,
            } => Self::Basic(Basic::Clip(Limits {
                low,
                high,
                iterations,
                median_centre,
            })),
            Combining::Winsorized { low, high } => Self::Ranked(Ranked::Winsorized { low, high }),
            Combining::GeneralizedEsd {
                alpha,
                max_outliers,
            } => Self::Ranked(Ranked::GeneralizedEsd(Test::new(alpha, max_outliers))),
            Combining::Trimmed { low, high } => Self::Ranked(Ranked::Trimmed {
                low: low as usize,
                high: high as usize,
            }),
            Combining::NoiseModel { low, high, sensor } => {
                Self::Ranked(Ranked::NoiseModel(Model::new(low, high, &sensor)))
            }
        }
    }
}
