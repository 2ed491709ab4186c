//! Files that were read, or could not be: entries of the catalogue, and what hangs on them.

use jiff::Timestamp;

use super::{DaemonError, Engine, later};
use crate::daemon::intake::Taken;
use crate::facts::{Content, Digest, Entry, FileId, Fingerprint, Kind, Look, Snapshot, Stamp};
use crate::night::Cause;
use crate::scan::{self, Found};

impl Engine {
    /// Files were taken in, or not.
    ///
    /// # Errors
    /// Where the disk is to blame and trying later may help, with what could be taken in on file.
    pub fn taken_in(
        &mut self,
        taken: Vec<(Look, Taken)>,
        now: Timestamp,
    ) -> Result<(), DaemonError> {
        let mut entries = Vec::new();
        let mut trouble = Ok(());
        for (look, taken) in taken {
            match taken {
                Taken::In(content) => entries.push(Entry {
                    file: look.file,
                    stamp: look.stamp,
                    present: true,
                    arrived: now,
                    content,
                }),
                Taken::Short(note) => {
                    tracing::info!(file = %look.file, "still arriving: {note}");
                    self.settle.short(&look.file, &look.stamp, note);
                    self.teller.arriving();
                }
                Taken::Changed => self.look_again(&look.file, now),
                Taken::NoRoom(error) => {
                    // At once, which is when all else is tried again.
                    let note = format!("it waits to be decoded: {error}");
                    self.settle.put_off(&look.file, note, now);
                    self.teller.arriving();
                    trouble = Err(error);
                }
                Taken::Later(reason, took) => {
                    tracing::warn!(file = %look.file, "could not be read, to be tried again: {reason}");
                    let note = format!("it could not be read: {reason}");
                    let text = format!("{}: {note}", look.file);
                    self.alarm.failed(Cause::Raw, &text, now);
                    self.settle.put_off(&look.file, note, later(now, took));
                    self.teller.arriving();
                }
            }
        }
        for entry in &entries {
            match &entry.content {
                Content::Frame {
                    frame,
                    unusable: None,
                    ..
                } => {
                    tracing::info!(file = %entry.file, kind = %frame.kind, rig = %frame.rig, "taken in");
                    self.alarm.frame(frame, now);
                }
                Content::Frame {
                    unusable: Some(reason),
                    ..
                }
                | Content::Refused(reason) => {
                    tracing::warn!(file = %entry.file, "refused: {reason}");
                }
                Content::Ignored(_) => {}
            }
        }
        let seen: Vec<(FileId, Stamp)> = entries
            .iter()
            .map(|entry| (entry.file.clone(), entry.stamp))
            .collect();
        if let Err(error) = self.record(entries) {
            // Handed out and answered, but not on file: to be taken in once more.
            for (file, _) in &seen {
                self.settle.put_back(file, now);
            }
            return Err(error);
        }
        for (file, stamp) in seen {
            self.settle.taken(&file, &stamp);
            self.stale.remove(&file);
        }
        trouble
    }

    pub(super) fn look_at(&self, file: &FileId) -> Option<Found> {
        scan::look(self.settings.folder(&file.watch)?, &file.path)
    }

    fn look_again(&mut self, file: &FileId, now: Timestamp) {
        match self.look_at(file) {
            Some(Found::Wanted(look)) => {
                self.settle.look(look, now);
                self.settle.put_back(file, now);
            }
            _ => self.settle.vanished(file),
        }
    }

    pub(super) fn record(&mut self, entries: Vec<Entry>) -> Result<(), DaemonError> {
        let site = self.settings.site.clone();
        let mut replaced = Vec::new();
        for entry in &entries {
            // The whole catalogue is read only for files that are not new.
            if let Some((stamp, present)) = self.catalogue.stamp(&entry.file)? {
                let truly = present && stamp != entry.stamp;
                let snapshot = self.view()?;
                let before = snapshot.find(&entry.file);
                let lost = before
                    .filter(|_| truly)
                    .and_then(|before| lost(snapshot, before, entry));
                replaced.extend(lost);
                // It may leave another night.
                let night = before.map(|before| site.night_of(before.moment()));
                night.into_iter().for_each(|night| self.teller.night(night));
            }
            match &entry.content {
                // A calibration frame may change what lights of any night wait for.
                Content::Frame { frame, .. } if frame.kind != Kind::Light => self.teller.all(),
                _ => self.teller.night(site.night_of(entry.moment())),
            }
            // A notebook that grows all day keeps no night open.
            if !matches!(entry.content, Content::Ignored(_)) {
                self.teller.arrived(entry.arrived);
            }
        }
        self.drop_products_of(&replaced)?;
        let recognition = self.recognition.clone();
        let rows: Vec<(Entry, &str)> = entries
            .into_iter()
            .map(|entry| (entry, recognition.as_str()))
            .collect();
        if !rows.is_empty() {
            self.catalogue.record(&rows)?;
            if let Some(snapshot) = &mut self.snapshot {
                snapshot.take_in(rows.into_iter().map(|(entry, _)| entry));
            }
        }
        Ok(())
    }

    /// A file that was replaced under its name takes its products with it: what they show lies in
    /// no folder any more. A name that is used again after its first file went to storage replaces
    /// nothing, and a file that merely reads differently under other profiles has not changed.
    fn drop_products_of(&mut self, replaced: &[Digest]) -> Result<(), DaemonError> {
        if replaced.is_empty() {
            return Ok(());
        }
        let made = self.view()?.made.iter();
        let gone: Vec<Fingerprint> = made
            .filter(|made| made.inputs.iter().any(|input| replaced.contains(input)))
            .map(|made| made.fingerprint)
            .collect();
        self.remove(&gone)
    }
}

/// The contents that are nowhere any more once `after` is in place of `before`; nothing where they
/// stay the same or lie elsewhere too.
fn lost(snapshot: &Snapshot, before: &Entry, after: &Entry) -> Option<Digest> {
    let contents = digest(&before.content)?;
    let elsewhere =
        |other: &Entry| other.file != before.file && digest(&other.content) == Some(contents);
    let stays = digest(&after.content) == Some(contents) || snapshot.entries.iter().any(elsewhere);
    (!stays).then_some(contents)
}

pub(super) fn digest(content: &Content) -> Option<Digest> {
    match content {
        Content::Frame { digest, .. } => Some(*digest),
        Content::Refused(_) | Content::Ignored(_) => None,
    }
}
