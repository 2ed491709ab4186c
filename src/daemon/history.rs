//! All nights in brief, and the files that tell of more than one night.
//!
//! Logs of nights of which the catalogue knows no file any more are read once, so that the history
//! outlives the catalogue as the logs do.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use jiff::civil::Date;

use super::DaemonError;
use crate::facts::{NightSummary, SessionLog, Settings};
use crate::night;
use crate::publish::Disk;

/// All nights in brief.
#[derive(Default)]
pub struct History {
    nights: BTreeMap<Date, NightSummary>,
    is_complete: bool,
}

impl History {
    /// A night was written up.
    pub fn note(&mut self, night: Date, log: &SessionLog) {
        self.nights.insert(night, night::summary(log));
    }

    /// Nights before this one, in order of time.
    pub fn before(&self, night: Date) -> Vec<&NightSummary> {
        self.nights.range(..night).map(|(_, brief)| brief).collect()
    }

    /// Reads the logs that lie in the output folder of nights that `is_known` does not know: once.
    pub fn complete(&mut self, output: &Path, is_known: impl Fn(&Date) -> bool) {
        if std::mem::replace(&mut self.is_complete, true) {
            return;
        }
        let folders = fs::read_dir(output.join("nights"));
        for folder in folders.into_iter().flatten().flatten() {
            let name = folder.file_name();
            let Some(night) = name.to_str().and_then(|name| name.parse().ok()) else {
                continue;
            };
            let text = || fs::read_to_string(folder.path().join("session.yaml")).ok();
            if !is_known(&night)
                && let Some(log) = text().and_then(|text| night::parse(&text).ok())
            {
                self.note(night, &log);
            }
        }
    }

    /// Writes what changed.
    pub fn write(&self, settings: &Settings, disk: &Disk) -> Result<(), DaemonError> {
        let sensors = self.nights.iter();
        let sensors = sensors.map(|(night, brief)| (*night, brief.sensors.clone()));
        let sensors = night::sensor_history(&sensors.collect());
        if !sensors.sensors.is_empty() {
            let path = settings.output.join("sensors.yaml");
            publish(disk, &path, &night::sensors_yaml(&sensors))?;
        }
        Ok(())
    }
}

/// Writes a text where it differs from what is on file.
pub fn publish(disk: &Disk, path: &Path, text: &str) -> Result<(), DaemonError> {
    if fs::read_to_string(path).unwrap_or_default() != text {
        disk.publish(path, text.as_bytes())?;
    }
    Ok(())
}
