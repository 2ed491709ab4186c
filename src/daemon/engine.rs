//! What the loop knows, and the single steps it is made of.
//!
//! Every step leaves the catalogue true: a product is on file before its row is written, and a
//! superseded product is removed before its row is.

mod entries;
mod known;
mod looks;
mod made;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::adopt::adopt;
use super::freed::give_back;
use super::locks::{Locks, lock};
use super::pause::pause_after;
use super::service::Stop;
use super::supplied::Shelf;
use super::tell::{GoOn, Teller};
use super::{DaemonError, Mode};
use crate::catalogue::{self, Catalogue};
use crate::facts::{
    Content, Digest, Failure, FileId, Fingerprint, Plan, Profile, Settings, Snapshot, Stamp,
};
use crate::make::{MakeError, ToPicture};
use crate::night::{Alarm, Known};
use crate::page::Preview;
use crate::plan::{Memory, Patience, plan_with};
use crate::publish::Disk;
use crate::settle::Settle;

pub use looks::batch;

/// The version of how headers are read and pixels are sampled: counts towards [`recognition`].
const RECOGNITION_VERSION: u32 = 3;

/// What could not be read is tried again after this long.
const READ_AGAIN: Duration = Duration::from_secs(60);

/// What was read from the catalogue stays at hand for so long after the last change.
const AT_HAND: Duration = Duration::from_secs(3600);

/// When that is tried again which could not be read, and took so long.
fn later(now: Timestamp, took: Duration) -> Timestamp {
    now.saturating_add(pause_after(took).max(READ_AGAIN))
        .unwrap_or(now)
}

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

/// What could not be read, and when it is tried again; none: not before the next start.
struct Unread {
    again: Option<Timestamp>,
    failure: Failure,
}

/// The state of the daemon, apart from what runs.
pub struct Engine {
    pub settings: Arc<Settings>,
    disk: Disk,
    catalogue: Catalogue,
    pub settle: Settle,
    recognition: String,
    mode: Mode,
    locks: Locks,
    /// Watch folders with more foreign files than are listed.
    crowded: BTreeSet<usize>,
    /// The device that each watch folder lay on when it last had something in it.
    devices: HashMap<usize, u64>,
    snapshot: Option<Snapshot>,
    /// Since when nothing is left to do, and the generation then.
    rested: Option<(u64, Timestamp)>,
    /// Memory was freed that is still to go back.
    freed: bool,
    /// What the last plan leaves for the next.
    memory: Memory,
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
    unread: BTreeMap<Fingerprint, Unread>,
    /// Lights that could not be measured: not tried again before the next start.
    unmeasured: BTreeSet<Fingerprint>,
    /// Looked at between the parts of what may take long.
    stop: Stop,
}

