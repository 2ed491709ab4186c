//! FITS files: headers, strips of pixels, products. The only room that touches CFITSIO.
//!
//! A plain file passes an own gate: its header is read with bounded effort, and every promise of
//! the header is checked against the file's size before anything is allocated for it. Pixels come
//! by positioned reads, never by mapping (a file that shrinks would kill the process). Compressed
//! files are decoded in a child of our own program under resource limits ([`Unpacker`],
//! [`unpack_child`]), so that a crash in the decoder costs one file; [`Wrapped`] has of an image in
//! tiles only those decoded that are wanted. Products are written by
//! [`ImageWriter`]; their bytes depend on pixels and cards alone.
//!
//! Files are opened for reading only, except scratch files and what goes through `publish`.
//! The room does not know what a header's facts mean: that is `frame`'s.

mod card;
mod child;
mod claims;
mod encode;
mod gate;
mod plain;
mod product;
mod rice;
mod scratch;
mod source;
mod sum;
#[cfg(test)]
mod tests;
mod unpack;
mod wrapped;

use std::io;
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::facts::{Header, Refusal};

pub use child::unpack_child;
pub use encode::header_block;
pub use product::{ImageWriter, Plane, Samples, Storage};
pub use source::Source;
pub use sum::checksums_hold;
pub use unpack::{Unpacker, sweep};
pub use wrapped::Wrapped;

/// Why a file could not be used.
#[derive(Debug, Error)]
pub enum FitsError {
    /// The file ends too early. It may still be arriving.
    #[error("{has} bytes so far, {needs} needed")]
    Short {
        /// Bytes found.
        has: u64,
        /// Bytes needed, as far as known: always more than `has`.
        needs: u64,
        /// Where it ends.
        cut: Cut,
    },
    /// The file is not what is wanted, and no waiting will change that.
    #[error(transparent)]
    Refused(Refusal),
    /// The system refused: says nothing about the file, trying later may help.
    #[error("{}: could not {op}: {source}", path.display())]
    Io {
        /// What was tried.
        op: &'static str,
        /// On what.
        path: PathBuf,
        /// Why it failed.
        source: io::Error,
    },
    /// There is no room for what decoding yields, or it may not be written: says nothing about the
    /// file, and holds up all that are compressed.
    #[error("{}: could not write a scratch file: {source}", folder.display())]
    Scratch {
        /// Where scratch files go.
        folder: PathBuf,
        /// Why it failed.
        source: io::Error,
    },
}

/// Where a file that is too short ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// In a header: END has not come yet.
    Header,
    /// In the data that the header promises.
    Data,
    /// In a gzip stream.
    Gzip,
}

impl FitsError {
    /// What to say of the file when nothing more will arrive: the refusal, or nothing where the
    /// system was to blame.
    pub fn refusal(self) -> Option<Refusal> {
        match self {
            Self::Short { has, needs, cut } => Some(match cut {
                Cut::Header => Refusal::NoEnd,
                Cut::Data => Refusal::Truncated { has, needs },
                Cut::Gzip => {
                    Refusal::Unreadable(format!("its gzip stream breaks off after {has} bytes"))
                }
            }),
            Self::Refused(refusal) => Some(refusal),
            Self::Io { .. } | Self::Scratch { .. } => None,
        }
    }

    fn io(op: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        move |source| Self::Io {
            op,
            path: path.to_owned(),
            source,
        }
    }

    fn unreadable(why: impl Into<String>) -> Self {
        Self::Refused(Refusal::Unreadable(why.into()))
    }
}

/// The header of a plain or tile-compressed file, with the checks of [`Source::open`]; its pixels
/// are not decoded. Of a compressed image it also holds what describes the compression.
///
/// # Errors
/// As [`Source::open`]; a file in gzip is refused.
pub fn read_header(path: &Path) -> Result<Header, FitsError> {
    Ok(gate::Opened::open(path)?.find_image()?.header)
}

/// The header of a plain file whose data may be cut off: what it would have been.
///
/// # Errors
/// Where the header itself is incomplete or out of order.
pub fn read_header_of_cut(path: &Path) -> Result<Header, FitsError> {
    gate::Opened::open(path)?.image_header()
}
