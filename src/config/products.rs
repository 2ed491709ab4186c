//! The `products` part of a profile: what calibrated lights hold.

use serde::Deserialize;

use crate::facts::ProductRules;

use super::text::{Fault, steps};

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, expecting = "a mapping with mask or uncertainty")]
pub(super) struct RawProducts {
    mask: Option<bool>,
    uncertainty: Option<bool>,
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
    Ok(ProductRules {
        mask: raw.mask.unwrap_or(true),
        uncertainty,
    })
}
