//! One process for one state folder and one output folder: advisory locks on the folders' own
//! descriptors, released by the system however the process ends.

use std::fs::{self, File};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;

use super::DaemonError;
use crate::catalogue::on_network;
use crate::facts::Settings;
use crate::publish::Disk;

/// Holds the locks until dropped.
pub struct Locks([Lock; 2]);

/// One folder, locked, and what it was then: device and inode.
struct Lock {
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
        let path = self.path.clone();
        match fs::metadata(&path) {
            Ok(about) if identity(&about) == self.identity => Ok(()),
            Ok(_) => Err(DaemonError::Replaced { path }),
            Err(source) => Err(DaemonError::Away { path, source }),
        }
    }
}

fn identity(about: &fs::Metadata) -> (u64, u64) {
    (about.dev(), about.ino())
}

/// Makes the state and output folders where they are missing, checks that no folder lies within
/// another, and locks them.
pub fn lock(settings: &Settings, disk: &Disk) -> Result<Locks, DaemonError> {
    disk.make_folder(&settings.state)?;
    disk.make_folder(&settings.output)?;
    apart(settings)?;
    if on_network(&settings.state) {
        return Err(DaemonError::Network {
            path: settings.state.clone(),
        });
    }
    Ok(Locks([take(&settings.state)?, take(&settings.output)?]))
}

fn take(path: &Path) -> Result<Lock, DaemonError> {
    let failed = |tried| {
        move |source| DaemonError::Folder {
            path: path.to_owned(),
            tried,
            source,
        }
    };
    let folder = File::open(path).map_err(failed("open the folder"))?;
    match flock(&folder, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(Lock {
            path: path.to_owned(),
            identity: identity(&folder.metadata().map_err(failed("look at the folder"))?),
            _held: folder,
        }),
        Err(Errno::WOULDBLOCK) => Err(DaemonError::Busy {
            path: path.to_owned(),
        }),
        Err(errno) => Err(failed("lock the folder")(errno.into())),
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
