//! The `products` part of a profile: what calibrated lights hold, and how.

use serde::Deserialize;

use crate::facts::{LightSamples, ProductRules};

use super::text::{Fault, steps};

/// What is added to 16-bit lights by default, ADU: far above the noise of any calibrated light, and
/// next to nothing of the range.
const ADDED_LEVEL: u16 = 1000;

#[derive(Default, Deserialize)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with mask, uncertainty, repair_hot_pixels, samples, compressed or split_lines"
)]
pub(super) struct RawProducts {
    mask: Option<bool>,
    uncertainty: Option<bool>,
    repair_hot_pixels: Option<bool>,
    samples: Option<RawSamples>,
    compressed: Option<bool>,
    split_lines: Option<bool>,
}

#[derive(Default, Deserialize)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with bits or added_level_adu"
)]
struct RawSamples {
    bits: Option<i64>,
    added_level_adu: Option<i64>,
}

/// `sensor`: whether the profile knows its sensor's noise.
pub(super) fn check(raw: RawProducts, sensor: bool) -> Result<ProductRules, Fault> {
    let uncertainty = raw.uncertainty.unwrap_or(false);
    if uncertainty && !sensor {
        return Err(Fault::new(
            &steps!["products", "uncertainty"],
            "an uncertainty needs the sensor's noise: want the key `sensor` with read_noise_e and \
             electrons_per_adu, or false",
        ));
    }
    let mask = raw.mask.unwrap_or(true);
    let repair = raw.repair_hot_pixels.unwrap_or(false);
    if repair && !mask {
        return Err(Fault::new(
            &steps!["products", "repair_hot_pixels"],
            "repaired pixels must be told apart: want true for mask, or false here",
        ));
    }
    Ok(ProductRules {
        mask,
        uncertainty,
        repair,
        split_lines: raw.split_lines.unwrap_or(false),
        samples: samples(
            &raw.samples.unwrap_or_default(),
            raw.compressed.unwrap_or(false),
        )?,
    })
}

fn samples(raw: &RawSamples, compressed: bool) -> Result<LightSamples, Fault> {
    let at = |key: &str| steps!["products", "samples", key];
    match raw.bits.unwrap_or(32) {
        16 => {
            let level = raw.added_level_adu.unwrap_or(ADDED_LEVEL.into());
            let added_level = u16::try_from(level).map_err(|_| {
                let why = format!("found {level}, want 0 to 65535 whole ADU");
                Fault::new(&at("added_level_adu"), why)
            })?;
            Ok(LightSamples::Whole {
                added_level,
                compressed,
            })
        }
        32 if raw.added_level_adu.is_some() => Err(Fault::new(
            &at("added_level_adu"),
            "floating-point samples hold negative values as they are: want bits: 16 beside it, or \
             no added level",
        )),
        32 if compressed => Err(Fault::new(
            &steps!["products", "compressed"],
            "floating-point samples would have to be rounded to be worth compressing, which is \
             never done unasked: want samples: {bits: 16}, or false here",
        )),
        32 => Ok(LightSamples::Real),
        other => Err(Fault::new(
            &at("bits"),
            format!("found {other}, want 16 (integers) or 32 (floating point)"),
        )),
    }
}
