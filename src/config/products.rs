//! The `products` part of a profile: what calibrated lights hold.

use serde::Deserialize;

use crate::facts::ProductRules;

use super::text::Fault;

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, expecting = "a mapping with mask")]
pub(super) struct RawProducts {
    mask: Option<bool>,
}

pub(super) fn check(raw: RawProducts) -> Result<ProductRules, Fault> {
    Ok(ProductRules {
        mask: raw.mask.unwrap_or(true),
    })
}
