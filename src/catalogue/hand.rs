//! Has another hand changed the catalogue's files while they are open?
//!
//! SQLite keeps the pages that it has read and does not look at the file again: what was overwritten
//! or cut off meanwhile would go unnoticed until the next start. Only its one writer changes the
//! main file and its journal; readers do not.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use super::files;

/// Size, time of the last change (seconds and nanoseconds), device and inode; nothing where there is
/// no file.
type Mark = Option<(u64, i64, i64, u64, u64)>;

/// The main file and its journal as they were left. The third file is shared memory, which readers
/// write to as well.
#[derive(PartialEq, Eq)]
pub(super) struct Left([Mark; 2]);

impl Left {
    /// How they lie there.
    pub(super) fn of(catalogue: &Path) -> Self {
        let [main, journal, _] = files(catalogue);
        Self([main, journal].map(|file| {
            let about = fs::metadata(file).ok()?;
            let (seconds, nanoseconds) = (about.mtime(), about.mtime_nsec());
            Some((about.len(), seconds, nanoseconds, about.dev(), about.ino()))
        }))
    }
}
