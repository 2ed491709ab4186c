//! The loop: take in, plan, make, tell; and all that surrounds it.
//!
//! One thread decides (`turn`): it owns the catalogue, looks at folders, plans, and writes logs.
//! One more works (`worker`): it takes files in and makes products, with a pool of threads for
//! pixels. `run` and `once` are the same loop; `once` takes everything there now as complete and
//! ends when nothing is left to do.
//!
//! This is the only room that reads the clock, apart from the other top rooms.

mod adopt;
mod engine;
mod event;
mod flushing;
mod freed;
mod herald;
mod history;
mod hooks;
mod intake;
mod journal;
mod lasting;
mod locks;
mod network;
mod pages;
mod pause;
mod progress;
mod sensor;
mod serve;
mod service;
mod session;
mod space;
mod status;
mod supplied;
mod tell;
mod troubles;
mod turn;
mod worker;

#[cfg(test)]
mod tests;

use std::io;
use std::path::PathBuf;

use thiserror::Error;

pub use engine::{CATALOGUE, recognition};
pub use flushing::Flushing;
pub use freed::in_small_pages;
pub use journal::{IDENTIFIER, Journal};
pub use locks::is_at_work;
pub use progress::Lines;
pub use serve::{serve, start};
pub use session::{digest, session};
pub use space::spaces;
pub use status::{Appointment, Ended, Seen, Status, status};
pub use supplied::Shelf;
pub use troubles::{Trouble, Troubles};
pub use turn::{Mode, Outcome};

use crate::catalogue::CatalogueError;
use crate::night::bytes;
use crate::publish::PublishError;

/// What ends the daemon, or a round of its loop.
#[derive(Debug, Error)]
pub enum DaemonError {
    /// Another process works on the same folder.
    #[error(
        "{}: another dawnledger works here; wait for it to end or stop it first", path.display()
    )]
    Busy {
        /// The folder that is locked.
        path: PathBuf,
    },
    /// A folder that is needed cannot be used.
    #[error("{}: could not {tried}: {source}", path.display())]
    Folder {
        /// Which.
        path: PathBuf,
        /// What was tried.
        tried: &'static str,
        /// Why it failed.
        source: io::Error,
    },
    /// The state lies where file locks and SQLite cannot be relied upon.
    #[error("{}: the state folder lies on a network file system; put it on a local disk", path.display())]
    Network {
        /// The state folder.
        path: PathBuf,
    },
    /// Folders that must be apart lie within each other.
    #[error("{}: lies within {}; watch, output and state folders must be apart", inner.display(), outer.display())]
    Overlap {
        /// The one within.
        inner: PathBuf,
        /// The one around it.
        outer: PathBuf,
    },
    /// A folder of ours is not there any more.
    #[error("{}: the folder is not there any more, it is waited for: {source}", path.display())]
    Away {
        /// Which.
        path: PathBuf,
        /// What is said of it.
        source: io::Error,
    },
    /// Another folder lies where ours was: its disk was mounted anew, or it was put there.
    #[error("{}: another folder lies there than the one that was opened", path.display())]
    Replaced {
        /// Which.
        path: PathBuf,
    },
    /// There is too little room for a product.
    #[error(
        "{}: no space left: it needs up to {}, free are {}",
        path.display(), bytes(*needed), bytes(*free)
    )]
    Full {
        /// The product.
        path: PathBuf,
        /// Bytes it takes at most.
        needed: u64,
        /// Bytes there are.
        free: u64,
    },
    /// The catalogue cannot be read or written.
    #[error(transparent)]
    Catalogue(#[from] CatalogueError),
    /// The output cannot be written.
    #[error(transparent)]
    Publish(#[from] PublishError),
    /// A step that takes long was left, since an end was asked for.
    #[error("told to stop")]
    Stopped,
    /// The worker's thread could not be started or has ended.
    #[error("the worker has ended: {0}")]
    Worker(String),
}

impl DaemonError {
    /// What is compressed cannot be decoded for want of a place for it.
    fn scratch(folder: PathBuf, source: io::Error) -> Self {
        Self::Folder {
            path: folder,
            tried: "write a scratch file",
            source,
        }
    }

    /// True where the disk is to blame and trying later may help.
    pub fn is_passing(&self) -> bool {
        match self {
            Self::Catalogue(error) => error.is_passing(),
            Self::Publish(error) => error.is_passing(),
            // A file system that has no locks will have none later either.
            Self::Folder { source, .. } => source.kind() != io::ErrorKind::Unsupported,
            Self::Full { .. } | Self::Away { .. } => true,
            _ => false,
        }
    }

    /// True where what was opened is of no use any more, and opening everything anew helps.
    fn is_over(&self) -> bool {
        match self {
            Self::Catalogue(error) => error.is_damage() || error.is_touched(),
            Self::Replaced { .. } => true,
            _ => false,
        }
    }
}
