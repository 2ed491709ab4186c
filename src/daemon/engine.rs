//! What the loop knows, and the single steps it is made of.
//!
//! Every step leaves the catalogue true: a product is on file before its row is written, and a
//! superseded product is removed before its row is.

mod known;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::PathBuf;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::adopt::adopt;
use super::intake::Taken;
use super::locks::{Locks, lock};
use super::supplied::Shelf;
use super::tell::Teller;
use super::worker::Request;
use super::{DaemonError, Mode};
use crate::catalogue::{self, Catalogue, CatalogueError};
use crate::facts::{
    Content, Digest, Entry, Failure, FileId, Fingerprint, Kind, Look, Made, Measured, Plan,
    Profile, RelPath, Settings, Snapshot, Stamp, Task, ToMeasure,
};
use crate::make::{MakeError, ToPicture};
use crate::measure;
use crate::night::{Alarm, Cause, Known};
use crate::page::Preview;
use crate::plan::{Patience, plan};
use crate::publish::Disk;
use crate::scan::{self, Found, ScanError};
use crate::settle::Settle;
use crate::watch::Hint;

/// The version of how headers are read and pixels are sampled: counts towards [`recognition`].
const RECOGNITION_VERSION: u32 = 1;

/// What could not be read is tried again after this long.
const READ_AGAIN: SignedDuration = SignedDuration::from_secs(60);

/// Most files handed to the worker at once.
const BATCH: usize = 512;

/// The catalogue's file in the state folder.
pub const CATALOGUE: &str = "catalogue.sqlite";

/// A name for everything in the profiles that decides what is read out of a file. Frames that
/// were recognised under another name are looked at again.
pub fn recognition(profiles: &[Arc<Profile>]) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&RECOGNITION_VERSION.to_le_bytes());
    for profile in profiles {
        let Profile {
            name,
            cameras,
            telescope,
            filters,
            kinds,
            keywords,
            paths,
            gain_keyword,
            cfa,
            overscan,
            saturation_adu,
            ..
        } = &**profile;
        let facts = (name, cameras, telescope, filters, kinds, keywords);
        hasher.update(
            format!("{facts:?}{paths:?}{gain_keyword:?}{cfa:?}{saturation_adu:?}").as_bytes(),
        );
        // Only where it is, so that nobody's frames are looked at again for a key they do not use.
        if let Some(overscan) = overscan {
            hasher.update(format!("{overscan:?}").as_bytes());
        }
    }
    hasher.finalize().to_hex()[..16].to_owned()
}

/// The state of the daemon, apart from what runs.
pub struct Engine {
    pub settings: Arc<Settings>,
    disk: Disk,
    catalogue: Catalogue,
    pub settle: Settle,
    recognition: String,
    mode: Mode,
    _locks: Locks,
    snapshot: Option<Snapshot>,
    shelf: Shelf,
    /// Digests of files that are looked at again only because the profiles changed, good while
    /// the files look like this.
    stale: HashMap<FileId, (Stamp, Digest)>,
    pub teller: Teller,
    /// What is worth telling at once.
    pub alarm: Alarm,
    /// Watch folders that could not be read at the last scan.
    pub away: BTreeMap<usize, String>,
    /// Masters that turned out unusable once: a second time counts as a failure.
    suspects: Vec<PathBuf>,
    /// Products that were not made because a raw file could not be read, perhaps only this time:
    /// nothing for the catalogue, which remembers what does not mend itself.
    unread: BTreeMap<Fingerprint, Failure>,
    /// Lights that could not be measured: not tried again before the next start.
    unmeasured: BTreeSet<Fingerprint>,
    /// When those are tried again.
    pub again: Option<Timestamp>,
}

impl Engine {
    /// Locks the folders, opens the catalogue, sweeps up after a killed process, adopts products.
    pub fn open(
        settings: Arc<Settings>,
        disk: Disk,
        shelf: Shelf,
        mode: Mode,
    ) -> Result<Self, DaemonError> {
        let locks = lock(&settings, &disk)?;
        disk.sweep(&settings.output)?;
        let mut catalogue = open_catalogue(&settings, &disk)?;
        catalogue.clear_failures()?;
        leave_dropped_folders(&mut catalogue, &settings)?;
        let snapshot = catalogue.snapshot()?;
        let found = adopt(&settings.output, &snapshot.made);
        catalogue.unmade(&found.lost)?;
        for made in &found.adopted {
            tracing::info!(
                product = made.product,
                "adopted a product that lay in the output folder"
            );
            catalogue.made(made)?;
        }
        let recognition = recognition(&settings.profiles);
        let mut engine = Self {
            settle: Settle::new(settings.settle),
            teller: Teller::new(),
            alarm: Alarm::new(settings.site.clone(), settings.alarms.clone()),
            disk,
            catalogue,
            recognition,
            mode,
            _locks: locks,
            snapshot: None,
            shelf,
            stale: HashMap::new(),
            away: BTreeMap::new(),
            suspects: Vec::new(),
            unread: BTreeMap::new(),
            unmeasured: BTreeSet::new(),
            again: None,
            settings,
        };
        engine.look_again_at_stale(&snapshot)?;
        // After a restart in the night a capture that ended with it is missed too.
        for entry in &snapshot.entries {
            if let Content::Frame { frame, .. } = &entry.content {
                engine.alarm.frame(frame, entry.arrived);
            }
        }
        Ok(engine)
    }

