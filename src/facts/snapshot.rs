//! The catalogue at one moment: all the planner may know.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::{
    Digest, DigestMap, FileId, Fingerprint, Frame, Made, Sample, SensorFigures, Stamp, Supplied,
    SuppliedMaster,
};

/// What a file turned out to be.
#[derive(Clone, Debug, PartialEq)]
pub enum Content {
    /// A recognised subframe.
    Frame {
        /// Its contents.
        digest: Digest,
        /// What its header and path say.
        frame: Arc<Frame>,
        /// What its pixels say; absent where they cannot be used.
        sample: Option<Box<Sample>>,
        /// Why its pixels cannot be used (truncated, unreadable).
        unusable: Option<String>,
    },
    /// Not recognised, with the reason.
    Refused(String),
    /// Left alone by name, with the reason.
    Ignored(String),
}

/// One file that was taken in.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Which.
    pub file: FileId,
    /// What it looked like when it was read.
    pub stamp: Stamp,
    /// False once it has vanished from its folder.
    pub present: bool,
    /// When it was taken in: decides how long a set has been quiet, nothing else.
    pub arrived: Timestamp,
    /// What it is.
    pub content: Content,
}

impl Entry {
    /// The moment it belongs to: the start of its exposure, else its last change.
    pub fn moment(&self) -> Timestamp {
        let changed = || {
            Timestamp::from_nanosecond(i128::from(self.stamp.mtime_ns))
                .unwrap_or(Timestamp::UNIX_EPOCH)
        };
        match &self.content {
            Content::Frame { frame, .. } => frame.start.unwrap_or_else(changed),
            Content::Refused(_) | Content::Ignored(_) => changed(),
        }
    }
}

/// A product that could not be made.
#[derive(Clone, Debug, PartialEq)]
pub struct Failure {
    /// What went wrong.
    pub reason: String,
}

/// All that is known of files and products.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// Files taken in, sorted by identity.
    pub entries: Vec<Entry>,
    /// Products on file.
    pub made: BTreeMap<Fingerprint, Made>,
    /// Lights that were measured, by which version of the methods.
    pub measured: DigestMap<Fingerprint, u32>,
    /// What raw frames say of their sensors, by the keys of the tasks.
    pub sensors: BTreeMap<Fingerprint, SensorFigures>,
    /// Recipes that failed.
    pub failed: BTreeMap<Fingerprint, Failure>,
    /// Files still being written, with what is known.
    pub arriving: Vec<(FileId, String)>,
    /// Ready-made masters that the profiles name, in the order of the settings.
    pub supplied: Vec<Supplied>,
}

impl Snapshot {
    /// Takes files in, or takes note of what they have become.
    pub fn take_in(&mut self, entries: impl IntoIterator<Item = Entry>) {
        self.entries.extend(entries);
        self.entries.sort_by(|a, b| a.file.cmp(&b.file));
        // Of entries of one file the last holds.
        self.entries.dedup_by(|later, earlier| {
            let same = later.file == earlier.file;
            if same {
                std::mem::swap(later, earlier);
            }
            same
        });
    }

    /// The entry of a file.
    pub fn find(&self, file: &FileId) -> Option<&Entry> {
        let place = self.entries.binary_search_by(|entry| entry.file.cmp(file));
        place.ok().map(|at| &self.entries[at])
    }

    /// The usable supplied master of this fingerprint, with the file that holds it.
    pub fn supplied(&self, fingerprint: &Fingerprint) -> Option<(&Supplied, &SuppliedMaster)> {
        self.supplied.iter().find_map(|supplied| {
            let master = supplied.master.as_ref().ok()?;
            (master.fingerprint == *fingerprint).then_some((supplied, master))
        })
    }
}
