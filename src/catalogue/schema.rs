//! Tables, statements, and how the file is opened.
//!
//! Two tables hold a file: `seen` the little that every scan reads, `frame` the bulk that only a
//! snapshot reads. What was measured on a light is only read when its night is written up.
//!
//! A catalogue of an earlier version is brought up to date when it is opened for writing: each
//! version only added to the one before. Journal mode is WAL, so that readers never wait for the writer; synchronous is
//! FULL, so that what was said to be recorded survives a power cut.

use std::fmt::Write as _;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, OpenFlags, TransactionBehavior};

use super::{Allow, CatalogueError};

/// Changes with every change of the tables or of what their columns mean.
pub(super) const VERSION: i64 = 1 + ADDED.len() as i64;

/// Marks the file as ours: `DLdg`.
const APPLICATION: i64 = 0x444c_6467;

/// Another process holds the file for the length of one transaction, no longer.
const PATIENCE: Duration = Duration::from_secs(10);

const TABLES: &str = "
    CREATE TABLE seen (
        id INTEGER PRIMARY KEY,
        watch TEXT NOT NULL,
        path BLOB NOT NULL,
        size INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        ctime_ns INTEGER NOT NULL,
        inode INTEGER NOT NULL,
        present INTEGER NOT NULL,
        arrived_ns INTEGER NOT NULL,
        kind INTEGER NOT NULL,
        digest BLOB,
        reason TEXT,
        recognition TEXT NOT NULL,
        UNIQUE (watch, path)
    ) STRICT;
    CREATE TABLE frame (
        seen INTEGER PRIMARY KEY REFERENCES seen (id) ON DELETE CASCADE,
        facts TEXT NOT NULL,
        sample BLOB
    ) STRICT;
    CREATE TABLE made (
        fingerprint BLOB PRIMARY KEY,
        facts TEXT NOT NULL,
        level REAL,
        noise REAL
    ) STRICT;
    CREATE TABLE failed (fingerprint BLOB PRIMARY KEY, reason TEXT NOT NULL) STRICT;
";

/// What each version after the first added.
const ADDED: [&str; 2] = [
    "
    CREATE TABLE measured (
        fingerprint BLOB PRIMARY KEY,
        method INTEGER NOT NULL,
        facts TEXT NOT NULL
    ) STRICT;
",
    "
    CREATE TABLE sensor (key BLOB PRIMARY KEY, figures TEXT NOT NULL) STRICT;
",
];

pub(super) const RECORD: &str = "
    INSERT INTO seen (watch, path, size, mtime_ns, ctime_ns, inode, present, arrived_ns, kind,
                      digest, reason, recognition)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)
    ON CONFLICT (watch, path) DO UPDATE SET
        size = ?3, mtime_ns = ?4, ctime_ns = ?5, inode = ?6, present = ?7, arrived_ns = ?8,
        kind = ?9, digest = ?10, reason = ?11, recognition = ?12
    RETURNING id";

pub(super) const REFUSE_PIXELS: &str = "
    UPDATE seen SET reason = ?7
    WHERE watch = ?1 AND path = ?2 AND size = ?3 AND mtime_ns = ?4 AND ctime_ns = ?5
          AND inode = ?6 AND kind = 0";

pub(super) const STAMPS: &str = "
    SELECT watch, path, size, mtime_ns, ctime_ns, inode, present FROM seen";

pub(super) const ONE_STAMP: &str = "
    SELECT watch, path, size, mtime_ns, ctime_ns, inode, present FROM seen
    WHERE watch = ?1 AND path = ?2";

pub(super) const STALE: &str = "
    SELECT watch, path, size, mtime_ns, ctime_ns, inode, present FROM seen
    WHERE present = 1 AND recognition <> ?1 ORDER BY watch, path";

pub(super) const ENTRIES: &str = "
    SELECT watch, path, size, mtime_ns, ctime_ns, inode, present, arrived_ns, kind, digest,
           reason, facts, sample
    FROM seen LEFT JOIN frame ON frame.seen = seen.id ORDER BY seen.id";

