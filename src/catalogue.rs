//! What was seen, made and failed: a SQLite file in the state folder. The only SQL.
//!
//! Every change is one transaction that is complete or did not happen, and asks for leave before
//! it commits ([`Allow`]), which is where tests play full disks and crashes. The catalogue is
//! memory, not truth: raw files and products can rebuild it. One process writes; others may read
//! beside it.
//!
//! It does not know where files lie, what they mean, or whether they are still there.

mod error;
mod hand;
mod reading;
mod row;
mod schema;

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Transaction, TransactionBehavior, params};

use crate::facts::{Content, Entry, FileId, Fingerprint, Made, Measured, SensorFigures, Stamp};

pub use error::CatalogueError;
use hand::Left;
use row::Kept;

/// The files a catalogue at `path` is made of: what must be set aside together when it is damaged.
/// The last two are there only while it is open or after a crash.
pub fn files(path: &Path) -> [PathBuf; 3] {
    ["", "-wal", "-shm"].map(|ending| {
        let mut name = path.as_os_str().to_owned();
        name.push(ending);
        name.into()
    })
}

/// Asked before every commit; an error undoes the transaction.
pub type Allow = Box<dyn Fn() -> io::Result<()> + Send>;

/// The catalogue, open.
pub struct Catalogue {
    path: PathBuf,
    connection: Connection,
    allow: Allow,
    generation: u64,
    left: Left,
}

impl Catalogue {
    /// Opens the catalogue for writing; a file that is not there is made.
    ///
    /// # Errors
    /// [`CatalogueError::Damaged`] where the file is no database or fails its check,
    /// [`CatalogueError::Version`] and [`CatalogueError::Foreign`] where it is not ours to write.
    pub fn open(path: &Path, allow: Allow) -> Result<Self, CatalogueError> {
        let connection = schema::open(path, &allow)?;
        Ok(Self::around(path, connection, allow))
    }

    /// Opens the catalogue for reading only, beside a process that may be writing.
    ///
    /// # Errors
    /// [`CatalogueError::Missing`] where there is none yet, else as [`Catalogue::open`].
    pub fn open_reading(path: &Path) -> Result<Self, CatalogueError> {
        let connection = schema::open_reading(path)?;
        let no = || Err(io::ErrorKind::ReadOnlyFilesystem.into());
        Ok(Self::around(path, connection, Box::new(no)))
    }

    fn around(path: &Path, connection: Connection, allow: Allow) -> Self {
        connection.set_prepared_statement_cache_capacity(32);
        Self {
            path: path.to_owned(),
            connection,
            allow,
            generation: 0,
            left: Left::of(path),
        }
    }

    /// Are the files as this value left them?
    ///
    /// # Errors
    /// [`CatalogueError::Touched`] where they are not. What was committed may be lost then; opening
    /// anew tells.
    pub fn holds(&self) -> Result<(), CatalogueError> {
        match Left::of(&self.path) == self.left {
            true => Ok(()),
            false => Err(CatalogueError::Touched {
                path: self.path.clone(),
            }),
        }
    }

    /// Grows with every change made through this value: same number, same snapshot.
    pub fn generation(&self) -> u64 {
        self.generation
    }

    /// Takes files in, or takes note of what they have become. `recognition` names the settings
    /// under which each entry was derived.
    ///
    /// # Errors
    /// When it cannot be written; nothing has changed then. So for all that follow.
    pub fn record(&mut self, entries: &[(Entry, &str)]) -> Result<(), CatalogueError> {
        self.write("record files", entries.is_empty(), |transaction| {
            let mut seen = transaction.prepare_cached(schema::RECORD)?;
            let mut forget = transaction.prepare_cached("DELETE FROM frame WHERE seen = ?1")?;
            let mut frame = transaction
                .prepare_cached("INSERT INTO frame (seen, facts, sample) VALUES (?1, ?2, ?3)")?;
            for (entry, recognition) in entries {
                let (kind, digest, reason) = match &entry.content {
                    Content::Frame {
                        digest, unusable, ..
                    } => (Kept::Frame, Some(digest.bytes()), unusable.as_ref()),
                    Content::Refused(reason) => (Kept::Refused, None, Some(reason)),
                    Content::Ignored(reason) => (Kept::Ignored, None, Some(reason)),
                };
                let stamp = row::stamp_columns(&entry.stamp);
                let id: i64 = seen.query_row(
                    params![
                        &*entry.file.watch,
                        entry.file.path.bytes(),
                        stamp[0],
                        stamp[1],
                        stamp[2],
                        stamp[3],
                        entry.present,
                        row::time_column(entry.arrived),
                        kind as i64,
                        digest,
                        reason,
                        recognition,
                    ],
                    |row| row.get(0),
                )?;
                forget.execute([id])?;
                if let Content::Frame {
                    frame: facts,
                    sample,
                    ..
                } = &entry.content
                {
                    let sample = sample.as_deref().map(row::sample_bytes);
                    frame.execute(params![id, row::json(&**facts)?, sample])?;
                }
            }
            Ok(entries.len())
        })
    }

    /// Files are not in their folders any more.
    pub fn vanish(&mut self, files: &[FileId]) -> Result<(), CatalogueError> {
        self.each_file(
            "note vanished files",
            files,
            "UPDATE seen SET present = 0 WHERE watch = ?1 AND path = ?2 AND present = 1",
        )
    }

    /// Vanished files are back as they were.
    pub fn reappear(&mut self, files: &[FileId]) -> Result<(), CatalogueError> {
        self.each_file(
            "note files that came back",
            files,
            "UPDATE seen SET present = 1 WHERE watch = ?1 AND path = ?2 AND present = 0",
        )
    }

