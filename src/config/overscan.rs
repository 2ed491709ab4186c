//! The `overscan` part of a profile: columns and rows of the sensor that see no light.

use serde::Deserialize;

use crate::facts::{Stripe, Stripes};

use super::text::{Fault, Step, steps};

/// No sensor has more columns or rows.
const MOST: i64 = 65_535;

#[derive(Deserialize)]
#[serde(deny_unknown_fields, expecting = "a mapping with columns or rows")]
pub(super) struct RawOverscan {
    columns: Option<RawStripe>,
    rows: Option<RawStripe>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, expecting = "a mapping with first, count or skip")]
struct RawStripe {
    first: i64,
    count: i64,
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
