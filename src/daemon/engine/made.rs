//! What becomes of a product that was made or measured, or was not.

use std::time::Duration;

use jiff::Timestamp;
use rustix::io::Errno;
use rustix::process::{Resource, getrlimit};

use super::{DaemonError, Engine, Unread, later};
use crate::facts::{Failure, FileId, Fingerprint, Made, Measured, Task, ToMeasure};
use crate::make::MakeError;
use crate::measure;
use crate::night::Cause;
use crate::scan::Found;

impl Engine {
    /// A product was made.
    pub fn made(&mut self, made: Made) -> Result<(), DaemonError> {
        self.catalogue.made(&made)?;
        self.unread.remove(&made.fingerprint);
        if made.facts.is_some() {
            self.teller.all();
        } else if let Some(night) = made
            .product
            .split('/')
            .nth(1)
            .and_then(|night| night.parse().ok())
        {
            self.teller.night(night);
        }
        if let Some(snapshot) = &mut self.snapshot {
            snapshot.failed.remove(&made.fingerprint);
            snapshot.made.insert(made);
        }
        Ok(())
    }

    /// A light was measured.
    pub fn measured(&mut self, light: &ToMeasure, found: &Measured) -> Result<(), DaemonError> {
        self.catalogue
            .measured(&light.fingerprint, measure::METHODS, found)?;
        self.teller.night(light.night);
        if let Some(snapshot) = &mut self.snapshot {
            snapshot.made.measure(light.fingerprint, measure::METHODS);
        }
        Ok(())
    }

    /// A light could not be measured.
    ///
    /// # Errors
    /// The error itself where the disk is to blame and trying later may help.
    pub fn not_measured(&mut self, light: &ToMeasure, error: MakeError) -> Result<(), DaemonError> {
        match error {
            MakeError::Stopped => {}
            MakeError::Scratch { folder, source } => {
                return Err(DaemonError::scratch(folder, source));
            }
            other => {
                tracing::warn!(product = light.product, "not measured: {other}");
                self.unmeasured.insert(light.fingerprint);
            }
        }
        Ok(())
    }

    /// Deals with what raw files have done, or a request to stop; gives back any other error.
    ///
    /// # Errors
    /// Where the disk is to blame and trying later may help.
    pub(super) fn deal_with_raw(
        &mut self,
        error: MakeError,
        now: Timestamp,
    ) -> Result<Option<MakeError>, DaemonError> {
        match error {
            MakeError::Stopped => {}
            MakeError::Changed { file } => self.changed(file, now)?,
            MakeError::Spoiled { file, reason } => self.spoiled(&file, &reason)?,
            MakeError::Scratch { folder, source } => {
                return Err(DaemonError::scratch(folder, source));
            }
            other => return Ok(Some(other)),
        }
        Ok(None)
    }

    /// A raw file is not what it was when it was taken in.
    fn changed(&mut self, file: FileId, now: Timestamp) -> Result<(), DaemonError> {
        tracing::info!(%file, "it changed or vanished while it was needed");
        let known = self.catalogue.stamp(&file)?;
        match self.look_at(&file) {
            Some(Found::Wanted(look)) if known.map(|(stamp, _)| stamp) != Some(look.stamp) => {
                self.settle.look(look, now);
                // Until it is taken in again it is not there for the planner.
                self.change()?.vanish(&[file])?;
                Ok(())
            }
            Some(Found::Wanted(_)) => Ok(()),
            _ => self.vanish(vec![file]),
        }
    }

    /// The pixels of a raw file cannot be used.
    fn spoiled(&mut self, file: &FileId, reason: &str) -> Result<(), DaemonError> {
        tracing::warn!(%file, "refused: {reason}");
        if let Some((stamp, _)) = self.catalogue.stamp(file)? {
            self.teller.all();
            self.change()?.refuse_pixels(file, &stamp, reason)?;
        }
        Ok(())
    }

