//! Hints between the thread that receives events and the loop that looks.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

use crate::facts::RelPath;

/// More files than this with untaken hints make a scan cheaper, and bound the memory.
const MOST: usize = 10_000;

/// Something happened in a watch folder, which is given by its number.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hint {
    /// A file appeared or changed; its writer may still be at work.
    Touched(usize, RelPath),
    /// The writer of a file closed it, or renamed it into place.
    Closed(usize, RelPath),
    /// A file is not there any more, or a folder with all that was in it.
    Gone(usize, RelPath),
    /// Scan the folder: anything may have happened. A new folder in it is being watched while
    /// the hint is under way, so a scan a moment later sees more than one at once.
    Rescan(usize),
}

#[derive(Clone, Copy)]
enum What {
    Touched,
    Closed,
    Gone,
}

#[derive(Default)]
struct Pending {
    files: BTreeMap<(usize, RelPath), What>,
    scans: BTreeSet<usize>,
}

/// Hints that wait to be taken: for each file the latest, for each folder at most one scan.
#[derive(Default)]
pub struct Hints {
    pending: Mutex<Pending>,
    bell: Notify,
}

impl Hints {
    /// Waits until there are hints, and takes them all: files by folder and path, then scans.
    /// Nothing is lost when the waiting is given up.
    pub async fn wait(&self) -> Vec<Hint> {
        loop {
            let hints = self.take();
            if !hints.is_empty() {
                return hints;
            }
            self.bell.notified().await;
        }
    }

    /// Takes all hints that are there now, in the order of [`Hints::wait`].
    pub fn take(&self) -> Vec<Hint> {
        let Pending { files, scans } = std::mem::take(&mut *self.lock());
        let files = files.into_iter().map(|((folder, path), what)| match what {
            What::Touched => Hint::Touched(folder, path),
            What::Closed => Hint::Closed(folder, path),
            What::Gone => Hint::Gone(folder, path),
        });
        files.chain(scans.into_iter().map(Hint::Rescan)).collect()
    }

    pub(super) fn push(&self, hint: Hint) {
        let mut pending = self.lock();
        let (folder, path, what) = match hint {
            Hint::Touched(folder, path) => (folder, path, What::Touched),
            Hint::Closed(folder, path) => (folder, path, What::Closed),
            Hint::Gone(folder, path) => (folder, path, What::Gone),
            Hint::Rescan(folder) => {
                pending.scans.insert(folder);
                drop(pending);
                self.bell.notify_one();
                return;
            }
        };
        pending.files.insert((folder, path), what);
        if pending.files.len() > MOST {
            let Pending { files, scans } = &mut *pending;
            scans.extend(files.keys().map(|(folder, _)| *folder));
            files.clear();
        }
        drop(pending);
        self.bell.notify_one();
    }

    fn lock(&self) -> MutexGuard<'_, Pending> {
        // Every change leaves it whole, so a panic elsewhere spoils nothing.
        self.pending.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use std::path::Path;

    fn path(name: &str) -> RelPath {
        RelPath::new(Path::new(name)).unwrap()
    }

    #[test]
    fn latest_hint_of_a_file_wins_and_files_come_before_scans() {
        let hints = Hints::default();
        hints.push(Hint::Rescan(0));
        hints.push(Hint::Touched(0, path("b")));
        hints.push(Hint::Touched(0, path("b")));
        hints.push(Hint::Closed(0, path("b")));
        hints.push(Hint::Closed(0, path("a")));
        hints.push(Hint::Gone(0, path("a")));
        hints.push(Hint::Touched(1, path("a")));
        hints.push(Hint::Rescan(0));
        assert_eq!(
            hints.take(),
            [
                Hint::Gone(0, path("a")),
                Hint::Closed(0, path("b")),
                Hint::Touched(1, path("a")),
                Hint::Rescan(0),
            ]
        );
        assert_eq!(hints.take(), []);
    }

    #[test]
    fn flood_melts_into_a_scan() {
        let hints = Hints::default();
        hints.push(Hint::Touched(3, path("other")));
        for number in 0..=MOST {
            hints.push(Hint::Touched(1, path(&number.to_string())));
        }
        let taken = hints.take();
        assert!(taken.len() < MOST, "{} hints", taken.len());
        assert!(taken.contains(&Hint::Rescan(1)));
        assert!(taken.contains(&Hint::Rescan(3)));
    }
}
