//! The `products` part of a profile: what calibrated lights hold, and how.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{LightSamples, ProductRules};

use super::text::{Fault, steps};

/// What is added to 16-bit lights by default, ADU: far above the noise of any calibrated light, and
/// next to nothing of the range.
const ADDED_LEVEL: u16 = 1000;

/// What calibrated lights hold.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with mask, uncertainty, repair_hot_pixels, samples, compressed or split_lines"
)]
#[schemars(rename = "Products")]
pub(super) struct RawProducts {
    /// A plane of flags: saturated, hot and dead pixels.
    #[schemars(extend("default" = true))]
    mask: Option<bool>,
    /// A plane of each pixel's standard deviation; needs `sensor`.
    #[schemars(extend("default" = false))]
    uncertainty: Option<bool>,
    /// Hot and dead pixels from their neighbours of the same colour; needs `mask`.
    #[schemars(extend("default" = false))]
    repair_hot_pixels: Option<bool>,
    /// How pixels are stored.
    samples: Option<RawSamples>,
    /// RICE tiles without loss; needs samples of 16 bits.
    #[schemars(extend("default" = false))]
    compressed: Option<bool>,
    /// Colour sensors: a plane per line of filters that `passbands` names.
    #[schemars(extend("default" = false))]
    split_lines: Option<bool>,
}

/// How pixels are stored.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with bits or added_level_adu"
)]
#[schemars(rename = "Samples")]
struct RawSamples {
    /// 16: integers; 32: floating point.
    #[schemars(extend("enum" = [16, 32, null], "default" = 32))]
    bits: Option<i64>,
    /// ADU added before rounding, so that noise around 0 keeps its lower half (1000); with 16 bits.
    #[schemars(range(min = 0, max = 65535))]
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