/// Opens for writing, checks, and makes the tables where there are none.
pub(super) fn open(path: &Path, allow: &Allow) -> Result<Connection, CatalogueError> {
    const OPEN: &str = "open the catalogue";
    let wrong = |source| CatalogueError::database(path, OPEN, source);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags).map_err(wrong)?;
    connection.busy_timeout(PATIENCE).map_err(wrong)?;
    let found = version(path, &connection)?;
    connection
        .pragma_update(None, "journal_mode", "wal")
        .and_then(|()| connection.pragma_update(None, "synchronous", "full"))
        .and_then(|()| connection.pragma_update(None, "foreign_keys", true))
        // A journal that a burst made large is cut back once it is worked in.
        .and_then(|()| connection.pragma_update(None, "journal_size_limit", 16 << 20))
        .map_err(wrong)?;
    if found > 0 {
        let verdict: String = connection
            .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
            .map_err(wrong)?;
        if verdict != "ok" {
            return Err(CatalogueError::Damaged {
                path: path.to_owned(),
                operation: OPEN,
                what: verdict,
            });
        }
    }
    if found < VERSION {
        let transaction = connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(wrong)?;
        steps(found)
            .try_for_each(|step| transaction.execute_batch(step))
            .and_then(|()| transaction.pragma_update(None, "application_id", APPLICATION))
            .and_then(|()| transaction.pragma_update(None, "user_version", VERSION))
            .map_err(wrong)?;
        allow().map_err(|source| CatalogueError::Refused {
            path: path.to_owned(),
            operation: OPEN,
            source,
        })?;
        transaction.commit().map_err(wrong)?;
    }
    Ok(connection)
}

/// What makes a catalogue of this version one of ours; version 0 is an empty file.
fn steps(found: i64) -> impl Iterator<Item = &'static str> {
    let done = usize::try_from(found).unwrap_or(usize::MAX);
    std::iter::once(TABLES).chain(ADDED).skip(done)
}

/// Opens for reading only.
pub(super) fn open_reading(path: &Path) -> Result<Connection, CatalogueError> {
    let missing = || CatalogueError::Missing {
        path: path.to_owned(),
    };
    if !path.exists() {
        return Err(missing());
    }
    let wrong = |source| CatalogueError::database(path, "open the catalogue for reading", source);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(wrong)?;
    connection.busy_timeout(PATIENCE).map_err(wrong)?;
    let found = match version(path, &connection) {
        Err(CatalogueError::Database { source, .. }) if needs_a_folder_to_write(&source) => {
            // Nobody has it open and we may not make the files that readers share: nothing can
            // change under us that a second reading would not show.
            let connection =
                Connection::open_with_flags(unchanging(path), flags | OpenFlags::SQLITE_OPEN_URI)
                    .map_err(wrong)?;
            let found = version(path, &connection)?;
            return readable(path, found).map(|()| connection);
        }
        other => other?,
    };
    readable(path, found).map(|()| connection)
}

/// A reader makes no tables and adds none.
fn readable(path: &Path, found: i64) -> Result<(), CatalogueError> {
    let path = path.to_owned();
    match found {
        VERSION => Ok(()),
        0 => Err(CatalogueError::Missing { path }),
        _ => Err(CatalogueError::Earlier { path }),
    }
}

/// The version of the tables, 0 for an empty file; an error where the file is not ours or of a
/// later version.
fn version(path: &Path, connection: &Connection) -> Result<i64, CatalogueError> {
    let number = |sql: &str| {
        connection
            .query_row(sql, [], |row| row.get::<_, i64>(0))
            .map_err(|source| CatalogueError::database(path, "open the catalogue", source))
    };
    let tables = number("SELECT count(*) FROM sqlite_schema")?;
    let application = number("PRAGMA application_id")?;
    let found = number("PRAGMA user_version")?;
    match (tables, application, found) {
        (0, 0, 0) => Ok(0),
        (_, APPLICATION, 1..=VERSION) => Ok(found),
        (_, APPLICATION, _) => Err(CatalogueError::Version {
            path: path.to_owned(),
            found,
            ours: VERSION,
        }),
        _ => Err(CatalogueError::Foreign {
            path: path.to_owned(),
        }),
    }
}

fn needs_a_folder_to_write(error: &rusqlite::Error) -> bool {
    error
        .sqlite_error_code()
        .is_some_and(|code| matches!(code, ErrorCode::CannotOpen | ErrorCode::ReadOnly))
}

/// The path as a URI that promises that nobody writes.
pub(super) fn unchanging(path: &Path) -> String {
    let mut uri = String::from("file:");
    for &byte in path.as_os_str().as_bytes() {
        if byte.is_ascii_alphanumeric() || b"/-._~".contains(&byte) {
            uri.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(uri, "%{byte:02X}");
        }
    }
    uri + "?immutable=1"
}
