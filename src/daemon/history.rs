//! All nights in brief, and the files that tell of more than one night.
//!
//! Logs of nights of which the catalogue knows no file any more are read once, so that the history
//! outlives the catalogue as the logs do.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use jiff::civil::Date;

use super::DaemonError;
use super::session::TARGETS;
use super::tell::GoOn;
use crate::config::parse_goals;
use crate::facts::{Goals, NightSummary, SessionLog, Settings, Targets};
use crate::night;
use crate::page;
use crate::publish::Disk;

/// All nights in brief.
#[derive(Default)]
pub struct History {
    nights: BTreeMap<Date, NightSummary>,
    is_complete: bool,
    /// The lists say what is known.
    is_written: bool,
    /// The targets as they were last written.
    targets: Option<Targets>,
    /// What was said of a file of targets that cannot be read.
    warned: Option<String>,
}

impl History {
    /// A night was written up. True where it is new.
    pub fn note(&mut self, night: Date, log: &SessionLog) -> bool {
        let brief = night::summary(log);
        self.is_written &= self.nights.get(&night) == Some(&brief);
        self.nights.insert(night, brief).is_none()
    }

    /// The nights right before and after this one.
    pub fn beside(&self, night: Date) -> [Option<Date>; 2] {
        let before = self.nights.keys().take_while(|other| **other < night);
        let after = self.nights.keys().find(|other| **other > night);
        [before.last().copied(), after.copied()]
    }

    /// Nights before this one, the latest first.
    pub fn before(&self, night: Date) -> impl Iterator<Item = &NightSummary> {
        self.nights.range(..night).rev().map(|(_, brief)| brief)
    }

    /// Reads the logs that lie in the output folder of nights that `is_known` does not know: once.
    pub fn complete(
        &mut self,
        output: &Path,
        is_known: impl Fn(&Date) -> bool,
        go_on: GoOn<'_>,
    ) -> Result<(), DaemonError> {
        if self.is_complete {
            return Ok(());
        }
        let folders = fs::read_dir(output.join("nights"));
        for folder in folders.into_iter().flatten().flatten() {
            go_on()?;
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
        self.is_complete = true;
        Ok(())
    }

    /// Writes what changed. Goals may change without a night.
    pub fn write(&mut self, settings: &Settings, disk: &Disk) -> Result<(), DaemonError> {
        let output = &settings.output;
        let site = &settings.site.name;
        let nights: Vec<NightSummary> = self.nights.values().cloned().collect();
        let targets = self.write_targets(&nights, output, disk)?;
        if !nights.is_empty() && self.targets.as_ref() != Some(&targets) {
            let page = page::targets(&nights, &targets, site);
            publish(disk, &output.join("targets.html"), &page)?;
            self.targets = Some(targets);
        }
        if self.is_written {
            return Ok(());
        }
        let pages = [
            ("index.html", page::index(&nights, site)),
            ("sensors.html", page::sensors(&nights, site)),
        ];
        for (name, text) in pages.iter().filter(|_| !nights.is_empty()) {
            publish(disk, &output.join(name), text)?;
        }
        let sensors = self.nights.iter();
        let sensors = sensors.map(|(night, brief)| (*night, brief.sensors.clone()));
        let sensors = night::sensor_history(&sensors.collect());
        if !sensors.sensors.is_empty() {
            publish(
                disk,
                &output.join("sensors.yaml"),
                &night::sensors_yaml(&sensors),
            )?;
        }
        self.is_written = true;
        Ok(())
    }

    /// Gives all targets beside their goals, and writes them. A file whose goals cannot be read is left
    /// alone: they would be lost.
    fn write_targets(
        &mut self,
        nights: &[NightSummary],
        output: &Path,
        disk: &Disk,
    ) -> Result<Targets, DaemonError> {
        let path = output.join(TARGETS);
        let on_file = fs::read_to_string(&path).unwrap_or_default();
        let goals = match on_file.trim().is_empty() {
            true => Ok(Goals::default()),
            false => parse_goals(&on_file, &path),
        };
        match goals {
            Ok(goals) => {
                self.warned = None;
                let targets = night::targets(nights, &goals);
                if !nights.is_empty() || !on_file.is_empty() {
                    publish(disk, &path, &night::targets_yaml(&targets))?;
                }
                Ok(targets)
            }
            Err(error) => {
                let warning = format!("{error}; the file is left as it is until it can be read");
                if self.warned.as_ref() != Some(&warning) {
                    tracing::warn!("{warning}");
                    self.warned = Some(warning);
                }
                Ok(night::targets(nights, &Goals::default()))
            }
        }
    }
}

/// Writes a text where it differs from what is on file.
pub fn publish(disk: &Disk, path: &Path, text: &str) -> Result<(), DaemonError> {
    if fs::read_to_string(path).unwrap_or_default() != text {
        disk.publish(path, text.as_bytes())?;
    }
    Ok(())
}
