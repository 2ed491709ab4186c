//! Carries out one task: raw frames in, one product out.
//!
//! Exposures are read in strips of a few rows, so that memory is bounded by the budget and not by
//! the number of frames; strips are spread over the threads of the current rayon pool. Every sum
//! of floating-point numbers runs over whole rows folded in order, so that the bytes depend on
//! neither the number of threads nor the height of a strip. A raw file must look the same before
//! and after it is read. The product appears in one step or not at all.
//!
//! It does not know why a product is wanted, nor what else there is.

mod blank;
mod colour;
mod dark;
mod exposure;
mod fitting;
mod flat;
mod flush;
mod halves;
mod hot;
mod light;
mod line;
mod mask;
mod master;
mod measuring;
mod picturing;
mod planes;
mod pool;
pub mod provenance;
mod repair;
mod rows;
mod set;
mod staggered;
mod supplied;
mod temporal;
mod uncertainty;
mod whole;

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use thiserror::Error;

use crate::facts::{Camera, FileId, Input, Made, Recipe, Stamp, Task};
use crate::fits::{FitsError, Source, Unpacker};
use crate::publish::{Disk, PublishError};

use exposure::Exposure;
pub use exposure::trim;
pub use picturing::ToPicture;
pub use pool::{EACH, Pool};
use supplied::Place;

