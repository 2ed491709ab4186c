//! `log [NIGHT]`: the digest of a night, read from its session log.

use std::fs;
use std::path::Path;

use anyhow::anyhow;
use jiff::civil::Date;

use super::{Failure, settings};
use crate::daemon::{digest, session};
use crate::facts::Settings;
use crate::night;

/// Flats serve lights of two weeks by default: so far back it is worth a look.
const EARLIER: usize = 15;

/// Prints the digest of the night, or of the latest.
pub fn log(config: &Path, night: Option<Date>) -> Result<(), Failure> {
    let settings = settings::read(config)?;
    let latest = latest(&settings);
    let chosen = night.or(latest).ok_or_else(|| {
        anyhow!(
            "{}: no night has a log yet",
            settings.output.join("nights").display()
        )
    })?;
    if !has_log(&settings, chosen) {
        let hint = latest.map_or(String::new(), |night| {
            format!("; the latest night that has one is {night}")
        });
        return Err(anyhow!("{chosen}: no log for this night{hint}").into());
    }
    print!("{}", digest(&settings, chosen)?.1);
    if night.is_none() {
        print!("{}", earlier(&settings, chosen));
    }
    Ok(())
}

/// Nights before the latest whose lights still wait: what is missing may still be shot.
fn earlier(settings: &Settings, latest: Date) -> String {
    let mut waiting = Vec::new();
    for night in nights(settings).into_iter().rev().take(EARLIER) {
        let log = fs::read_to_string(session(&settings.output, night))
            .ok()
            .and_then(|text| night::parse(&text).ok());
        let count = log.map_or(0, |log| {
            log.lights
                .iter()
                .filter(|light| light.state == "waiting")
                .count()
        });
        if night != latest && count > 0 {
            waiting.push(format!(
                "  {night}  {count} lights: dawnledger log {night}\n"
            ));
        }
    }
    match waiting.is_empty() {
        true => String::new(),
        false => format!("\nEarlier nights that still wait\n{}", waiting.concat()),
    }
}

/// The latest night that has a log.
pub fn latest(settings: &Settings) -> Option<Date> {
    nights(settings).last().copied()
}

fn has_log(settings: &Settings, night: Date) -> bool {
    session(&settings.output, night).is_file()
}

/// All nights that have a log, in order.
fn nights(settings: &Settings) -> Vec<Date> {
    let folders = fs::read_dir(settings.output.join("nights"));
    let mut nights: Vec<Date> = folders
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.parse::<Date>().ok())
        .filter(|&night| has_log(settings, night))
        .collect();
    nights.sort();
    nights
}