    /// Files recognised under other profiles: they settle once more, and need no new digest.
    fn look_again_at_stale(&mut self, snapshot: &Snapshot) -> Result<(), DaemonError> {
        let stale = self.catalogue.stale(&self.recognition)?;
        if stale.is_empty() {
            return Ok(());
        }
        tracing::info!(
            files = stale.len(),
            "the profiles changed: looking at files again"
        );
        let digests: HashMap<&FileId, Digest> = snapshot
            .entries
            .iter()
            .filter_map(|entry| Some((&entry.file, digest(&entry.content)?)))
            .collect();
        for look in stale {
            if let Some(digest) = digests.get(&look.file) {
                self.stale.insert(look.file.clone(), (look.stamp, *digest));
            }
            self.settle.closed(look, Timestamp::UNIX_EPOCH);
        }
        Ok(())
    }

    /// Walks a watch folder and compares it with the catalogue.
    pub fn scan(&mut self, index: usize, now: Timestamp) -> Result<(), DaemonError> {
        let Some(folder) = self.settings.watch.get(index).cloned() else {
            return Ok(());
        };
        let mut known: HashMap<RelPath, (Stamp, bool)> = HashMap::new();
        self.catalogue.for_each_stamp(|file, stamp, present| {
            if file.watch == folder.name {
                known.insert(file.path, (stamp, present));
            }
        })?;
        let (mut back, mut ignored, mut looks) = (Vec::new(), Vec::new(), Vec::new());
        let walked = scan::scan(&folder, &mut |found| {
            let (look, reason) = match found {
                Found::Wanted(look) => (look, None),
                Found::Ignored(look, reason) => (look, Some(reason)),
            };
            match (known.remove(&look.file.path), reason) {
                (Some((stamp, true)), _) if stamp == look.stamp => {}
                (Some((stamp, false)), None) if stamp == look.stamp => back.push(look.file),
                (_, Some(reason)) => ignored.push((look, reason)),
                (_, None) => looks.push(look),
            }
        });
        let complete = match walked {
            Ok(_) => {
                if self.away.remove(&index).is_some() {
                    tracing::info!(folder = %folder.path.display(), "the watch folder is back");
                }
                true
            }
            Err(error @ ScanError::Away { .. }) => {
                let text = error.to_string();
                if self.away.insert(index, text.clone()).is_none() {
                    tracing::warn!("{text}; its files count as away until it is back");
                    let cause = Cause::Folder(folder.name.to_string());
                    self.alarm.failed(cause, &text, now);
                }
                true
            }
            Err(error) => {
                tracing::warn!("{error}");
                false
            }
        };
        for look in looks {
            self.settle.look(look, now);
        }
        self.ignore(ignored, now)?;
        if !back.is_empty() {
            self.teller.all();
            self.change()?.reappear(&back)?;
        }
        if complete {
            let gone = known.into_iter().filter(|(_, (_, present))| *present);
            let gone = gone.map(|(path, _)| FileId {
                watch: folder.name.clone(),
                path,
            });
            self.vanish(gone.collect())?;
        }
        self.look_at_shelf();
        Ok(())
    }

    /// Supplied masters may have come, gone or changed.
    fn look_at_shelf(&mut self) {
        if self.shelf.look(&self.settings) {
            self.snapshot = None;
            self.teller.all();
        }
    }

    fn ignore(&mut self, ignored: Vec<(Look, String)>, now: Timestamp) -> Result<(), DaemonError> {
        let entries = ignored.into_iter().map(|(look, reason)| Entry {
            file: look.file,
            stamp: look.stamp,
            present: true,
            arrived: now,
            content: Content::Ignored(reason),
        });
        self.record(entries.collect())
    }