/// Why a task was not carried out.
#[derive(Debug, Error)]
pub enum MakeError {
    /// Asked to stop.
    #[error("stopped")]
    Stopped,
    /// A raw file is not there, or not what it was when it was taken in.
    #[error("{file}: it has changed or vanished since it was taken in")]
    Changed {
        /// Which.
        file: FileId,
    },
    /// A raw file's pixels cannot be read however often one tries.
    #[error("{file}: {reason}")]
    Spoiled {
        /// Which.
        file: FileId,
        /// Why.
        reason: String,
    },
    /// Reading failed, perhaps only this time.
    #[error("{}: could not read: {source}", path.display())]
    Read {
        /// What.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// There is no room to decode what is compressed.
    #[error("{}: could not write a scratch file: {source}", folder.display())]
    Scratch {
        /// Where scratch files go.
        folder: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A product that should be there cannot be used.
    #[error("{}: the product cannot be used: {reason}", path.display())]
    Master {
        /// Which.
        path: PathBuf,
        /// Why.
        reason: String,
    },
    /// A fault of our own.
    #[error("internal error: {0}")]
    Internal(String),
    /// Writing failed.
    #[error(transparent)]
    Publish(#[from] PublishError),
}

/// What the maker shares with whoever watches over it: a request to stop, and a sign of life.
#[derive(Debug, Default)]
pub struct Pulse {
    stop: AtomicBool,
    beats: AtomicU64,
}

impl Pulse {
    /// Asks for the running task to be abandoned; it is looked at before every strip, and while a
    /// decoder is waited for.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Grows with every strip, and while a decoder is waited for. While work is under way, standing
    /// still means hanging.
    pub fn beats(&self) -> u64 {
        self.beats.load(Ordering::Relaxed)
    }

    /// A sign of life; an error where there was a request to stop.
    ///
    /// # Errors
    /// [`MakeError::Stopped`].
    pub fn beat(&self) -> Result<(), MakeError> {
        self.beats.fetch_add(1, Ordering::Relaxed);
        if self.stop.load(Ordering::Relaxed) {
            Err(MakeError::Stopped)
        } else {
            Ok(())
        }
    }
}

/// Where things lie and how much memory pixels may take.
pub struct Maker {
    disk: Disk,
    output: PathBuf,
    folders: BTreeMap<Arc<str>, PathBuf>,
    unpacker: Unpacker,
    budget: u64,
    planes: planes::Planes,
}

impl Maker {
    /// A maker that writes below `output` and finds raw files in `folders` by their watch
    /// folder's name. `budget` bytes are shared by strips and remembered masters.
    pub fn new(
        disk: Disk,
        output: PathBuf,
        folders: BTreeMap<Arc<str>, PathBuf>,
        unpacker: Unpacker,
        budget: u64,
    ) -> Self {
        Self {
            disk,
            output,
            folders,
            unpacker,
            budget,
            planes: planes::Planes::new(budget),
        }
    }

    /// Carries out a task.
    ///
    /// # Errors
    /// See [`MakeError`]; nothing is visible in the output folder then.
    pub fn make(&self, task: &Task, pulse: &Pulse) -> Result<Made, MakeError> {
        match &task.recipe {
            Recipe::Master(recipe) => master::make(self, task, recipe, pulse),
            Recipe::Light(recipe) => light::make(self, task, recipe, pulse),
            Recipe::Line(recipe) => line::make(self, task, recipe, pulse),
        }
    }

    fn raw_path(&self, file: &FileId) -> Result<PathBuf, MakeError> {
        let changed = || MakeError::Changed { file: file.clone() };
        let folder = self.folders.get(&file.watch).ok_or_else(changed)?;
        Ok(folder.join(file.path.as_path()))
    }

    /// Opens a raw file that must still look as it did, and cuts its overscan off.
    fn open(&self, input: &Input, camera: &Camera) -> Result<Exposure, MakeError> {
        self.check(input)?;
        let path = self.raw_path(&input.file)?;
        let source = Source::open(&path, &self.unpacker).map_err(|e| spoiled(input, &path, e))?;
        let (width, height) = (source.width(), source.height());
        let stored = camera.overscan.map(|overscan| overscan.stored);
        let stored = stored.unwrap_or((camera.width, camera.height));
        if (width, height) != (stored.0 as usize, stored.1 as usize) {
            return Err(MakeError::Spoiled {
                file: input.file.clone(),
                reason: format!("{width}x{height} pixels, its header said otherwise before"),
            });
        }
        let (source, overscan) =
            trim(source, camera).map_err(|error| spoiled(input, &path, error))?;
        Ok(Exposure { source, overscan })
    }

    /// Has a raw file changed since it was taken in?
    fn check(&self, input: &Input) -> Result<(), MakeError> {
        let path = self.raw_path(&input.file)?;
        match fs::metadata(&path) {
            Ok(metadata) if stamp(&metadata) == input.stamp => Ok(()),
            Ok(_) => Err(MakeError::Changed {
                file: input.file.clone(),
            }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Err(MakeError::Changed {
                file: input.file.clone(),
            }),
            Err(source) => Err(MakeError::Read { path, source }),
        }
    }

    /// Opens a product of the right size.
    fn open_product(&self, place: &Place<'_>, camera: &Camera) -> Result<Source, MakeError> {
        place.check()?;
        let source =
            Source::open(&place.path, &self.unpacker).map_err(|error| place.unread(error))?;
        let wanted = (camera.width as usize, camera.height as usize);
        if (source.width(), source.height()) != wanted {
            return Err(place.unusable(format!(
                "it is {}x{} pixels, wanted {}x{}",
                source.width(),
                source.height(),
                wanted.0,
                wanted.1
            )));
        }
        Ok(source)
    }
}

/// What a file looks like.
pub fn stamp(metadata: &fs::Metadata) -> Stamp {
    let nanoseconds = |seconds: i64, rest: i64| seconds.saturating_mul(1_000_000_000) + rest;
    Stamp {
        size: metadata.len(),
        mtime_ns: nanoseconds(metadata.mtime(), metadata.mtime_nsec()),
        ctime_ns: nanoseconds(metadata.ctime(), metadata.ctime_nsec()),
        inode: metadata.ino(),
    }
}

fn spoiled(input: &Input, path: &Path, error: FitsError) -> MakeError {
    match error {
        FitsError::Io { source, .. } => MakeError::Read {
            path: path.to_owned(),
            source,
        },
        FitsError::Scratch { folder, source } => MakeError::Scratch { folder, source },
        other => MakeError::Spoiled {
            file: input.file.clone(),
            reason: match other.refusal() {
                Some(refusal) => refusal.to_string(),
                None => "unreadable".to_owned(),
            },
        },
    }
}
