//! `log [NIGHT]`: the digest of a night, read from its session log.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow};
use jiff::civil::Date;

use super::{Failure, settings};
use crate::facts::Settings;
use crate::night;

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
    Ok(())
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
    let nights = fs::read_dir(settings.output.join("nights")).ok()?;
    let night = nights
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.parse::<Date>().ok())
        .filter(|&night| session(settings, night).is_file())
        .max()?;
    Some(session(settings, night))
}