    /// Files are gone. What was only ignored is forgotten: a vanished temporary never counts.
    fn vanish(&mut self, mut gone: Vec<FileId>) -> Result<(), DaemonError> {
        if gone.is_empty() {
            return Ok(());
        }
        gone.sort();
        let snapshot = self.view()?;
        let is_ignored = |file: &FileId| {
            let known = snapshot.find(file);
            known.is_some_and(|entry| matches!(entry.content, Content::Ignored(_)))
        };
        let (temporary, gone): (Vec<_>, Vec<_>) = gone.into_iter().partition(is_ignored);
        for file in gone.iter().chain(&temporary) {
            self.settle.vanished(file);
        }
        if !gone.is_empty() {
            tracing::info!(files = gone.len(), "files are no longer in their folders");
        }
        self.teller.all();
        let catalogue = self.change()?;
        catalogue.forget(&temporary)?;
        catalogue.vanish(&gone)?;
        Ok(())
    }

    /// Follows a hint about one file. True where the whole folder should be scanned.
    pub fn hint(&mut self, hint: Hint, now: Timestamp) -> Result<Option<usize>, DaemonError> {
        let (index, path, closed) = match hint {
            Hint::Rescan(index) => return Ok(Some(index)),
            Hint::Touched(index, path) | Hint::Gone(index, path) => (index, path, false),
            Hint::Closed(index, path) => (index, path, true),
        };
        let Some(folder) = self.settings.watch.get(index) else {
            return Ok(None);
        };
        let file = FileId {
            watch: folder.name.clone(),
            path,
        };
        let known = self.catalogue.stamp(&file)?;
        match scan::look(folder, &file.path) {
            Some(Found::Wanted(look)) if known == Some((look.stamp, true)) => {}
            Some(Found::Wanted(look)) if closed => self.settle.closed(look, now),
            Some(Found::Wanted(look)) => self.settle.look(look, now),
            // Names that are left alone are only listed, by the scans.
            Some(Found::Ignored(..)) => {}
            None => {
                self.settle.vanished(&file);
                match known {
                    Some((_, true)) => self.vanish(vec![file])?,
                    Some((_, false)) => {}
                    // Perhaps a folder was moved away; only a scan can tell.
                    None => return Ok(Some(index)),
                }
            }
        }
        Ok(None)
    }

    /// Files that are done, to be handed to the worker.
    pub fn due(&mut self, now: Timestamp) -> Vec<Request> {
        let settings = self.settings.clone();
        let looks = match self.mode {
            Mode::Once => self.settle.finish(),
            Mode::Run => self.settle.due(now, |file| {
                scan::stamp(settings.folder(&file.watch)?, &file.path)
            }),
        };
        let complete = self.mode == Mode::Once;
        looks
            .into_iter()
            .filter_map(|look| self.request(look, complete))
            .collect()
    }

    /// Short files of nights that are over: what is there is final.
    pub fn overdue(&mut self, over: impl Fn(Timestamp) -> bool) -> Vec<Request> {
        let changed = |stamp: &Stamp| Timestamp::from_nanosecond(i128::from(stamp.mtime_ns));
        let looks = self.settle.overdue(|stamp| changed(stamp).is_ok_and(&over));
        looks
            .into_iter()
            .filter_map(|look| self.request(look, true))
            .collect()
    }

    fn request(&self, look: Look, complete: bool) -> Option<Request> {
        let folder = self.settings.folder(&look.file.watch)?;
        let path = folder.path.join(look.file.path.as_path());
        let known = self.stale.get(&look.file);
        let known = known.filter(|(stamp, _)| *stamp == look.stamp);
        let known = known.map(|(_, digest)| *digest);
        Some(Request {
            look,
            path,
            known,
            complete,
        })
    }

