//! Room on a disk.

use std::path::PathBuf;

/// What is free where a folder lies.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Space {
    /// What the folder is for: `output` or `state`.
    pub role: &'static str,
    /// The folder.
    pub folder: PathBuf,
    /// The disk it lies on: the same number, the same disk.
    pub disk: u64,
    /// Bytes that an ordinary user may still write.
    pub free_bytes: u64,
}
