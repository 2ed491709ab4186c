//! What the file system says of a file: where it lies and when it last changed.

use std::ffi::OsStr;
use std::fmt;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// A path relative to its watch folder, as the raw bytes the file system uses: names need not be
/// UTF-8. Never empty, never absolute, no `..` part.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RelPath(Arc<[u8]>);

impl RelPath {
    /// Takes a relative path that stays inside its folder, else nothing.
    pub fn new(path: &Path) -> Option<Self> {
        let inside = path
            .components()
            .all(|part| matches!(part, std::path::Component::Normal(_)));
        let bytes = path.as_os_str().as_bytes();
        (inside && !bytes.is_empty()).then(|| Self(bytes.into()))
    }

    /// The path, to be joined to its watch folder.
    pub fn as_path(&self) -> &Path {
        Path::new(OsStr::from_bytes(&self.0))
    }

    /// The raw bytes.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }
}

/// The path as text: bytes that are not UTF-8 and control characters are written `\xNN`, a
/// backslash is doubled, so that different paths always give different text.
impl fmt::Display for RelPath {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for chunk in self.0.utf8_chunks() {
            for character in chunk.valid().chars() {
                match character {
                    '\\' => f.write_str("\\\\")?,
                    c if c.is_control() => {
                        let mut buffer = [0; 4];
                        for byte in c.encode_utf8(&mut buffer).bytes() {
                            write!(f, "\\x{byte:02x}")?;
                        }
                    }
                    c => write!(f, "{c}")?,
                }
            }
            for byte in chunk.invalid() {
                write!(f, "\\x{byte:02x}")?;
            }
        }
        Ok(())
    }
}

impl fmt::Debug for RelPath {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "\"{self}\"")
    }
}

/// A file's identity: the watch folder's name and the path in it. Ordered by folder, then path
/// bytes.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FileId {
    /// Name of the watch folder, from the settings.
    pub watch: Arc<str>,
    /// Where the file lies in it.
    pub path: RelPath,
}

impl fmt::Display for FileId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.watch, self.path)
    }
}

/// What tells one state of a file from the next. Any difference means: look again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Size in bytes.
    pub size: u64,
    /// Last change of the contents, nanoseconds since 1970 UTC.
    pub mtime_ns: i64,
    /// Last change of the inode, nanoseconds since 1970 UTC.
    pub ctime_ns: i64,
    /// Inode number.
    pub inode: u64,
}

/// One look at one file during a scan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Look {
    /// Which file.
    pub file: FileId,
    /// What it looked like.
    pub stamp: Stamp,
}
