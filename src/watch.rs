//! Native file events of the watch folders, as hints to look.
//!
//! Hints only hasten what scans would find anyway: any may be missing, late or superfluous. What
//! the operating system drops, and what cannot be put in terms of one file, becomes a hint to
//! scan the folder. Hints not yet taken are kept by file, the latest winning, and beyond a number
//! they melt into a scan, so that memory stays bounded however fast a writer writes.
//!
//! It does not know which files matter and never opens one.

mod hints;

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use notify::Watcher as _;
use notify::event::{AccessKind, AccessMode, CreateKind, ModifyKind, RemoveKind, RenameMode};
use notify::{Config, ErrorKind, Event, EventKind, RecommendedWatcher, RecursiveMode};

use crate::facts::{RelPath, WatchFolder, WatchMode};
pub use hints::{Hint, Hints};

/// A root as it was when its watch was set: device and inode.
type Root = (u64, u64);

/// Watches every folder that is followed by events.
pub struct Watcher {
    folders: Vec<Folder>,
    roots: Arc<[Watched]>,
    hints: Arc<Hints>,
    native: Option<RecommendedWatcher>,
    changes_unseen: fn(&Path) -> bool,
}

/// What the loop knows of a folder.
struct Folder {
    /// False for a folder that is only scanned.
    by_events: bool,
    watched: Option<Root>,
    /// Watched, but others may change it without an event.
    is_shared: bool,
    /// A complaint was made, and nothing has become better since.
    complained: bool,
}

/// What the thread that receives events shares with the loop.
struct Watched {
    path: PathBuf,
    /// Set when a folder in it could not be watched.
    incomplete: AtomicBool,
}

impl Watcher {
    /// Watches the folders, in whose order hints number them. Folders that are polled are left
    /// alone. `changes_unseen`: whether others may change a folder without an event. What cannot be watched is reported and tried again by [`Watcher::check_roots`].
    pub fn new(folders: &[WatchFolder], changes_unseen: fn(&Path) -> bool) -> Self {
        let roots = folders.iter().map(|folder| Watched {
            path: folder.path.clone(),
            incomplete: AtomicBool::new(false),
        });
        let known = folders.iter().map(|folder| Folder {
            by_events: folder.mode == WatchMode::Events,
            watched: None,
            is_shared: false,
            complained: false,
        });
        let mut watcher = Self {
            folders: known.collect(),
            roots: roots.collect(),
            hints: Arc::default(),
            native: None,
            changes_unseen,
        };
        watcher.check_roots();
        watcher
    }

    /// Where hints arrive.
    pub fn hints(&self) -> Arc<Hints> {
        self.hints.clone()
    }

    /// True while a native event of every change in the folder is expected; false for one that must be
    /// scanned.
    pub fn is_watching(&self, folder: usize) -> bool {
        self.folders
            .get(folder)
            .zip(self.roots.get(folder))
            .is_some_and(|(known, root)| {
                let whole = !root.incomplete.load(Ordering::Relaxed);
                known.watched.is_some() && whole && !known.is_shared
            })
    }

    /// Watches again what was unmounted, replaced or could not be watched, and hints at a scan of
    /// each folder that changed in that or is still not watched. Costs one system call for each
    /// folder in order: call it at the interval at which an unwatched folder shall be scanned.
    pub fn check_roots(&mut self) {
        if self.native.is_none() && self.folders.iter().any(|folder| folder.by_events) {
            self.native = listen(self.roots.clone(), self.hints.clone());
        }
        for (index, folder) in self.folders.iter_mut().enumerate() {
            let root = &self.roots[index];
            let now = identity(&root.path);
            let whole = !root.incomplete.load(Ordering::Relaxed);
            if !folder.by_events || (whole && folder.watched.is_some() && now == folder.watched) {
                continue;
            }
            self.hints.push(Hint::Rescan(index));
            let Some(native) = &mut self.native else {
                continue;
            };
            if folder.watched.take().is_some() {
                // Fails where the system has dropped the watch by itself.
                let _ = native.unwatch(&root.path);
            }
            root.incomplete.store(false, Ordering::Relaxed);
            match watch(native, &root.path) {
                Ok(()) => {
                    folder.watched = now;
                    folder.complained = false;
                    folder.is_shared = (self.changes_unseen)(&root.path);
                    if folder.is_shared {
                        tracing::info!(
                            "{}: others may change it without a sign: it is scanned often; poll_s says how \
                             often",
                            root.path.display()
                        );
                    }
                }
                Err(error) => {
                    // A tree watched in part says nothing of the rest, and takes watches from
                    // the other folders.
                    let _ = native.unwatch(&root.path);
                    if !std::mem::replace(&mut folder.complained, true) {
                        complain(&root.path, &error);
                    }
                }
            }
        }
    }
}

