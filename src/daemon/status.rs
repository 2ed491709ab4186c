//! What the daemon says of itself in a small file in its state folder, for `dawnledger status`.
//!
//! Invariants: the file is written every few seconds at most, and not at all while nothing changes;
//! a disk that does not take it stops nothing. The file never says whether a daemon is at work now:
//! the lock on the folder does.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::Mode;
use super::service;
use super::troubles::{Trouble, remember, troubles};
use crate::publish::Disk;

/// The file, below the state folder.
const FILE: &str = "status.json";

/// Value of the `schema` key.
const SCHEMA: &str = "dawnledger-status/1";

/// Between two looks at what there is to say.
const APART: SignedDuration = SignedDuration::from_secs(5);

/// A disk that did not take the file is tried again after this long.
const AGAIN: SignedDuration = SignedDuration::from_secs(60);

/// How it stands with the daemon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Status {
    schema: String,
    /// The program's version.
    pub version: String,
    /// Since when it runs.
    pub started_utc: Timestamp,
    /// When this was written.
    pub written_utc: Timestamp,
    /// What it did then.
    pub doing: String,
    /// Since when it did that.
    pub since_utc: Timestamp,
    /// What only the loop knows.
    #[serde(flatten)]
    pub seen: Seen,
    /// The last warnings and errors.
    pub troubles: Vec<Trouble>,
    /// Absent while it runs, and where it could not say goodbye.
    pub ended: Option<Ended>,
}

/// What the loop sees coming.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    /// Files that were noticed and are not taken in yet.
    pub arriving: usize,
    /// The first of them of which something is known, in words.
    pub first_arriving: Option<String>,
    /// Watch folders that cannot be read, each with the reason.
    pub away: Vec<String>,
    /// What it will do by itself, and when.
    pub next: Vec<Appointment>,
}

/// Something that is done at its time.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Appointment {
    /// When.
    pub at_utc: Timestamp,
    /// What.
    pub what: String,
}

/// How it ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ended {
    /// When.
    pub at_utc: Timestamp,
    /// Why.
    pub why: String,
}

