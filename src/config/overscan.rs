//! The `overscan` part of a profile: columns and rows of the sensor that see no light.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{Stripe, Stripes};

use super::text::{Fault, Step, steps};

/// No sensor has more columns or rows.
const MOST: i64 = 65_535;

/// Columns or rows of the stored frame that see no light. Their level is subtracted from every frame,
/// and they are cut off together with what lies between them and the edge.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with columns or rows")]
#[schemars(rename = "Overscan", extend("minProperties" = 1))]
pub(super) struct RawOverscan {
    /// Columns that see no light.
    columns: Option<RawStripe>,
    /// Rows that see no light.
    rows: Option<RawStripe>,
}

/// A stripe of columns or rows, in unbinned pixels.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with first, count or skip")]
#[schemars(rename = "Stripe")]
struct RawStripe {
    /// The first one, counted from 0.
    #[schemars(range(min = 0, max = 65535))]
    first: i64,
    /// How many there are.
    #[schemars(range(min = 1, max = 65535))]
    count: i64,
    /// How many next to the image are cut off without being measured; fewer than `count`.
    #[schemars(range(min = 0, max = 65534), extend("default" = 0))]
    skip: Option<i64>,
}

pub(super) fn check(raw: &RawOverscan) -> Result<Stripes, Fault> {
    let at = |key: &str| steps!["overscan", key].to_vec();
    let stripe = |raw: &Option<RawStripe>, key: &str| {
        raw.as_ref().map(|raw| stripe(raw, &at(key))).transpose()
    };
    let stripes = Stripes {
        columns: stripe(&raw.columns, "columns")?,
        rows: stripe(&raw.rows, "rows")?,
    };
    if stripes.columns.or(stripes.rows).is_none() {
        return Err(Fault::new(
            &steps!["overscan"],
            "nothing is named: want columns, rows or both, such as columns: {first: 0, count: 24}",
        ));
    }
    Ok(stripes)
}

fn stripe(raw: &RawStripe, at: &[Step]) -> Result<Stripe, Fault> {
    let number = |value: i64, (least, most): (i64, i64), key: &'static str| {
        let fits = (least..=most).contains(&value);
        let fitting = u32::try_from(value).ok().filter(|_| fits);
        fitting.ok_or_else(|| {
            let why = format!("found {value}, want {least} to {most} pixels");
            Fault::new(&[at, &steps![key]].concat(), why)
        })
    };
    Ok(Stripe {
        first: number(raw.first, (0, MOST), "first")?,
        count: number(raw.count, (1, MOST), "count")?,
        // At least one is measured.
        skip: number(raw.skip.unwrap_or(0), (0, raw.count - 1), "skip")?,
    })
}
