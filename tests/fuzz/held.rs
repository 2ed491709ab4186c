//! Bytes as a file that has a path and lies in memory.

use std::fs::File;
use std::io::{self, Write};
use std::os::fd::AsRawFd;
use std::path::PathBuf;

use rustix::fs::{MemfdFlags, memfd_create};

/// A file of these bytes, and its path. It lives as long as the handle.
pub fn held(bytes: &[u8]) -> io::Result<(File, PathBuf)> {
    let mut file = File::from(memfd_create("fuzz", MemfdFlags::CLOEXEC)?);
    file.write_all(bytes)?;
    let path = format!("/proc/self/fd/{}", file.as_raw_fd()).into();
    Ok((file, path))
}
