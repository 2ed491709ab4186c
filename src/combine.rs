//! Statistics across N exposures of each pixel: slices in, slices out.
//!
//! Every method has two forms. [`combine_scalar`] works pixel by pixel and is the specification;
//! [`combine`] works on a chunk of neighbouring pixels at once and yields the same bits, which the
//! tests hold it to. Nothing depends on how an image is cut into stretches: a pixel's result is a
//! function of its own samples, the method and the saturation level.
//!
//! 16-bit samples stay integers. Counted from the smallest sample of the pixel, their sum and the
//! sum of their squares are exact in 64 bits, so the variance has one rounding, whatever the
//! pedestal. Float samples are summed in `f64`, counted from the survivors' median.
//!
//! It does not know what the exposures are of, how they were scaled, or where strips begin.

use crate::facts::{Combining, InputCount};

mod away;
pub mod by_count;
mod chunk;
mod counted;
mod esd;
mod float;
mod form;
mod glance;
mod groups;
mod integer;
mod lanes;
mod near;
mod network;
mod noise;
mod quiet;
mod ranked;
mod scalar;
mod simd;
mod small;
mod stored;
mod strays;
mod student;
mod winsor;

#[cfg(test)]
mod tests;

pub use counted::Counted;
pub use esd::{EsdStep, generalized_esd};
pub use groups::clip_groups;
pub use lanes::lowest_at_or_above;
pub use simd::{Kernel, Level};
pub use small::{
    Clip, MAD_TO_SD, MEDIAN_ERROR, Moments, Summed, clipped, clipped_sorted, mad, mean_and_sd,
    median,
};
pub use stored::{Stored, sample, stored};
pub use student::student_t;
pub use winsor::WINSOR_TO_SD;

use form::Form;
use noise::Model;

/// N exposures of the same stretch of pixels; all slices have the same length.
#[derive(Clone, Copy, Debug)]
pub enum Exposures<'a> {
    /// Raw samples, ADU, in their [`stored()`] form.
    U16(&'a [&'a [Stored]]),
    /// Samples that are no whole numbers, ADU.
    F32(&'a [&'a [f32]]),
    /// Samples that were divided by a level.
    Scaled {
        /// ADU above the pedestal, divided by the level.
        samples: &'a [&'a [f32]],
        /// Levels, ADU, per exposure: of the places 0, 2, 4 of the stretch and of 1, 3, 5. On a
        /// colour sensor those have different colours, so a stretch must not leave its row there.
        levels: &'a [[f64; 2]],
    },
}

impl Exposures<'_> {
    /// How many.
    pub fn count(&self) -> usize {
        match self {
            Self::U16(samples) => samples.len(),
            Self::F32(samples) | Self::Scaled { samples, .. } => samples.len(),
        }
    }

    /// Pixels of the stretch; 0 without exposures.
    pub fn pixels(&self) -> usize {
        match self {
            Self::U16(samples) => samples.first().map_or(0, |row| row.len()),
            Self::F32(samples) | Self::Scaled { samples, .. } => {
                samples.first().map_or(0, |row| row.len())
            }
        }
    }
}

/// What came up on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Combined {
    /// Pixels for which no sample was left: every one was saturated, not a number, or clipped.
    /// They got the median of their finite samples, NaN where there is none.
    pub without_survivors: usize,
    /// Samples that never entered: saturated or not finite.
    pub excluded: u64,
}

/// Combines N exposures pixel by pixel.
///
/// `out` gets one value per pixel, in the unit of the samples, computed in `f64` and rounded once.
/// `rejected` holds one entry per exposure; the samples that clipping drops are added to it, those
/// at or above `saturation` and those that are not finite are not: they never enter.
///
/// Clipping: with c the centre and s the standard deviation (divisor n) of the survivors, a sample
/// is dropped where x < c - low s or x > c + high s; one on the bound stays. This is repeated until
/// nothing changes or the limit of rounds is reached, and the last bounds decide about every
/// sample. The masks are those of astropy's `sigma_clip`.
///
/// # Panics
/// Where the lengths of the slices or of `rejected` disagree: that is an error of the caller.
pub fn combine(
    method: &Combining,
    exposures: Exposures<'_>,
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    combine_at(
        Level::widest(),
        method,
        exposures,
        saturation,
        out,
        rejected,
    )
}

/// The same with the instructions of one level, for comparison. A level that the processor lacks
/// is replaced by the plain one.
///
/// # Panics
/// As [`combine`].
pub fn combine_at(
    level: Level,
    method: &Combining,
    exposures: Exposures<'_>,
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    match exposures {
        Exposures::U16(exposures) => {
            check(exposures, out, rejected);
            match Form::of(method) {
                Form::Basic(form) => {
                    integer::combine(level, form, method, exposures, saturation, out, rejected)
                }
                Form::Ranked(ranked) => lanes::combine::<i16>(
                    level, ranked, method, exposures, saturation, out, rejected,
                ),
            }
        }
        Exposures::F32(samples) | Exposures::Scaled { samples, .. } => {
            check(samples, out, rejected);
            if let Some((model, levels)) = scaled_model(method, &exposures) {
                return noise::combine(level, &model, samples, levels, saturation, out, rejected);
            }
            match Form::of(method) {
                Form::Basic(form) => {
                    float::combine(level, form, method, samples, saturation, out, rejected)
                }
                Form::Ranked(ranked) => {
                    lanes::combine::<f32>(level, ranked, method, samples, saturation, out, rejected)
                }
            }
        }
    }
}

/// The same by the specification: one pixel at a time, for comparison.
///
/// # Panics
/// As [`combine`].
pub fn combine_scalar(
    method: &Combining,
    exposures: Exposures<'_>,
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    match exposures {
        Exposures::U16(exposures) => {
            check(exposures, out, rejected);
            scalar::combine(method, exposures, saturation, out, rejected)
        }
        Exposures::F32(samples) | Exposures::Scaled { samples, .. } => {
            check(samples, out, rejected);
            match scaled_model(method, &exposures) {
                Some((model, levels)) => {
                    noise::combine_scalar(&model, samples, levels, saturation, out, rejected)
                }
                None => scalar::combine(method, samples, saturation, out, rejected),
            }
        }
    }
}

/// The noise model where each exposure has its own scale.
fn scaled_model<'a>(
    method: &Combining,
    exposures: &Exposures<'a>,
) -> Option<(Model, &'a [[f64; 2]])> {
    match (method, exposures) {
        (Combining::NoiseModel { low, high, sensor }, Exposures::Scaled { samples, levels }) => {
            assert_eq!(samples.len(), levels.len(), "levels of every exposure");
            Some((Model::new(*low, *high, sensor), levels))
        }
        _ => None,
    }
}

fn check<T>(exposures: &[&[T]], out: &[f32], rejected: &[InputCount]) {
    assert_eq!(
        exposures.len(),
        rejected.len(),
        "one rejection count per exposure"
    );
    for exposure in exposures {
        assert_eq!(exposure.len(), out.len(), "exposures as long as the output");
    }
}