impl Engine {
    /// Locks the folders, opens the catalogue, sweeps up after a killed process, adopts products.
    pub fn open(
        settings: Arc<Settings>,
        disk: Disk,
        shelf: Shelf,
        mode: Mode,
        stop: Stop,
    ) -> Result<Self, DaemonError> {
        let locks = lock(&settings, &disk)?;
        let disk = disk.never_making([settings.state.clone(), settings.output.clone()]);
        disk.sweep(&settings.output)?;
        disk.sweep(&settings.state)?;
        let (mut catalogue, snapshot) = match open_catalogue(&settings, &disk) {
            Err(DaemonError::Catalogue(error)) if error.is_damage() => {
                tracing::warn!("{error}; it is set aside and rebuilt from the folders");
                set_aside(&settings, &disk)?;
                open_catalogue(&settings, &disk)?
            }
            opened => opened?,
        };
        // One by one: all products of years may have to be read, and what was found so far stays.
        let lost = adopt(&settings.output, &snapshot.made, &stop, |made| {
            tracing::info!(
                product = made.product,
                "adopted a product that lay in the output folder"
            );
            Ok(catalogue.made(&made)?)
        })?;
        catalogue.unmade(&lost)?;
        let recognition = recognition(&settings.profiles);
        let mut engine = Self {
            settle: Settle::new(settings.settle),
            teller: Teller::new(),
            alarm: Alarm::new(settings.site.clone(), settings.alarms.clone()),
            disk,
            catalogue,
            recognition,
            mode,
            locks,
            crowded: BTreeSet::new(),
            devices: HashMap::new(),
            snapshot: None,
            rested: None,
            freed: false,
            memory: Memory::default(),
            shelf,
            stale: HashMap::new(),
            away: BTreeMap::new(),
            suspects: Vec::new(),
            unread: BTreeMap::new(),
            unmeasured: BTreeSet::new(),
            stop,
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

    /// The way to its disk, by which its folders are never made anew.
    pub fn disk(&self) -> &Disk {
        &self.disk
    }

    /// Are the folders that were opened still there, and the catalogue as it was left?
    pub fn holds(&self) -> Result<(), DaemonError> {
        self.locks.hold()?;
        Ok(self.catalogue.holds()?)
    }

    /// The catalogue is of no use any more: the next to open it begins a new one.
    pub fn set_catalogue_aside(&self) -> Result<(), DaemonError> {
        set_aside(&self.settings, &self.disk)
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
            .filter_map(|entry| Some((&entry.file, entries::digest(&entry.content)?)))
            .collect();
        for look in stale {
            if let Some(digest) = digests.get(&look.file) {
                self.stale.insert(look.file.clone(), (look.stamp, *digest));
            }
            self.settle.closed(look, Timestamp::UNIX_EPOCH);
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
                let unread = self.unread.iter();
                let failures = unread.map(|(print, unread)| (*print, unread.failure.clone()));
                snapshot.failed.extend(failures);
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

    fn planned(&mut self, now: Timestamp) -> Result<Plan, DaemonError> {
        self.freed = true;
        let patience = self.patience(now);
        self.view()?;
        let Self {
            snapshot,
            settings,
            memory,
            ..
        } = self;
        let Some(snapshot) = snapshot else {
            return Ok(Plan::default());
        };
        // Threads of its own, for as long as it takes: the worker's may be busy, and none that sleeps
        // shall hold memory.
        let threads = rayon::ThreadPoolBuilder::new()
            .num_threads(settings.threads)
            .thread_name(|number| format!("plan-{number}"))
            .build()
            .map_err(|error| DaemonError::Worker(error.to_string()))?;
        let begun = Instant::now();
        let plan = threads.install(|| plan_with(snapshot, settings, patience, memory));
        let (files, seconds) = (snapshot.entries.len(), begun.elapsed().as_secs_f64());
        tracing::debug!(files, seconds, "planned");
        Ok(plan)
    }

    /// Plans, and removes what is superseded.
    pub fn plan(&mut self, now: Timestamp) -> Result<Plan, DaemonError> {
        let mut planned = self.planned(now)?;
        planned
            .to_measure
            .retain(|light| !self.unmeasured.contains(&light.fingerprint));
        self.remove(&planned.superseded)?;
        Ok(planned)
    }

    /// Removes products; the catalogue forgets in one go those that went.
    fn remove(&mut self, fingerprints: &[Fingerprint]) -> Result<(), DaemonError> {
        let (mut gone, mut end) = (Vec::new(), Ok(()));
        for fingerprint in fingerprints {
            let Some(made) = self.view()?.made.get(fingerprint) else {
                continue;
            };
            let product = made.product.clone();
            end = self.disk.remove(&self.settings.output.join(&product));
            if end.is_err() {
                break;
            }
            tracing::info!(product, "removed: it is superseded");
            gone.push(*fingerprint);
        }
        self.catalogue.unmade(&gone)?;
        if let Some(snapshot) = &mut self.snapshot {
            for fingerprint in &gone {
                snapshot.made.remove(fingerprint);
            }
        }
        if !gone.is_empty() {
            self.teller.all();
        }
        Ok(end?)
    }

    /// Products that could not be made since the start, and have not been since.
    pub fn failures(&mut self) -> Result<usize, DaemonError> {
        Ok(self.view()?.failed.len())
    }

    /// Grows with every change of what is known: same number, same plan, but for the time.
    pub fn generation(&self) -> u64 {
        self.catalogue.generation() + self.shelf.changes()
    }

    /// A step of the loop begins, beside a worker that works or not.
    pub fn begin_step(&self, worker: bool) {
        self.stop.begin(worker);
    }

    /// Writes the logs of all nights that may have changed.
    pub fn tell(&mut self, now: Timestamp) -> Result<(), DaemonError> {
        let stop = self.stop.clone();
        self.tell_while(now, &|| stop.look())
    }

    /// The same after a request to stop, as far as this time allows.
    pub fn tell_within(&mut self, limit: Duration, now: Timestamp) -> Result<(), DaemonError> {
        let begun = Instant::now();
        let in_time = move || match begun.elapsed() < limit {
            true => Ok(()),
            false => Err(DaemonError::Stopped),
        };
        in_time()?;
        self.tell_while(now, &in_time)
    }

    fn tell_while(&mut self, now: Timestamp, go_on: GoOn<'_>) -> Result<(), DaemonError> {
        if !self.teller.is_due() {
            return Ok(());
        }
        let arriving: Vec<(FileId, String)> = self
            .settle
            .arriving()
            .map(|(file, note)| (file.clone(), note.to_owned()))
            .collect();
        let settings = self.settings.clone();
        let planned = self.planned(now)?;
        if let Some(snapshot) = &mut self.snapshot {
            snapshot.arriving = arriving;
            let all_over = self.mode == Mode::Once;
            let known = Known {
                snapshot,
                plan: &planned,
                settings: &settings,
            };
            let measures = |lights| self.catalogue.measures(lights);
            self.teller
                .tell(&known, &self.disk, now, all_over, measures, go_on)?;
        }
        Ok(())
    }

    /// Writes the pages that are due; gives the pictures that the next one waits for.
    pub fn pages(&mut self) -> Result<Vec<ToPicture>, DaemonError> {
        let go_on = || self.stop.look();
        self.teller.pages(&self.settings, &self.disk, &go_on)
    }

    /// A picture for a page was made, or not: then the page does without.
    pub fn pictured(&mut self, product: String, picture: Result<Preview, MakeError>) {
        if let Err(error) = &picture {
            tracing::warn!(product, "no picture of it: {error}");
        }
        self.teller.picture(product, picture.ok());
    }

    /// Nothing is left to do for now: what the work took goes back. What was read from the catalogue is let
    /// go of once nothing has changed for longer than the next exposure takes.
    pub fn let_go_in_time(&mut self, now: Timestamp) {
        let generation = self.generation();
        if self.rested.is_none_or(|(known, _)| known != generation) {
            self.rested = Some((generation, now));
        }
        let rests =
            |(_, since): (u64, Timestamp)| now.duration_since(since).unsigned_abs() > AT_HAND;
        if self.rested.is_some_and(rests) && self.snapshot.take().is_some() {
            self.freed = true;
        }
        if std::mem::take(&mut self.freed) {
            give_back();
        }
    }

    /// What is at hand, and what the catalogue would give.
    #[cfg(test)]
    pub fn at_hand(&self) -> Result<(Option<&Snapshot>, Snapshot), DaemonError> {
        Ok((self.snapshot.as_ref(), self.catalogue.snapshot()?))
    }

    /// What was read from the catalogue may not be true any more.
    pub fn doubt(&mut self) {
        self.snapshot = None;
        self.freed = true;
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

/// Opens the catalogue and reads all of it, so that whatever is damaged shows at once.
fn open_catalogue(settings: &Settings, disk: &Disk) -> Result<(Catalogue, Snapshot), DaemonError> {
    let path = settings.state.join(CATALOGUE);
    let (gate, file) = (disk.clone(), path.clone());
    let allow = move || gate.allow_commit(&file).map_err(|error| error.source);
    let mut catalogue = Catalogue::open(&path, Box::new(allow))?;
    catalogue.clear_failures()?;
    leave_dropped_folders(&mut catalogue, settings)?;
    let snapshot = catalogue.snapshot()?;
    Ok((catalogue, snapshot))
}

fn set_aside(settings: &Settings, disk: &Disk) -> Result<(), DaemonError> {
    let files = catalogue::files(&settings.state.join(CATALOGUE));
    Ok(files.iter().try_for_each(|file| disk.set_aside(file))?)
}
