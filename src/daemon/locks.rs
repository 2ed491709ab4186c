//! One process for one state folder and one output folder: advisory locks on the folders' own
//! descriptors, released by the system however the process ends.

use std::fs::File;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;

use super::DaemonError;
use crate::catalogue::on_network;
use crate::facts::Settings;
use crate::publish::Disk;

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
    apart(settings)?;
    if on_network(&settings.state) {
        return Err(DaemonError::Network {
            path: settings.state.clone(),
        });
    }
    Ok(Locks {
        _state: take(&settings.state)?,
        _output: take(&settings.output)?,
    })
}

fn take(path: &Path) -> Result<File, DaemonError> {
    let failed = |tried| {
        move |source| DaemonError::Folder {
            path: path.to_owned(),
            tried,
            source,
        }
    };
    let folder = File::open(path).map_err(failed("open the folder"))?;
    match flock(&folder, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(folder),
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
