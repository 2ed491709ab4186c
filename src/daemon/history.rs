//! Keeps `sensors.yaml` current: what all nights' logs say of the sensors.
//!
//! Logs of nights of which the catalogue knows no file any more are read once, so that the history
//! outlives the catalogue as the logs do.

use std::collections::BTreeMap;
use std::fs;

use jiff::civil::Date;

use super::DaemonError;
use crate::facts::{SensorEntry, Settings};
use crate::night;
use crate::publish::Disk;

/// Its name in the output folder.
const NAME: &str = "sensors.yaml";

/// The entries of all nights.
#[derive(Default)]
pub struct History {
    nights: BTreeMap<Date, Vec<SensorEntry>>,
    is_complete: bool,
}

impl History {
    /// A night was written up.
    pub fn note(&mut self, night: Date, entries: Vec<SensorEntry>) {
        self.nights.insert(night, entries);
    }

    /// Writes the history, if it changed.
    pub fn write(&mut self, settings: &Settings, disk: &Disk) -> Result<(), DaemonError> {
        if !self.is_complete {
            self.read(settings);
            self.is_complete = true;
        }
        let history = night::sensor_history(&self.nights);
        let path = settings.output.join(NAME);
        let on_file = fs::read_to_string(&path).unwrap_or_default();
        let text = night::sensors_yaml(&history);
        if text != on_file && !(history.sensors.is_empty() && on_file.is_empty()) {
            disk.publish(&path, text.as_bytes())?;
        }
        Ok(())
    }

    /// Reads the logs of nights that were not written up.
    fn read(&mut self, settings: &Settings) {
        for entry in fs::read_dir(settings.output.join("nights"))
            .into_iter()
            .flatten()
            .flatten()
        {
            let name = entry.file_name();
            let Some(night) = name.to_str().and_then(|name| name.parse().ok()) else {
                continue;
            };
            let text = || fs::read_to_string(entry.path().join("session.yaml")).ok();
            if !self.nights.contains_key(&night)
                && let Some(log) = text().and_then(|text| night::parse(&text).ok())
            {
                self.nights.insert(night, log.sensors);
            }
        }
    }
}
