//! `log [NIGHT]`: the digest of a night, read from its session log.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow};
use jiff::civil::Date;

use super::{Failure, settings};
use crate::facts::Settings;
use crate::night;

/// Flats serve lights of two weeks by default: so far back it is worth a look.
const EARLIER: usize = 15;

/// Prints the digest of the night, or of the latest.
pub fn log(config: &Path, night: Option<Date>) -> Result<(), Failure> {
    let settings = settings::read(config)?;
    let path = match night {
        Some(night) if session(&settings, night).is_file() => session(&settings, night),
        Some(night) => {
            let latest =
                latest(&settings).and_then(|path| Some(path.parent()?.file_name()?.to_owned()));
            let hint = latest.map_or(String::new(), |night| {
                format!("; the latest night that has one is {}", night.display())
            });
            return Err(anyhow!("{night}: no log for this night{hint}").into());
        }
        None => latest(&settings).ok_or_else(|| {
            anyhow!(
                "{}: no night has a log yet",
                settings.output.join("nights").display()
            )
        })?,
    };
    print!("{}", digest(&settings, &path)?);
    if night.is_none() {
        print!("{}", earlier(&settings, &path));
    }
    Ok(())
}

/// Nights before the latest whose lights still wait: what is missing may still be shot.
fn earlier(settings: &Settings, latest: &Path) -> String {
    let mut waiting = Vec::new();
    for night in nights(settings).into_iter().rev().take(EARLIER) {
        let path = session(settings, night);
        let log = fs::read_to_string(&path)
            .ok()
            .and_then(|text| night::parse(&text).ok());
        let count = log.map_or(0, |log| {
            log.lights
                .iter()
                .filter(|light| light.state == "waiting")
                .count()
        });
        if path != latest && count > 0 {
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

/// The digest of one session log.
pub fn digest(settings: &Settings, path: &Path) -> anyhow::Result<String> {
    let text =
        fs::read_to_string(path).with_context(|| format!("{}: could not read", path.display()))?;
    let log = night::parse(&text).with_context(|| format!("{}: could not read", path.display()))?;
    Ok(night::digest(&log, &settings.site))
}

/// Where a night's session log lies.
pub fn session(settings: &Settings, night: Date) -> PathBuf {
    settings
        .output
        .join("nights")
        .join(night.to_string())
        .join("session.yaml")
}

/// The latest night's session log.
pub fn latest(settings: &Settings) -> Option<PathBuf> {
    nights(settings)
        .last()
        .map(|&night| session(settings, night))
}

/// All nights that have a log, in order.
fn nights(settings: &Settings) -> Vec<Date> {
    let folders = fs::read_dir(settings.output.join("nights"));
    let mut nights: Vec<Date> = folders
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.parse::<Date>().ok())
        .filter(|&night| session(settings, night).is_file())
        .collect();
    nights.sort();
    nights
}
