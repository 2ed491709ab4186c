//! The part of the settings that says what is worth telling at once, and whom.
//!
//! It does not know whether a program exists, or what it does.

use std::path::Path;
use std::time::Duration;

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{Alarms, Hook, Occasion};

use super::bounds::path;
use super::bounds::{duration, seconds, within};
use super::schema::ARGUMENT;
use super::text::{Fault, Text, steps};

/// Bytes of a gigabyte, as disks are sold.
const GB: f64 = 1e9;

/// A command that is run when something is worth telling at once.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with when and command")]
#[schemars(rename = "Hook")]
pub(super) struct RawHook {
    /// The events that it is run for.
    #[schemars(length(min = 1))]
    when: Vec<Occasion>,
    /// A program and its arguments, handed over as they are: there is no shell. It gets one JSON
    /// document on standard input.
    #[schemars(length(min = 1), inner(regex(pattern = ARGUMENT)))]
    command: Vec<Text>,
    /// Seconds: it is killed when it runs for longer.
    #[schemars(range(min = 0.1, max = 3600), extend("default" = 30))]
    timeout_s: Option<f64>,
}

pub(super) fn hooks(raw: Vec<RawHook>, folder: &Path) -> Result<Vec<Hook>, Fault> {
    let hook = |(index, raw): (usize, RawHook)| {
        let at = |key: &str| steps!["hooks", index, key];
        if raw.when.is_empty() {
            let want = "found an empty list, want at least one of night-closed, stalled, failed, \
                        recovered, disk-low";
            return Err(Fault::new(&at("when"), want));
        }
        let Some((program, arguments)) = raw.command.split_first() else {
            let want = "found an empty list, want a program and its arguments";
            return Err(Fault::new(&at("command"), want));
        };
        for (place, argument) in arguments.iter().enumerate() {
            if argument.contains('\0') {
                return Err(Fault::new(
                    &steps!["hooks", index, "command", place + 1],
                    format!("found {:?}, want text without a zero byte", &**argument),
                ));
            }
        }
        Ok(Hook {
            when: raw.when,
            program: path(program, folder, &steps!["hooks", index, "command", 0_usize])?,
            arguments: arguments.iter().map(|text| text.to_string()).collect(),
            timeout: seconds(raw.timeout_s, 30.0, (0.1, 3600.0), &at("timeout_s"))?,
        })
    };
    raw.into_iter().enumerate().map(hook).collect()
}

pub(super) fn stalled(minutes: Option<f64>) -> Result<Duration, Fault> {
    let at = steps!["stalled_minutes"];
    match minutes {
        None => Ok(Alarms::default().stalled),
        Some(minutes) => duration(within(minutes, (1.0, 1440.0), "minutes", &at)? * 60.0, &at),
    }
}

pub(super) fn disk_low(gigabytes: Option<f64>) -> Result<u64, Fault> {
    let range = (0.0, 1e6);
    match gigabytes {
        None => Ok(Alarms::default().disk_low),
        Some(number) => {
            let bytes = within(number, range, "GB", &steps!["disk_low_gb"])? * GB;
            Ok(bytes.round() as u64)
        }
    }
}
