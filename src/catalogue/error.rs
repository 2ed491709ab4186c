//! What can go wrong with the catalogue, sorted by what its caller can do about it.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

/// The catalogue could not do what was asked. Nothing has changed then.
#[derive(Debug, Error)]
pub enum CatalogueError {
    /// The database refused.
    #[error("{}: could not {operation}: {source}", path.display())]
    Database {
        /// The catalogue.
        path: PathBuf,
        /// What was tried.
        operation: &'static str,
        /// Why it failed.
        source: rusqlite::Error,
    },
    /// A transaction was not let through.
    #[error("{}: could not {operation}: {source}", path.display())]
    Refused {
        /// The catalogue.
        path: PathBuf,
        /// What was tried.
        operation: &'static str,
        /// Why it must not be.
        source: io::Error,
    },
    /// The file is no database, or a broken one. Set aside, it will be rebuilt from raw files and
    /// products.
    #[error("{}: could not {operation}: the catalogue is damaged: {what}", path.display())]
    Damaged {
        /// The catalogue.
        path: PathBuf,
        /// What was tried.
        operation: &'static str,
        /// What is wrong with it.
        what: String,
    },
    /// Another program has written to the file, or put another in its place, while it was open.
    #[error("{}: the catalogue was changed by another hand", path.display())]
    Touched {
        /// The catalogue.
        path: PathBuf,
    },
    /// Written by a later version of this program.
    #[error(
        "{}: could not open the catalogue: its layout is version {found}, this program reads \
         version {ours}; `run` or `once` sets the file aside and builds another",
        path.display()
    )]
    Version {
        /// The catalogue.
        path: PathBuf,
        /// The layout found.
        found: i64,
        /// The layout wanted.
        ours: i64,
    },
    /// Written by an earlier version of this program: it is brought up to date when it is next
    /// written to.
    #[error(
        "{}: could not open the catalogue: its layout is of an earlier version; `run` or `once` \
         brings it up to date",
        path.display()
    )]
    Earlier {
        /// The catalogue.
        path: PathBuf,
    },
    /// A database of some other program.
    #[error("{}: could not open the catalogue: another program's database lies there", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// There is none yet.
    #[error("{}: could not open the catalogue: there is none yet; `run` or `once` makes it", path.display())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
}

impl CatalogueError {
    /// Sorts an error of the database: broken contents are damage, whoever notices.
    pub(super) fn database(path: &Path, operation: &'static str, source: rusqlite::Error) -> Self {
        let path = path.to_owned();
        let damaged = match &source {
            rusqlite::Error::SqliteFailure(error, _) => matches!(
                error.code,
                ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase
            ),
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::Utf8Error(..)
            | rusqlite::Error::InvalidColumnType(..) => true,
            _ => false,
        };
        if damaged {
            let what = source.to_string();
            Self::Damaged {
                path,
                operation,
                what,
            }
        } else {
            Self::Database {
                path,
                operation,
                source,
            }
        }
    }

    /// True where the file cannot be used: set aside, it is rebuilt.
    pub fn is_damage(&self) -> bool {
        matches!(self, Self::Damaged { .. } | Self::Version { .. })
    }

    /// True where the file may still be good and only what was read from it is of no use any more.
    pub fn is_touched(&self) -> bool {
        matches!(self, Self::Touched { .. })
    }

    /// True where space, permission, another process or the device is to blame and trying later
    /// may help.
    pub fn is_passing(&self) -> bool {
        match self {
            Self::Database { source, .. } => source.sqlite_error_code().is_some_and(|code| {
                matches!(
                    code,
                    ErrorCode::DatabaseBusy
                        | ErrorCode::DatabaseLocked
                        | ErrorCode::DiskFull
                        | ErrorCode::SystemIoFailure
                        | ErrorCode::CannotOpen
                        | ErrorCode::PermissionDenied
                        | ErrorCode::ReadOnly
                        | ErrorCode::OutOfMemory
                )
            }),
            Self::Refused { source, .. } => !matches!(
                source.kind(),
                io::ErrorKind::InvalidInput | io::ErrorKind::InvalidFilename
            ),
            Self::Missing { .. } | Self::Earlier { .. } => true,
            Self::Damaged { .. }
            | Self::Touched { .. }
            | Self::Version { .. }
            | Self::Foreign { .. } => false,
        }
    }
}