fn listen(roots: Arc<[Watched]>, hints: Arc<Hints>) -> Option<RecommendedWatcher> {
    let config = Config::default().with_follow_symlinks(false);
    let handler = move |event| match event {
        Ok(event) => translate(&roots, &event, &hints),
        Err(error) => trouble(&roots, &error, &hints),
    };
    RecommendedWatcher::new(handler, config)
        .inspect_err(|error| {
            tracing::warn!(
                "file events are not to be had, folders are only scanned: {error}; perhaps \
                 fs.inotify.max_user_instances is too low"
            );
        })
        .ok()
}

fn watch(native: &mut RecommendedWatcher, root: &Path) -> notify::Result<()> {
    // A plain file of that name could be watched, but is no watch folder.
    if !root.is_dir() {
        return Err(notify::Error::path_not_found());
    }
    native.watch(root, RecursiveMode::Recursive)
}

fn identity(root: &Path) -> Option<Root> {
    let about = fs::metadata(root).ok()?;
    about.is_dir().then(|| (about.dev(), about.ino()))
}

fn complain(path: &Path, error: &notify::Error) {
    let path = path.display();
    match &error.kind {
        ErrorKind::MaxFilesWatch => tracing::warn!(
            "{path}: could not watch it all: the system's limit on watches is reached; the \
             folder is scanned instead; raise it with sysctl fs.inotify.max_user_watches"
        ),
        ErrorKind::PathNotFound => {
            tracing::warn!("{path}: could not watch: not there; it is looked for at every scan");
        }
        ErrorKind::Io(source) if source.kind() == io::ErrorKind::PermissionDenied => {
            tracing::warn!("{path}: could not watch: {source}; the folder is scanned instead");
        }
        other => {
            tracing::warn!("{path}: could not watch: {other:?}; the folder is scanned instead");
        }
    }
}

/// What the events' own thread could not do: the folders concerned are scanned.
fn trouble(roots: &[Watched], error: &notify::Error, hints: &Hints) {
    let limit = matches!(error.kind, ErrorKind::MaxFilesWatch);
    for (index, root) in roots.iter().enumerate() {
        let concerned =
            error.paths.is_empty() || error.paths.iter().any(|path| path.starts_with(&root.path));
        if concerned {
            if limit && !root.incomplete.swap(true, Ordering::Relaxed) {
                complain(&root.path, error);
            }
            hints.push(Hint::Rescan(index));
        }
    }
}

/// Puts one native event in our terms.
fn translate(roots: &[Watched], event: &Event, hints: &Hints) {
    if event.need_rescan() {
        tracing::info!("more happened than the queue of file events holds: folders are scanned");
        (0..roots.len()).for_each(|index| hints.push(Hint::Rescan(index)));
        return;
    }
    // Opening and reading comes in by the thousand when we read files ourselves.
    if matches!(event.kind, EventKind::Access(kind) if kind != AccessKind::Close(AccessMode::Write))
    {
        return;
    }
    for path in &event.paths {
        let place = roots.iter().enumerate().find_map(|(index, root)| {
            let inside = path.strip_prefix(&root.path).ok()?;
            Some((index, RelPath::new(inside)))
        });
        if let Some((folder, inside)) = place
            && let Some(hint) = one(event, path, folder, inside)
        {
            hints.push(hint);
        }
    }
}

fn one(event: &Event, path: &Path, folder: usize, inside: Option<RelPath>) -> Option<Hint> {
    let Some(inside) = inside else {
        // The root itself.
        let stays = matches!(
            event.kind,
            EventKind::Modify(ModifyKind::Metadata(_)) | EventKind::Access(_)
        );
        return (!stays).then_some(Hint::Rescan(folder));
    };
    let path_is_folder = || fs::symlink_metadata(path).is_ok_and(|about| about.is_dir());
    Some(match event.kind {
        EventKind::Access(_) => Hint::Closed(folder, inside),
        EventKind::Create(CreateKind::Folder) | EventKind::Remove(RemoveKind::Folder) => {
            Hint::Rescan(folder)
        }
        EventKind::Modify(ModifyKind::Name(RenameMode::To)) if path_is_folder() => {
            Hint::Rescan(folder)
        }
        EventKind::Modify(ModifyKind::Name(RenameMode::To)) => Hint::Closed(folder, inside),
        EventKind::Modify(ModifyKind::Name(RenameMode::From)) | EventKind::Remove(_) => {
            Hint::Gone(folder, inside)
        }
        // Said in two events of their own.
        EventKind::Modify(ModifyKind::Name(RenameMode::Both)) => return None,
        EventKind::Modify(ModifyKind::Name(_)) => Hint::Rescan(folder),
        EventKind::Create(_) | EventKind::Modify(_) => Hint::Touched(folder, inside),
        EventKind::Any | EventKind::Other => Hint::Rescan(folder),
    })
}

#[cfg(test)]
mod tests;
