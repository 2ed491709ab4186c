//! The shelf of ready-made masters that the profiles name: which are there, and what they are.
//!
//! A file is read once and then known by its stamp, so that looking at the shelf costs no more than
//! asking the file system. What is wrong with a file is for the log and for `check`; it stops nothing.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Instant;

use super::DaemonError;
use super::intake::{digest, raw_sample, reason};
use super::pause::pause_after;
use super::tell::GoOn;
use super::worker::LONG;
use crate::facts::{Kind, Profile, Settings, Stamp, Supplied, SuppliedFile, SuppliedMaster};
use crate::fits::{FitsError, Source, Unpacker};
use crate::frame::of_supplied;
use crate::make::{Pulse, stamp};

/// A master in ADU scatters more than this, ADU: rounding to whole numbers alone gives 0.29 divided
/// by the root of the number of exposures. One that was divided by 65535 scatters a thousandth of it.
const LEAST_SCATTER: f64 = 0.01;

/// What a file was when it looked like this.
struct Known {
    stamp: Stamp,
    master: Result<SuppliedMaster, String>,
}

/// Why a file is not used.
enum Fault {
    /// As long as it looks as it does.
    OfTheFile(String),
    /// For now: the next look may find it usable.
    OfTheSystem(String),
}

impl From<FitsError> for Fault {
    fn from(error: FitsError) -> Self {
        match error {
            FitsError::Io { .. } | FitsError::Scratch { .. } => Self::OfTheSystem(reason(error)),
            FitsError::Short { .. } | FitsError::Refused(_) => Self::OfTheFile(reason(error)),
        }
    }
}

/// A file that is left alone as long as it looks like this.
struct Resting {
    stamp: Stamp,
    until: Instant,
    reason: String,
}

/// Supplied masters, as far as they are known.
pub struct Shelf {
    unpacker: Unpacker,
    /// By rig and file.
    known: HashMap<(String, SuppliedFile), Known>,
    /// Files that took long before they could not be read: the loop waits for this room.
    resting: HashMap<PathBuf, Resting>,
    found: Vec<Supplied>,
    changes: u64,
}

impl Shelf {
    /// An empty shelf; `unpacker` decodes compressed files.
    pub fn new(unpacker: Unpacker) -> Self {
        Self {
            unpacker,
            known: HashMap::new(),
            resting: HashMap::new(),
            found: Vec::new(),
            changes: 0,
        }
    }

    /// Looks at all files that the profiles name. True where anything differs from the last time.
    ///
    /// # Errors
    /// Those of `go_on`: what was found until then is not believed, since files that are decoded were left.
    pub fn look(&mut self, settings: &Settings, go_on: GoOn<'_>) -> Result<bool, DaemonError> {
        let profiles = settings.profiles.iter();
        let named = profiles.flat_map(|profile| profile.supplied.iter().map(move |f| (profile, f)));
        let found: Vec<Supplied> = named
            .map(|(profile, file)| Supplied {
                rig: profile.name.as_str().into(),
                path: file.path.clone(),
                kind: file.kind,
                master: self.master(profile, file),
            })
            .collect();
        go_on()?;
        if found == self.found {
            return Ok(false);
        }
        for supplied in found
            .iter()
            .filter(|supplied| !self.found.contains(supplied))
        {
            let (path, kind) = (supplied.path.display(), supplied.kind);
            match &supplied.master {
                Ok(_) => tracing::info!("{path}: a supplied {kind}"),
                Err(reason) => tracing::warn!("{path}: the supplied {kind} is not used: {reason}"),
            }
        }
        self.found = found;
        self.changes += 1;
        Ok(true)
    }

    /// All of them, in the order of the settings, as of the last look.
    pub fn found(&self) -> &[Supplied] {
        &self.found
    }

    /// Grows with every change.
    pub fn changes(&self) -> u64 {
        self.changes
    }

    /// Making something with this file failed: as long as it looks as it does it is not used. False
    /// where it is no supplied master.
    pub fn distrust(&mut self, path: &Path, reason: &str) -> bool {
        let now = look(path).ok();
        let mut ours = false;
        for ((_, file), known) in &mut self.known {
            ours |= file.path == path;
            if file.path == path && now == Some(known.stamp) {
                known.master = Err(reason.to_owned());
            }
        }
        ours
    }

    fn master(&mut self, profile: &Profile, file: &SuppliedFile) -> Result<SuppliedMaster, String> {
        let stamp = look(&file.path)?;
        let key = (profile.name.clone(), file.clone());
        if let Some(known) = self.known.get(&key).filter(|known| known.stamp == stamp) {
            return known.master.clone();
        }
        let begun = Instant::now();
        if let Some(resting) = self.resting.get(&file.path)
            && resting.stamp == stamp
            && begun < resting.until
        {
            return Err(resting.reason.clone());
        }
        let master = match examine(stamp, file, profile, &self.unpacker) {
            Ok(master) => Ok(master),
            Err(Fault::OfTheFile(reason)) => Err(reason),
            Err(Fault::OfTheSystem(reason)) => {
                let took = begun.elapsed();
                if took >= LONG {
                    let resting = Resting {
                        stamp,
                        until: begun + took + pause_after(took),
                        reason: reason.clone(),
                    };
                    self.resting.insert(file.path.clone(), resting);
                }
                return Err(reason);
            }
        };
        if look(&file.path) != Ok(stamp) {
            return Err("it is being written".to_owned());
        }
        let known = Known {
            stamp,
            master: master.clone(),
        };
        self.known.insert(key, known);
        master
    }
}

fn look(path: &Path) -> Result<Stamp, String> {
    match fs::metadata(path) {
        Ok(metadata) => Ok(stamp(&metadata)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Err("it is not there".to_owned()),
        Err(error) => Err(format!("could not read: {error}")),
    }
}

/// Reads what the file is, and refuses what cannot be such a master whatever the frames are.
fn examine(
    stamp: Stamp,
    file: &SuppliedFile,
    profile: &Profile,
    unpacker: &Unpacker,
) -> Result<SuppliedMaster, Fault> {
    let source = Source::open(&file.path, unpacker)?;
    let size = (source.width() as u32, source.height() as u32);
    let read = of_supplied(source.header(), size.0, size.1, file, profile);
    let read = read.map_err(|refusal| Fault::OfTheFile(refusal.to_string()))?;
    let sample = raw_sample(&source, None, None, &mut Vec::new())?;
    let (level, spread) = (sample.level(), sample.spread());
    let flat = file.kind == Kind::Flat;
    if level.is_nan() || level <= 0.0 {
        let why = match flat {
            true => "a flat without light",
            false => "its bias has been removed; want a master that holds its bias",
        };
        return Err(Fault::OfTheFile(format!("its level is {level:.4}: {why}")));
    }
    if !flat && level <= 1.0 && spread < LEAST_SCATTER {
        return Err(Fault::OfTheFile(format!(
            "its level is {level:.4} with a scatter of {spread:.6}: it is scaled to 0..1; want ADU"
        )));
    }
    let digest = digest(&file.path, &Pulse::default())
        .map_err(|error| Fault::OfTheSystem(error.to_string()))?;
    let flat_level = flat.then_some(profile.flat_level);
    Ok(SuppliedMaster {
        fingerprint: SuppliedMaster::print(&digest, &read.facts, read.unstated, flat_level),
        digest,
        stamp,
        facts: read.facts,
        unstated: read.unstated,
        flat_level,
        frames: read.frames,
        level,
        spread,
    })
}
