//! The `products` part of a profile: what calibrated lights hold; and the `sensor` part, whose noise it needs.

use serde::Deserialize;

use crate::facts::{ProductRules, Sensor};

use super::bounds::within;
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

#[derive(Deserialize)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with read_noise_e and electrons_per_adu"
)]
pub(super) struct RawSensor {
    read_noise_e: f64,
    electrons_per_adu: f64,
}

pub(super) fn sensor(raw: Option<RawSensor>) -> Result<Option<Sensor>, Fault> {
    let Some(raw) = raw else {
        return Ok(None);
    };
    let value = |given, range, unit, key: &str| within(given, range, unit, &steps!["sensor", key]);
    Ok(Some(Sensor {
        read_noise_e: value(raw.read_noise_e, (0.0, 1000.0), "electrons", "read_noise_e")?,
        electrons_per_adu: value(
            raw.electrons_per_adu,
            (0.001, 1000.0),
            "electrons per ADU",
            "electrons_per_adu",
        )?,
    }))
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
