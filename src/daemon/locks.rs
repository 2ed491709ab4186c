//! One process for one state folder and one output folder: advisory locks on the folders' own
//! descriptors, released by the system however the process ends.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;

use super::DaemonError;
use super::network::on_network;
use crate::facts::Settings;
use crate::publish::Disk;

/// Who asks whether a folder is in use shares its lock for a moment: so often, and so long apart, a
/// lock is tried to be taken.
const TRIES: usize = 5;
const APART: Duration = Duration::from_millis(20);

/// Holds the locks until dropped.
pub struct Locks([Lock; 2]);

/// One folder, locked, and what it was then: device and inode.
pub struct Lock {
    path: PathBuf,
    identity: (u64, u64),
    _held: File,
}

impl Locks {
    /// Are the locked folders still those that lie there? Where a disk is gone nothing must be
    /// written: it would land in the folder that the disk was mounted on.
    pub fn hold(&self) -> Result<(), DaemonError> {
        self.0.iter().try_for_each(Lock::holds)
    }
}

impl Lock {
    fn holds(&self) -> Result<(), DaemonError> {
        match identity(&look(&self.path)?) == self.identity {
            true => Ok(()),
            false => Err(DaemonError::Replaced {
                path: self.path.clone(),
            }),
        }
    }
}

/// Is a folder that was opened there, it or another?
///
/// # Errors
/// [`DaemonError::Away`].
pub fn is_there(path: &Path) -> Result<(), DaemonError> {
    look(path).map(|_| ())
}

fn look(path: &Path) -> Result<fs::Metadata, DaemonError> {
    fs::metadata(path).map_err(|source| DaemonError::Away {
        path: path.to_owned(),
        source,
    })
}

fn identity(about: &fs::Metadata) -> (u64, u64) {
    (about.dev(), about.ino())
}

/// Makes the state and output folders where they are missing, checks that no folder lies within
/// another, and locks them.
pub fn lock(settings: &Settings, disk: &Disk) -> Result<Locks, DaemonError> {
    disk.make_folder(&settings.state)?;
    disk.make_folder(&settings.output)?;
    check(settings)?;
    Ok(Locks([take(&settings.state)?, take(&settings.output)?]))
}

/// Are the folders fit to be worked on, as far as that can be told without touching them?
///
/// # Errors
/// Where one lies within another, or the state on a network file system.
pub fn check(settings: &Settings) -> Result<(), DaemonError> {
    apart(settings)?;
    match on_network(&settings.state) {
        true => Err(DaemonError::Network {
            path: settings.state.clone(),
        }),
        false => Ok(()),
    }
}

/// Is a process at work on this folder? The lock ends with its process, so the answer is true
/// however that one ended.
///
/// # Errors
/// When the folder cannot be opened or asked.
pub fn is_at_work(folder: &Path) -> Result<bool, DaemonError> {
    let opened = open(folder)?;
    locked(folder, &opened, FlockOperation::NonBlockingLockShared).map(|free| !free)
}

/// Locks one folder.
///
/// # Errors
/// Where it is not there, or another process has it.
pub fn take(path: &Path) -> Result<Lock, DaemonError> {
    let folder = open(path)?;
    let about = folder
        .metadata()
        .map_err(failed(path, "look at the folder"))?;
    for _ in 0..TRIES {
        if locked(path, &folder, FlockOperation::NonBlockingLockExclusive)? {
            return Ok(Lock {
                path: path.to_owned(),
                identity: identity(&about),
                _held: folder,
            });
        }
        thread::sleep(APART);
    }
    Err(DaemonError::Busy {
        path: path.to_owned(),
    })
}

fn open(path: &Path) -> Result<File, DaemonError> {
    File::open(path).map_err(failed(path, "open the folder"))
}

/// True where the lock was taken, false where another has it.
fn locked(path: &Path, folder: &File, how: FlockOperation) -> Result<bool, DaemonError> {
    match flock(folder, how) {
        Ok(()) => Ok(true),
        Err(Errno::WOULDBLOCK) => Ok(false),
        Err(errno) => Err(failed(path, "lock the folder")(errno.into())),
    }
}

fn failed(path: &Path, tried: &'static str) -> impl Fn(io::Error) -> DaemonError {
    move |source| DaemonError::Folder {
        path: path.to_owned(),
        tried,
        source,
    }
}

/// No folder lies within another, symbolic links resolved.
fn apart(settings: &Settings) -> Result<(), DaemonError> {
    let watched = settings.watch.iter().map(|watch| &watch.path);
    let real: Vec<PathBuf> = watched
        .chain([&settings.output, &settings.state])
        .map(|path| path.canonicalize().unwrap_or_else(|_| path.clone()))
        .collect();
    for (index, inner) in real.iter().enumerate() {
        for (other, outer) in real.iter().enumerate() {
            if index != other && inner.starts_with(outer) {
                return Err(DaemonError::Overlap {
                    inner: inner.clone(),
                    outer: outer.clone(),
                });
            }
        }
    }
    Ok(())
}
