//! What is known: all of it, or what is asked for.

use std::collections::BTreeMap;

use rusqlite::{Connection, params};

use super::row::{self, Interner};
use super::{Catalogue, CatalogueError, schema};
use crate::facts::{Failure, FileId, Fingerprint, Look, Measured, Snapshot, Stamp};

impl Catalogue {
    /// Shows every file with its stamp and whether it is present: what a scan compares with. In
    /// no particular order.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn for_each_stamp(
        &self,
        mut visit: impl FnMut(FileId, Stamp, bool),
    ) -> Result<(), CatalogueError> {
        self.read("list the files seen", |connection| {
            let mut shared = Interner::default();
            let mut statement = connection.prepare_cached(schema::STAMPS)?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                visit(
                    row::file(row, &mut shared)?,
                    row::stamp(row)?,
                    row.get(row::PRESENT)?,
                );
            }
            Ok(())
        })
    }

    /// One file's stamp and whether it is present; nothing where it was never taken in.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn stamp(&self, file: &FileId) -> Result<Option<(Stamp, bool)>, CatalogueError> {
        self.read("look up a file", |connection| {
            let mut statement = connection.prepare_cached(schema::ONE_STAMP)?;
            let mut rows = statement.query(params![&*file.watch, file.path.bytes()])?;
            match rows.next()? {
                Some(row) => Ok(Some((row::stamp(row)?, row.get(row::PRESENT)?))),
                None => Ok(None),
            }
        })
    }

    /// Present files that were recognised under other settings than these.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn stale(&self, recognition: &str) -> Result<Vec<Look>, CatalogueError> {
        self.read("list files recognised under other settings", |connection| {
            let mut shared = Interner::default();
            let mut statement = connection.prepare_cached(schema::STALE)?;
            let mut rows = statement.query([recognition])?;
            let mut looks = Vec::new();
            while let Some(row) = rows.next()? {
                looks.push(Look {
                    file: row::file(row, &mut shared)?,
                    stamp: row::stamp(row)?,
                });
            }
            Ok(looks)
        })
    }

    /// Everything known, as of one moment. Names and cameras that frames have in common are held
    /// once. Nothing is arriving: that is not the catalogue's to know.
    ///
    /// # Errors
    /// When the file cannot be read or holds what cannot be understood.
    pub fn snapshot(&self) -> Result<Snapshot, CatalogueError> {
        self.read("read everything", |connection| {
            let mut snapshot = Snapshot::default();
            let mut shared = Interner::default();
            let mut statement = connection.prepare_cached(schema::ENTRIES)?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                snapshot.entries.push(row::entry(row, &mut shared)?);
            }
            snapshot.entries.sort_by(|a, b| a.file.cmp(&b.file));
            let mut statement =
                connection.prepare_cached("SELECT facts, level, noise FROM made")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let made = row::made(row, &mut shared)?;
                snapshot.made.insert(made);
            }
            let mut statement =
                connection.prepare_cached("SELECT fingerprint, reason FROM failed")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let reason = row.get(1)?;
                snapshot
                    .failed
                    .insert(Fingerprint::new(row.get(0)?), Failure { reason });
            }
            let mut statement =
                // After the products: what was measured on none is left aside.
                connection.prepare_cached("SELECT fingerprint, method FROM measured")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let fingerprint = Fingerprint::new(row.get(0)?);
                snapshot.made.measure(fingerprint, row.get(1)?);
            }
            let mut statement = connection.prepare_cached("SELECT figures, key FROM sensor")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let key = Fingerprint::new(row.get(1)?);
                snapshot.sensors.insert(key, row::read_json(row)?);
            }
            Ok(snapshot)
        })
    }

    /// What was measured on these lights, whatever the version; those that were not are missing.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn measures(
        &self,
        lights: impl IntoIterator<Item = Fingerprint>,
    ) -> Result<BTreeMap<Fingerprint, Measured>, CatalogueError> {
        self.read("read what was measured", |connection| {
            let mut statement =
                connection.prepare_cached("SELECT facts FROM measured WHERE fingerprint = ?1")?;
            let mut found = BTreeMap::new();
            for light in lights {
                let mut rows = statement.query([light.bytes()])?;
                if let Some(row) = rows.next()? {
                    found.insert(light, row::read_json(row)?);
                }
            }
            Ok(found)
        })
    }

    /// Reads within one transaction, so that all of it is of one moment.
    fn read<T>(
        &self,
        operation: &'static str,
        act: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, CatalogueError> {
        let wrong = |source| CatalogueError::database(&self.path, operation, source);
        let transaction = self.connection.unchecked_transaction().map_err(wrong)?;
        act(&transaction).map_err(wrong)
    }
}
