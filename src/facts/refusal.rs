//! Why a file was refused: what was looked at, what was found.

use thiserror::Error;

/// The reason for which a file takes no part in the night. The text names the keyword and what
/// was found in it, since the person will look there.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum Refusal {
    /// No bytes.
    #[error("empty file")]
    Empty,
    /// The first record is not a FITS header's.
    #[error("not FITS: it begins with {found}")]
    NotFits {
        /// The first bytes, printable.
        found: String,
    },
    /// The header promises more than is there.
    #[error("truncated: {has} bytes, its header promises {needs}")]
    Truncated {
        /// Bytes found.
        has: u64,
        /// Bytes promised.
        needs: u64,
    },
    /// The header's END is missing.
    #[error("truncated: the header has no END")]
    NoEnd,
    /// A header without data.
    #[error("no image: {0}")]
    NoImage(String),
    /// A keyword holds what it must not.
    #[error("{keyword} is {found}: {want}")]
    Keyword {
        /// The keyword as found in the header.
        keyword: String,
        /// Its value as found.
        found: String,
        /// What is asked of it.
        want: String,
    },
    /// A necessary keyword is absent.
    #[error("no {what}: none of {keywords} is in the header")]
    Missing {
        /// What is needed.
        what: &'static str,
        /// Where it was looked for.
        keywords: String,
    },
    /// Calibrated, demosaiced or stacked already.
    #[error("already processed: {keyword} is {found}")]
    Processed {
        /// The keyword that gives it away.
        keyword: String,
        /// Its value.
        found: String,
    },
    /// No profile names the camera.
    #[error(
        "no profile names the camera {camera:?}: add `camera: {camera:?}` to the profile of its rig"
    )]
    UnknownCamera {
        /// The camera's name in the header.
        camera: String,
    },
    /// It could not be read or decoded.
    #[error("unreadable: {0}")]
    Unreadable(String),
    /// The decoder died on it.
    #[error("poisoned: the decoder ended with {0}")]
    Poisoned(String),
}