/// Reads what the daemon of this state folder said last; nothing where none ever did.
///
/// # Errors
/// When the file is there and cannot be read.
pub fn status(state: &Path) -> io::Result<Option<Status>> {
    match fs::read_to_string(state.join(FILE)) {
        Ok(text) => Ok(Some(serde_json::from_str(&text)?)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// Keeps the file current, and the service manager's line with it.
pub struct Board {
    disk: Disk,
    path: PathBuf,
    mode: Mode,
    status: Status,
    /// What is on file.
    written: Option<Status>,
    looked: Timestamp,
    due: Option<Timestamp>,
}

impl Board {
    /// The folder must be locked. `once` says nothing: what an earlier daemon said is not true of it.
    pub fn open(disk: Disk, state: &Path, mode: Mode, now: Timestamp) -> Self {
        let path = state.join(FILE);
        match (mode, status(state)) {
            (Mode::Once, Ok(Some(_)) | Err(_)) => {
                if let Err(error) = disk.remove(&path) {
                    tracing::debug!("{error}");
                }
            }
            (Mode::Run, Ok(Some(earlier))) => remember(earlier.troubles),
            _ => {}
        }
        let status = Status {
            schema: SCHEMA.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            started_utc: now,
            written_utc: now,
            doing: "starting".to_owned(),
            since_utc: now,
            seen: Seen::default(),
            troubles: Vec::new(),
            ended: None,
        };
        Self {
            disk,
            path,
            mode,
            status,
            written: None,
            looked: Timestamp::MIN,
            due: None,
        }
    }

    /// Since when it runs, where that was before the settings were read again.
    pub fn since(&mut self, started: Timestamp) {
        self.status.started_utc = started;
    }

    /// Since when it runs.
    pub fn started(&self) -> Timestamp {
        self.status.started_utc
    }

    /// It does this now.
    pub fn doing(&mut self, what: String, now: Timestamp) {
        service::status(&what);
        if self.status.doing != what {
            self.status.doing = what;
            self.status.since_utc = now;
            if self.mode == Mode::Run {
                // The loop may come to rest now, and would say so only when it looks about next.
                self.due = self.due.or(self.looked.checked_add(APART).ok());
            }
        }
    }

    /// Is it time to look at what there is to say? Where it is too early, it will be at [`Board::due`].
    pub fn is_due(&mut self, now: Timestamp) -> bool {
        if self.mode == Mode::Once {
            return false;
        }
        let next = self.looked.saturating_add(APART).unwrap_or(now);
        // A clock that was set back delays nothing.
        let due = now >= next || now < self.looked;
        self.due = (!due).then_some(self.due.map_or(next, |due| due.max(next)));
        due
    }

    /// When to ask again, if something was held back.
    pub fn due(&self) -> Option<Timestamp> {
        self.due
    }

    /// Writes what has changed.
    pub fn look(&mut self, seen: Seen, now: Timestamp) {
        self.looked = now;
        self.status.seen = seen;
        self.status.troubles = troubles();
        self.write(now);
    }

    /// Says goodbye.
    pub fn ended(&mut self, why: &str, now: Timestamp) {
        if self.mode == Mode::Run {
            self.status.ended = Some(Ended {
                at_utc: now,
                why: why.to_owned(),
            });
            self.status.seen = Seen::default();
            self.status.troubles = troubles();
            self.write(now);
        }
    }

    fn write(&mut self, now: Timestamp) {
        if let Some(written) = &self.written {
            self.status.written_utc = written.written_utc;
            if *written == self.status {
                return;
            }
        }
        self.status.written_utc = now;
        let text = serde_json::to_string_pretty(&self.status).unwrap_or_default() + "\n";
        match self.disk.publish(&self.path, text.as_bytes()) {
            Ok(()) => self.written = Some(self.status.clone()),
            Err(error) => {
                tracing::debug!("the status file could not be written: {error}");
                // What an earlier daemon said is not true of this one.
                if self.written.is_none()
                    && let Err(error) = self.disk.remove(&self.path)
                {
                    tracing::debug!("{error}");
                }
                self.due = now.saturating_add(AGAIN).ok();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_790_000_000 + second).unwrap()
    }

    struct Here {
        folder: tempfile::TempDir,
        board: Board,
    }

    impl Here {
        fn new(mode: Mode) -> Self {
            let folder = tempfile::tempdir().unwrap();
            let board = Board::open(Disk::default(), folder.path(), mode, at(0));
            Self { folder, board }
        }

        /// A step of the loop. True where the file was written.
        fn step(&mut self, second: i64) -> bool {
            if !self.board.is_due(at(second)) {
                return false;
            }
            self.board.look(Seen::default(), at(second));
            self.on_file()
                .is_some_and(|status| status.written_utc == at(second))
        }

        fn on_file(&self) -> Option<Status> {
            status(self.folder.path()).unwrap()
        }
    }

    #[test]
    fn it_is_written_rarely_and_says_the_latest_in_the_end() {
        let mut here = Here::new(Mode::Run);
        assert!(here.step(0));
        here.board.doing("making a".to_owned(), at(1));
        assert!(!here.step(1));
        here.board.doing("watching".to_owned(), at(2));
        assert!(!here.step(2));
        assert_eq!(here.board.due(), Some(at(5)));
        assert!(here.step(5));
        let on_file = here.on_file().unwrap();
        assert_eq!((&*on_file.doing, on_file.since_utc), ("watching", at(2)));
    }

    #[test]
    fn what_it_does_after_a_look_is_written_before_it_rests() {
        let mut here = Here::new(Mode::Run);
        here.board.doing("making a".to_owned(), at(0));
        assert!(here.step(60));
        assert_eq!(here.board.due(), None);
        here.board.doing("watching".to_owned(), at(60));
        assert_eq!(here.board.due(), Some(at(65)));
        assert!(here.step(65));
        assert_eq!(here.on_file().unwrap().doing, "watching");
        let mut once = Here::new(Mode::Once);
        once.board.doing("making a".to_owned(), at(0));
        assert_eq!(once.board.due(), None);
    }

    #[test]
    fn at_rest_nothing_is_written_and_nobody_is_woken() {
        let mut here = Here::new(Mode::Run);
        assert!(here.step(0));
        for minute in 1..100 {
            assert!(!here.step(60 * minute));
            assert_eq!(here.board.due(), None);
        }
    }

    #[test]
    fn a_clock_that_was_set_back_holds_nothing_up() {
        let mut here = Here::new(Mode::Run);
        assert!(here.step(5000));
        here.board.doing("making a".to_owned(), at(1));
        assert!(here.step(1));
    }

    #[test]
    fn it_says_goodbye_and_once_leaves_no_word() {
        let mut here = Here::new(Mode::Run);
        here.step(0);
        here.board.ended("told to stop", at(9));
        let ended = here.on_file().unwrap().ended.unwrap();
        assert_eq!((&*ended.why, ended.at_utc), ("told to stop", at(9)));
        let mut board = Board::open(Disk::default(), here.folder.path(), Mode::Once, at(20));
        assert_eq!(here.on_file(), None);
        assert!(!board.is_due(at(30)));
        board.ended("it is done", at(30));
        assert_eq!(here.on_file(), None);
    }

    #[test]
    fn a_folder_that_takes_no_file_is_tried_again_later() {
        let mut here = Here::new(Mode::Run);
        let path = here.folder.path().to_owned();
        here.folder = tempfile::tempdir().unwrap();
        fs::write(&path, "no folder").unwrap();
        here.board.is_due(at(0));
        here.board.look(Seen::default(), at(0));
        assert_eq!(here.board.due(), Some(at(60)));
        fs::remove_file(&path).unwrap();
        here.board.is_due(at(4));
        assert_eq!(here.board.due(), Some(at(60)));
        here.board.is_due(at(60));
        here.board.look(Seen::default(), at(60));
        assert_eq!(status(&path).unwrap().unwrap().written_utc, at(60));
        fs::remove_dir_all(&path).unwrap();
    }
}