    /// Files were taken in, or not.
    pub fn taken_in(
        &mut self,
        taken: Vec<(Look, Taken)>,
        now: Timestamp,
    ) -> Result<(), DaemonError> {
        let mut entries = Vec::new();
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
                Taken::Later(reason) => {
                    tracing::warn!(file = %look.file, "could not be read, to be tried again: {reason}");
                    let until = now.saturating_add(READ_AGAIN).unwrap_or(now);
                    let note = format!("it could not be read: {reason}");
                    let text = format!("{}: {note}", look.file);
                    self.alarm.failed(Cause::Raw, &text, now);
                    self.settle.put_off(&look.file, note, until);
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
        Ok(())
    }

    fn look_at(&self, file: &FileId) -> Option<Found> {
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

    fn record(&mut self, entries: Vec<Entry>) -> Result<(), DaemonError> {
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
            self.change()?.record(&rows)?;
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
        let made = self.view()?.made.values();
        let gone: Vec<Fingerprint> = made
            .filter(|made| made.inputs.iter().any(|input| replaced.contains(input)))
            .map(|made| made.fingerprint)
            .collect();
        for fingerprint in gone {
            self.remove(fingerprint)?;
        }
        Ok(())
    }

    /// The catalogue, about to change: what was read from it is out of date.
    fn change(&mut self) -> Result<&mut Catalogue, DaemonError> {
        self.snapshot = None;
        Ok(&mut self.catalogue)
    }

    fn view(&mut self) -> Result<&Snapshot, DaemonError> {
        let snapshot = match self.snapshot.take() {
            Some(snapshot) => snapshot,
            None => {
                let mut snapshot = self.catalogue.snapshot()?;
                snapshot.failed.extend(self.unread.clone());
                snapshot.supplied = self.shelf.found().to_vec();
                snapshot
            }
        };
        Ok(self.snapshot.insert(snapshot))
    }

    fn patience(&self, now: Timestamp) -> Patience {
        match self.mode {
            Mode::Once => Patience::None,
            Mode::Run => Patience::Until(now),
        }
    }

    /// Plans, and removes what is superseded.
    pub fn plan(&mut self, now: Timestamp) -> Result<Plan, DaemonError> {
        let patience = self.patience(now);
        let settings = self.settings.clone();
        let mut planned = plan(self.view()?, &settings, patience);
        planned
            .to_measure
            .retain(|light| !self.unmeasured.contains(&light.fingerprint));
        for fingerprint in &planned.superseded {
            self.remove(*fingerprint)?;
        }
        Ok(planned)
    }

    fn remove(&mut self, fingerprint: Fingerprint) -> Result<(), DaemonError> {
        let Some(made) = self.view()?.made.get(&fingerprint).cloned() else {
            return Ok(());
        };
        tracing::info!(product = made.product, "removed: it is superseded");
        self.disk
            .remove(&self.settings.output.join(&made.product))?;
        self.catalogue.unmade(&[fingerprint])?;
        if let Some(snapshot) = &mut self.snapshot {
            snapshot.made.remove(&fingerprint);
            snapshot.measured.remove(&fingerprint);
        }
        self.teller.all();
        Ok(())
    }

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
            snapshot.made.insert(made.fingerprint, made);
        }
        Ok(())
    }

    /// A light was measured.
    pub fn measured(&mut self, light: &ToMeasure, found: &Measured) -> Result<(), DaemonError> {
        self.catalogue
            .measured(&light.fingerprint, measure::METHODS, found)?;
        self.teller.night(light.night);
        if let Some(snapshot) = &mut self.snapshot {
            snapshot
                .measured
                .insert(light.fingerprint, measure::METHODS);
        }
        Ok(())
    }

