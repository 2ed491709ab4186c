//! Looks at watch folders: what is new waits until its writer is done, what is gone is noted.

use std::collections::{BTreeSet, HashMap};
use std::io;
use std::ops::ControlFlow;

use jiff::Timestamp;

use super::{DaemonError, Engine, Mode};
use crate::daemon::worker::Request;
use crate::facts::{Content, Entry, FileId, Look, RelPath, Stamp, WatchFolder};
use crate::night::Cause;
use crate::scan::{self, Found, ScanError, Walked};
use crate::watch::Hint;

/// More files than this that are left alone by their names are not listed one by one: the folder
/// is a store of something else, and nobody reads such a list.
const FOREIGN: usize = 10_000;

/// Most files handed to the worker at once.
const BATCH: usize = 512;

/// What a walk found, beside what was known.
struct Seen {
    walked: Result<Walked, ScanError>,
    /// Known files that were not found, and whether they were there before.
    known: HashMap<RelPath, (Stamp, bool)>,
    /// Vanished files that are back as they were.
    back: Vec<FileId>,
    /// Files to be listed with the reason why they are left alone.
    ignored: Vec<(Look, String)>,
    /// Files that are new or changed.
    looks: Vec<Look>,
    /// Files that are left alone, all of them.
    foreign: usize,
}

