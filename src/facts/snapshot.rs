//! The catalogue at one moment: all the planner may know.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::{
    Digest, FileId, Fingerprint, Frame, Products, Sample, SensorFigures, Stamp, Supplied,
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
    pub made: Products,
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
        let mut new: Vec<Entry> = Vec::new();
        for entry in entries {
            let place =
                |known: &[Entry]| known.binary_search_by(|known| known.file.cmp(&entry.file));
            if let Ok(at) = place(&self.entries) {
                self.entries[at] = entry;
            } else {
                match place(&new) {
                    Ok(at) => new[at] = entry,
                    Err(at) => new.insert(at, entry),
                }
            }
        }
        if !new.is_empty() {
            // Room for these and no more, and two runs that are in order already.
            self.entries.reserve_exact(new.len());
            self.entries.append(&mut new);
            self.entries.sort_by(|a, b| a.file.cmp(&b.file));
        }
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use std::path::Path;

    use super::*;
    use crate::facts::RelPath;

    fn entry(path: &str, size: u64) -> Entry {
        Entry {
            file: FileId {
                watch: "incoming".into(),
                path: RelPath::new(Path::new(path)).unwrap(),
            },
            stamp: Stamp {
                size,
                mtime_ns: 0,
                ctime_ns: 0,
                inode: 0,
            },
            present: true,
            arrived: Timestamp::UNIX_EPOCH,
            content: Content::Ignored(String::new()),
        }
    }

    #[test]
    fn entries_stay_in_order_and_the_last_of_a_file_holds() {
        let mut snapshot = Snapshot::default();
        let mut taken = |entries: &[(&str, u64)]| -> Vec<(String, u64)> {
            snapshot.take_in(entries.iter().map(|(path, size)| entry(path, *size)));
            let entries = snapshot.entries.iter();
            entries
                .map(|entry| (entry.file.path.to_string(), entry.stamp.size))
                .collect()
        };
        let is = |found: Vec<(String, u64)>, wanted: &[(&str, u64)]| {
            let found: Vec<_> = found.iter().map(|(path, size)| (&**path, *size)).collect();
            assert_eq!(found, wanted);
        };
        is(taken(&[("m", 1), ("c", 1)]), &[("c", 1), ("m", 1)]);
        is(
            taken(&[("z", 1), ("c", 2), ("a", 1), ("z", 2), ("c", 3)]),
            &[("a", 1), ("c", 3), ("m", 1), ("z", 2)],
        );
        is(taken(&[]), &[("a", 1), ("c", 3), ("m", 1), ("z", 2)]);
    }
}