    /// A light could not be measured.
    pub fn not_measured(&mut self, light: &ToMeasure, error: &MakeError) {
        if !matches!(error, MakeError::Stopped) {
            tracing::warn!(product = light.product, "not measured: {error}");
            self.unmeasured.insert(light.fingerprint);
        }
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

    /// A product was not made. What can be mended is: the files concerned are looked at again,
    /// refused, or the master is made anew.
    ///
    /// # Errors
    /// The error itself where the disk is to blame and trying later may help.
    pub fn not_made(
        &mut self,
        task: &Task,
        error: MakeError,
        now: Timestamp,
    ) -> Result<(), DaemonError> {
        match error {
            MakeError::Stopped => Ok(()),
            MakeError::Changed { file } => self.changed(file, now),
            MakeError::Spoiled { file, reason } => self.spoiled(&file, &reason),
            MakeError::Master { path, reason } => {
                if self.shelf.distrust(&path, &reason) {
                    self.look_at_shelf();
                    return Ok(());
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
                    .values()
                    .filter(|made| product.as_os_str() == made.product.as_str())
                    .map(|made| made.fingerprint)
                    .collect();
                self.change()?.unmade(&unusable)?;
                self.suspects.push(path);
                Ok(())
            }
            error @ MakeError::Read { .. } => {
                let reason = error.to_string();
                tracing::warn!(product = task.product, "not made for now: {reason}");
                self.alarm.failed(Cause::Raw, &reason, now);
                self.unread.insert(task.fingerprint, Failure { reason });
                self.again = self.again.or(now.checked_add(READ_AGAIN).ok());
                self.snapshot = None;
                self.teller.all();
                Ok(())
            }
            MakeError::Publish(error) if error.is_passing() => Err(error.into()),
            other => self.failed(task, &other.to_string(), now),
        }
    }

    /// What could not be read may be tried again, if it is time. True where there is something.
    pub fn try_again(&mut self, now: Timestamp) -> bool {
        if self.again.is_none_or(|again| now < again) {
            return false;
        }
        self.again = None;
        self.unread.clear();
        self.snapshot = None;
        self.teller.all();
        true
    }

    /// Products that could not be made since the start, and have not been since.
    pub fn failures(&mut self) -> Result<usize, DaemonError> {
        Ok(self.view()?.failed.len())
    }

    /// Grows with every change of what is known: same number, same plan, but for the time.
    pub fn generation(&self) -> u64 {
        self.catalogue.generation() + self.shelf.changes()
    }

    fn failed(&mut self, task: &Task, reason: &str, now: Timestamp) -> Result<(), DaemonError> {
        tracing::error!(product = task.product, "could not be made: {reason}");
        let text = format!("{}: could not be made: {reason}", task.product);
        self.alarm.failed(Cause::Product, &text, now);
        self.teller.all();
        self.change()?.failed(&task.fingerprint, reason)?;
        Ok(())
    }

    /// Writes the logs of all nights that may have changed.
    pub fn tell(&mut self, now: Timestamp) -> Result<(), DaemonError> {
        if !self.teller.is_due() {
            return Ok(());
        }
        let arriving: Vec<(FileId, String)> = self
            .settle
            .arriving()
            .map(|(file, note)| (file.clone(), note.to_owned()))
            .collect();
        let patience = self.patience(now);
        let settings = self.settings.clone();
        self.view()?;
        if let Some(snapshot) = &mut self.snapshot {
            snapshot.arriving = arriving;
            let planned = plan(snapshot, &settings, patience);
            let all_over = self.mode == Mode::Once;
            let known = Known {
                snapshot,
                plan: &planned,
                settings: &settings,
            };
            let measures = |lights| self.catalogue.measures(lights);
            self.teller
                .tell(&known, &self.disk, now, all_over, measures)?;
        }
        Ok(())
    }

    /// Writes the pages that are due; gives the pictures that the next one waits for.
    pub fn pages(&mut self) -> Result<Vec<ToPicture>, DaemonError> {
        self.teller.pages(&self.settings, &self.disk)
    }

    /// A picture for a page was made, or not: then the page does without.
    pub fn pictured(&mut self, product: String, picture: Result<Preview, MakeError>) {
        if let Err(error) = &picture {
            tracing::warn!(product, "no picture of it: {error}");
        }
        self.teller.picture(product, picture.ok());
    }

    /// Nothing is left to do for now: lets go of what was read from the catalogue.
    pub fn rest(&mut self) {
        self.snapshot = None;
    }
}

/// Files of watch folders that the settings do not name any more are away: nothing is read from
/// there, and what was made of them stays.
fn leave_dropped_folders(
    catalogue: &mut Catalogue,
    settings: &Settings,
) -> Result<(), DaemonError> {
    let mut dropped = Vec::new();
    catalogue.for_each_stamp(|file, _, present| {
        if present && settings.folder(&file.watch).is_none() {
            dropped.push(file);
        }
    })?;
    if !dropped.is_empty() {
        tracing::warn!(
            files = dropped.len(),
            "they lie in watch folders that the settings do not name any more"
        );
    }
    Ok(catalogue.vanish(&dropped)?)
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

fn digest(content: &Content) -> Option<Digest> {
    match content {
        Content::Frame { digest, .. } => Some(*digest),
        Content::Refused(_) | Content::Ignored(_) => None,
    }
}

/// Splits requests into batches for the worker.
pub fn batch(requests: &mut Vec<Request>) -> Vec<Request> {
    let rest = requests.split_off(requests.len().min(BATCH));
    std::mem::replace(requests, rest)
}

fn open_catalogue(settings: &Settings, disk: &Disk) -> Result<Catalogue, DaemonError> {
    let path = settings.state.join(CATALOGUE);
    let open = || {
        let (disk, folder) = (disk.clone(), path.clone());
        Catalogue::open(
            &path,
            Box::new(move || disk.allow_commit(&folder).map_err(|e| e.source)),
        )
    };
    match open() {
        Err(error @ CatalogueError::Damaged { .. }) => {
            tracing::warn!("{error}; it is set aside and rebuilt from the folders");
            for file in catalogue::files(&path) {
                disk.set_aside(&file)?;
            }
            Ok(open()?)
        }
        opened => Ok(opened?),
    }
}