    /// Files that never counted.
    pub fn forget(&mut self, files: &[FileId]) -> Result<(), CatalogueError> {
        self.each_file(
            "forget files",
            files,
            "DELETE FROM seen WHERE watch = ?1 AND path = ?2",
        )
    }

    /// The pixels of a frame turned out to be unusable, if the file is still what it was.
    pub fn refuse_pixels(
        &mut self,
        file: &FileId,
        stamp: &Stamp,
        reason: &str,
    ) -> Result<(), CatalogueError> {
        self.write("refuse a frame's pixels", false, |transaction| {
            let [size, mtime, ctime, inode] = row::stamp_columns(stamp);
            let path = file.path.bytes();
            let changed = transaction
                .prepare_cached(schema::REFUSE_PIXELS)?
                .execute(params![
                    &*file.watch,
                    path,
                    size,
                    mtime,
                    ctime,
                    inode,
                    reason
                ])?;
            transaction
                .prepare_cached(
                    "UPDATE frame SET sample = NULL WHERE ?3 AND seen =
                     (SELECT id FROM seen WHERE watch = ?1 AND path = ?2)",
                )?
                .execute(params![&*file.watch, path, changed > 0])?;
            Ok(changed)
        })
    }

    /// A product is on file. What is said of its failure is forgotten.
    pub fn made(&mut self, made: &Made) -> Result<(), CatalogueError> {
        self.write("record a product", false, |transaction| {
            let (facts, level, noise) = row::made_columns(made)?;
            let fingerprint = made.fingerprint.bytes();
            transaction
                .prepare_cached("INSERT OR REPLACE INTO made VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![fingerprint, facts, level, noise])?;
            transaction
                .prepare_cached("DELETE FROM failed WHERE fingerprint = ?1")?
                .execute([fingerprint])?;
            Ok(1)
        })
    }

    /// A light was measured, by this version of the methods.
    pub fn measured(
        &mut self,
        fingerprint: &Fingerprint,
        method: u32,
        measured: &Measured,
    ) -> Result<(), CatalogueError> {
        self.write("record what was measured", false, |transaction| {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO measured VALUES (?1, ?2, ?3)")?
                .execute(params![fingerprint.bytes(), method, row::json(measured)?])
        })
    }

    /// A sensor's frames were measured.
    pub fn knows(
        &mut self,
        key: &Fingerprint,
        figures: &SensorFigures,
    ) -> Result<(), CatalogueError> {
        self.write("record what a sensor's frames say", false, |transaction| {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO sensor VALUES (?1, ?2)")?
                .execute(params![key.bytes(), row::json(figures)?])
        })
    }

    /// Products are gone from the output folder.
    pub fn unmade(&mut self, fingerprints: &[Fingerprint]) -> Result<(), CatalogueError> {
        self.write("forget products", fingerprints.is_empty(), |transaction| {
            let mut made = transaction.prepare_cached("DELETE FROM made WHERE fingerprint = ?1")?;
            let mut measured =
                transaction.prepare_cached("DELETE FROM measured WHERE fingerprint = ?1")?;
            let mut changed = 0;
            for fingerprint in fingerprints {
                changed += made.execute([fingerprint.bytes()])?;
                measured.execute([fingerprint.bytes()])?;
            }
            Ok(changed)
        })
    }

    /// A product could not be made, and why.
    pub fn failed(
        &mut self,
        fingerprint: &Fingerprint,
        reason: &str,
    ) -> Result<(), CatalogueError> {
        self.write("record a failure", false, |transaction| {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO failed VALUES (?1, ?2)")?
                .execute(params![fingerprint.bytes(), reason])
        })
    }

    /// Everything that failed may be tried again.
    pub fn clear_failures(&mut self) -> Result<(), CatalogueError> {
        self.write("clear failures", false, |transaction| {
            transaction.execute("DELETE FROM failed", [])
        })
    }

    fn each_file(
        &mut self,
        operation: &'static str,
        files: &[FileId],
        sql: &str,
    ) -> Result<(), CatalogueError> {
        self.write(operation, files.is_empty(), |transaction| {
            let mut statement = transaction.prepare_cached(sql)?;
            let mut changed = 0;
            for file in files {
                changed += statement.execute(params![&*file.watch, file.path.bytes()])?;
            }
            Ok(changed)
        })
    }

    /// Runs one transaction, unless there is nothing to do. `act` says how many rows it changed.
    fn write(
        &mut self,
        operation: &'static str,
        idle: bool,
        act: impl FnOnce(&Transaction) -> rusqlite::Result<usize>,
    ) -> Result<(), CatalogueError> {
        if idle {
            return Ok(());
        }
        let held = self.holds().is_ok();
        let written = self.transact(operation, act);
        // A change by another hand is not to pass for ours. One that was undone may have left
        // pages behind in the journal.
        if held {
            self.left = Left::of(&self.path);
        }
        self.generation += u64::from(written? > 0);
        Ok(())
    }

    fn transact(
        &mut self,
        operation: &'static str,
        act: impl FnOnce(&Transaction) -> rusqlite::Result<usize>,
    ) -> Result<usize, CatalogueError> {
        let path = &self.path;
        let wrong = |source| CatalogueError::database(path, operation, source);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(wrong)?;
        let changed = act(&transaction).map_err(wrong)?;
        (self.allow)().map_err(|source| CatalogueError::Refused {
            path: path.clone(),
            operation,
            source,
        })?;
        transaction.commit().map_err(wrong)?;
        Ok(changed)
    }
}

#[cfg(test)]
mod tests;