impl Engine {
    /// Walks a watch folder and compares it with the catalogue.
    pub fn scan(&mut self, index: usize, now: Timestamp) -> Result<(), DaemonError> {
        let Some(folder) = self.settings.watch.get(index).cloned() else {
            return Ok(());
        };
        let mut seen = self.walk(&folder, FOREIGN)?;
        if seen.foreign > FOREIGN {
            if self.crowded.insert(index) {
                tracing::warn!(
                    files = seen.foreign,
                    "{}: it holds too many files that are no FITS files by their names: they are \
                     not listed",
                    folder.path.display()
                );
            }
            // Once more: which of them a walk comes by first must decide nothing.
            seen = self.walk(&folder, 0)?;
        } else {
            self.crowded.remove(&index);
        }
        let Seen {
            walked,
            known,
            back,
            ignored,
            looks,
            ..
        } = seen;
        let walked = walked.and_then(|walked| self.is_mounted(index, &folder, &walked));
        let cause = Cause::Folder(folder.name.to_string());
        let complete = match walked {
            Ok(()) => {
                let path = folder.path.display();
                if self.away.remove(&index).is_some() {
                    tracing::info!(folder = %path, "the watch folder is back");
                }
                // Perhaps it was away when another loop looked last.
                let text = format!("{path}: the watch folder is back");
                self.alarm.recovered(&cause, &text, now);
                true
            }
            Err(error @ ScanError::Away { .. }) => {
                let text = error.to_string();
                self.alarm.failed(cause, &text, now);
                if self.away.insert(index, text.clone()).is_none() {
                    tracing::warn!("{text}; its files count as away until it is back");
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
        self.look_at_shelf()?;
        Ok(())
    }

    /// Walks a watch folder beside what the catalogue knows of it. Files that are left alone by
    /// their names count as there up to the number `most`.
    fn walk(&self, folder: &WatchFolder, most: usize) -> Result<Seen, DaemonError> {
        let mut known: HashMap<RelPath, (Stamp, bool)> = HashMap::new();
        self.catalogue.for_each_stamp(|file, stamp, present| {
            if file.watch == folder.name {
                known.insert(file.path, (stamp, present));
            }
        })?;
        let (mut back, mut ignored, mut looks) = (Vec::new(), Vec::new(), Vec::new());
        let mut foreign = 0;
        let walked = scan::scan(folder, &mut |found| {
            if self.stop.look().is_err() {
                return ControlFlow::Break(());
            }
            let (look, reason) = match found {
                Found::Wanted(look) => (look, None),
                Found::Ignored(look, reason) => (look, Some(reason)),
            };
            foreign += usize::from(reason.is_some());
            if reason.is_some() && foreign > most {
                return ControlFlow::Continue(());
            }
            match (known.remove(&look.file.path), reason) {
                (Some((stamp, true)), _) if stamp == look.stamp => {}
                (Some((stamp, false)), None) if stamp == look.stamp => back.push(look.file),
                (_, Some(reason)) => ignored.push((look, reason)),
                (_, None) => looks.push(look),
            }
            ControlFlow::Continue(())
        });
        // What it did not come by has not vanished.
        self.stop.look()?;
        Ok(Seen {
            walked,
            known,
            back,
            ignored,
            looks,
            foreign,
        })
    }

    /// A folder that is empty all at once and lies on another disk is where a disk was mounted.
    fn is_mounted(
        &mut self,
        index: usize,
        folder: &WatchFolder,
        walked: &Walked,
    ) -> Result<(), ScanError> {
        let (device, _) = walked.root;
        let before = self.devices.get(&index);
        if walked.names == 0 && before.is_some_and(|before| *before != device) {
            return Err(ScanError::Away {
                path: folder.path.clone(),
                source: io::Error::other("empty, and its disk is not the one it was"),
            });
        }
        if walked.names > 0 {
            self.devices.insert(index, device);
        }
        Ok(())
    }

    /// Supplied masters may have come, gone or changed.
    pub(super) fn look_at_shelf(&mut self) -> Result<(), DaemonError> {
        let stop = self.stop.clone();
        if self.shelf.look(&self.settings, &|| stop.look())? {
            self.snapshot = None;
            self.teller.all();
        }
        Ok(())
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
    pub(super) fn vanish(&mut self, mut gone: Vec<FileId>) -> Result<(), DaemonError> {
        if gone.is_empty() {
            return Ok(());
        }
        gone.sort();
        let site = self.settings.site.clone();
        let snapshot = self.view()?;
        let is_ignored = |file: &FileId| {
            let known = snapshot.find(file);
            known.is_some_and(|entry| matches!(entry.content, Content::Ignored(_)))
        };
        let (temporary, gone): (Vec<_>, Vec<_>) = gone.into_iter().partition(is_ignored);
        // Of some nights nothing else may be known.
        let entries = temporary.iter().filter_map(|file| snapshot.find(file));
        let nights: BTreeSet<_> = entries.map(|entry| site.night_of(entry.moment())).collect();
        nights
            .into_iter()
            .for_each(|night| self.teller.night(night));
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

    /// Follows hints about files, and gives the folders that should be scanned. What is gone is noted at
    /// once for all of them, since noting it asks for the whole catalogue. After an error the hints that
    /// were to follow are lost.
    pub fn follow(
        &mut self,
        hints: Vec<Hint>,
        now: Timestamp,
        mut to_scan: impl FnMut(usize),
    ) -> Result<(), DaemonError> {
        let mut gone = BTreeSet::new();
        for hint in hints {
            if let Some(index) = self.hint(hint, now, &mut gone)? {
                to_scan(index);
            }
        }
        self.vanish(gone.into_iter().collect())
    }

    /// Follows a hint about one file. The folder where the whole of it should be scanned.
    fn hint(
        &mut self,
        hint: Hint,
        now: Timestamp,
        gone: &mut BTreeSet<FileId>,
    ) -> Result<Option<usize>, DaemonError> {
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
        let found = scan::look(folder, &file.path);
        if found.is_some() {
            gone.remove(&file);
        }
        match found {
            Some(Found::Wanted(look)) if known == Some((look.stamp, true)) => {}
            Some(Found::Wanted(look)) if closed => self.settle.closed(look, now),
            Some(Found::Wanted(look)) => self.settle.look(look, now),
            // Names that are left alone are only listed, by the scans.
            Some(Found::Ignored(..)) => {}
            None => {
                self.settle.vanished(&file);
                match known {
                    Some((_, true)) => {
                        gone.insert(file);
                    }
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
}

/// Splits requests into batches for the worker.
pub fn batch(requests: &mut Vec<Request>) -> Vec<Request> {
    let rest = requests.split_off(requests.len().min(BATCH));
    std::mem::replace(requests, rest)
}
