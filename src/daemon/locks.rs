//! One process for one state folder and one output folder: advisory locks on the folders' own
//! descriptors, released by the system however the process ends.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;

use super::DaemonError;
use crate::catalogue::on_network;
use crate::facts::Settings;
use crate::publish::Disk;

/// Who asks whether a folder is in use shares its lock for a moment: so often, and so long apart, a
/// lock is tried to be taken.
const TRIES: usize = 5;
const APART: Duration = Duration::from_millis(20);

/// Holds the locks until dropped.
pub struct Locks {
    _state: File,
    _output: File,
}

/// Makes the state and output folders where they are missing, checks that no folder lies within
/// another, and locks them.
pub fn lock(settings: &Settings, disk: &Disk) -> Result<Locks, DaemonError> {
    disk.make_folder(&settings.state)?;
    disk.make_folder(&settings.output)?;
    check(settings)?;
    Ok(Locks {
        _state: take(&settings.state)?,
        _output: take(&settings.output)?,
    })
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

fn take(path: &Path) -> Result<File, DaemonError> {
    let folder = open(path)?;
    for _ in 0..TRIES {
        if locked(path, &folder, FlockOperation::NonBlockingLockExclusive)? {
            return Ok(folder);
        }
        thread::sleep(APART);
    }
    Err(DaemonError::Busy {
        path: path.to_owned(),
    })
}

fn open(path: &Path) -> Result<File, DaemonError> {
    File::open(path).map_err(|source| DaemonError::Folder {
        path: path.to_owned(),
        tried: "open the folder",
        source,
    })
}

/// True where the lock was taken, false where another has it.
fn locked(path: &Path, folder: &File, how: FlockOperation) -> Result<bool, DaemonError> {
    match flock(folder, how) {
        Ok(()) => Ok(true),
        Err(Errno::WOULDBLOCK) => Ok(false),
        Err(errno) => Err(DaemonError::Folder {
            path: path.to_owned(),
            tried: "lock the folder",
            source: errno.into(),
        }),
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
