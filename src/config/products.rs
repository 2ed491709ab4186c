//! The `products` part of a profile: what calibrated lights hold.

use serde::Deserialize;

use crate::facts::ProductRules;

use super::text::{Fault, steps};

#[derive(Default, Deserialize)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with mask, uncertainty or repair_hot_pixels"
)]
pub(super) struct RawProducts {
    mask: Option<bool>,
    uncertainty: Option<bool>,
    repair_hot_pixels: Option<bool>,
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
    })
}