    /// A product was not made, after so long. What can be mended is: the files concerned are looked at again,
    /// refused, or the master is made anew.
    ///
    /// # Errors
    /// The error itself where the disk is to blame and trying later may help.
    pub fn not_made(
        &mut self,
        task: &Task,
        error: MakeError,
        took: Duration,
        now: Timestamp,
    ) -> Result<(), DaemonError> {
        let Some(error) = self.deal_with_raw(error, now)? else {
            return Ok(());
        };
        match error {
            MakeError::Master { path, reason } => {
                if self.shelf.distrust(&path, &reason) {
                    return self.look_at_shelf();
                }
                tracing::warn!("{}: the master cannot be used: {reason}", path.display());
                if self.suspects.contains(&path) {
                    return self.failed(task, &reason, now);
                }
                let product = path
                    .strip_prefix(&self.settings.output)
                    .unwrap_or(&path)
                    .to_owned();
                let unusable: Vec<Fingerprint> = self
                    .view()?
                    .made
                    .iter()
                    .filter(|made| product.as_os_str() == made.product.as_str())
                    .map(|made| made.fingerprint)
                    .collect();
                self.change()?.unmade(&unusable)?;
                self.suspects.push(path);
                Ok(())
            }
            MakeError::Read { source, .. }
                if Errno::from_io_error(&source) == Some(Errno::MFILE)
                    && are_most(task.recipe.raws().len()) =>
            {
                self.failed(task, &too_many(task.recipe.raws().len()), now)
            }
            error @ MakeError::Read { .. } => {
                let reason = error.to_string();
                tracing::warn!(product = task.product, "not made for now: {reason}");
                self.alarm.failed(Cause::Raw, &reason, now);
                self.put_off(task.fingerprint, reason, Some(later(now, took)));
                self.teller.all();
                Ok(())
            }
            MakeError::Publish(error) if error.is_passing() => Err(error.into()),
            other => self.failed(task, &other.to_string(), now),
        }
    }

    /// What could not be read is tried again at its own time: what took long before it failed holds up
    /// nothing that did not.
    pub fn put_off(&mut self, print: Fingerprint, reason: String, again: Option<Timestamp>) {
        let failure = Failure { reason };
        self.unread.insert(print, Unread { again, failure });
        self.snapshot = None;
    }

    /// When the first of what could not be read is tried again.
    pub fn again(&self) -> Option<Timestamp> {
        self.unread.values().filter_map(|unread| unread.again).min()
    }

    /// Nothing waits for a time that the clock had before it was set back.
    pub fn set_back(&mut self, now: Timestamp) {
        for unread in self.unread.values_mut() {
            unread.again = unread.again.map(|again| again.min(now));
        }
    }

    /// What could not be read may be tried again, if it is time. True where there is something.
    pub fn try_again(&mut self, now: Timestamp) -> bool {
        let is_due = |unread: &Unread| unread.again.is_some_and(|again| again <= now);
        if !self.unread.values().any(is_due) {
            return false;
        }
        self.unread.retain(|_, unread| !is_due(unread));
        self.snapshot = None;
        self.teller.all();
        true
    }

    fn failed(&mut self, task: &Task, reason: &str, now: Timestamp) -> Result<(), DaemonError> {
        tracing::error!(product = task.product, "could not be made: {reason}");
        let text = format!("{}: could not be made: {reason}", task.product);
        self.alarm.failed(Cause::Product, &text, now);
        self.teller.all();
        self.change()?.failed(&task.fingerprint, reason)?;
        Ok(())
    }
}

/// Are these most of the files that may be open at once? Where they are not, others are to blame, and
/// trying again may help.
fn are_most(exposures: usize) -> bool {
    let most = getrlimit(Resource::Nofile).current;
    most.is_some_and(|most| exposures as u64 > most / 2)
}

/// All exposures of a set are open at once. The limit is raised as far as it goes at the start, so that
/// trying again helps only after another start.
fn too_many(exposures: usize) -> String {
    let most = getrlimit(Resource::Nofile).current;
    let most = most.map_or("no limit".to_owned(), |most| most.to_string());
    format!(
        "its {exposures} exposures are more files than may be open at once, {most}: raise the hard \
         limit on open files (LimitNOFILE of the service) and start again"
    )
}
