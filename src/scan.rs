//! Walks a watch folder and says of each file in it what it looks like and whether it is wanted.
//!
//! A walk changes nothing and follows no symbolic link to a folder, so that it cannot run in
//! circles. A link to a regular file counts as that file and carries the target's stamp. Hidden
//! folders and those where systems keep what is deleted are not entered. Devices, sockets, pipes
//! and dangling links are not files and are passed over.
//!
//! Absence proves something only after a walk that went through without an error: a root that is
//! not there is an unmounted disk, not a deletion.
//!
//! It does not know what was seen before, nor what is in a file.

mod name;

use std::ffi::{CStr, OsStr};
use std::io;
use std::ops::ControlFlow;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use rustix::fs::{AtFlags, FileType, Mode, OFlags, RawDir, Stat, lstat, openat, stat, statat};
use rustix::io::Errno;
use thiserror::Error;

use crate::facts::{FileId, Look, RelPath, Stamp, WatchFolder};
use name::Verdict;

/// Bytes of folder listing asked for at once: some thousand names per system call.
const LISTING: usize = 1 << 17;

/// A file that a walk came by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Found {
    /// By its name a FITS file.
    Wanted(Look),
    /// Left alone by its name, with the reason.
    Ignored(Look, String),
}

/// What a walk that went through says of the folder itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Walked {
    /// Device and inode of the root. A root on another device that is suddenly empty is a mount
    /// point whose disk is gone.
    pub root: (u64, u64),
    /// Names in the root, of whatever sort.
    pub names: usize,
}

/// A walk did not go through: what it visited is true, what it did not visit may still be there.
#[derive(Debug, Error)]
pub enum ScanError {
    /// The root is not there or cannot be read.
    #[error("{}: could not read the watch folder: {source}", path.display())]
    Away {
        /// The root.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Something below the root could not be read. The rest was walked.
    #[error("{}: could not read what lies in a watch folder: {source}", path.display())]
    Partly {
        /// The first thing that could not be read.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Whoever was shown what was found had enough.
    #[error("{}: the walk was left before its end", path.display())]
    Left {
        /// The root.
        path: PathBuf,
    },
    /// A glob in the settings is not one.
    #[error("{}: could not read the ignore pattern {glob:?}: {why}", path.display())]
    Pattern {
        /// The root.
        path: PathBuf,
        /// As it stands in the settings.
        glob: String,
        /// What is wrong with it.
        why: String,
    },
}

/// Walks a watch folder, in no particular order, as long as `visit` goes on.
///
/// # Errors
/// [`ScanError::Left`] where it does not,
/// [`ScanError::Away`] before anything was visited, [`ScanError::Partly`] after everything that
/// can be read was visited. A file or folder that vanishes during the walk is no error.
pub fn scan(
    folder: &WatchFolder,
    visit: &mut dyn FnMut(Found) -> ControlFlow<()>,
) -> Result<Walked, ScanError> {
    let globs = globs(folder)?;
    let away = |errno: Errno| ScanError::Away {
        path: folder.path.clone(),
        source: errno.into(),
    };
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let root = openat(rustix::fs::CWD, &folder.path, flags, Mode::empty()).map_err(away)?;
    let about = rustix::fs::fstat(&root).map_err(away)?;
    let mut walked = Walked {
        root: (about.st_dev, about.st_ino),
        names: 0,
    };
    let mut trouble: Option<(PathBuf, Errno)> = None;
    let mut buffer = Vec::with_capacity(LISTING);
    // Folders still to be read, relative to the root, each with a trailing slash but the root.
    let mut waiting: Vec<Vec<u8>> = vec![Vec::new()];
    let mut path = Vec::new();
    while let Some(prefix) = waiting.pop() {
        let mut failed = |path: &[u8], errno| {
            if errno != Errno::NOENT {
                let path = folder.path.join(OsStr::from_bytes(path));
                tracing::debug!("{}: could not read: {errno}", path.display());
                trouble.get_or_insert((path, errno));
            }
        };
        let place: &[u8] = if prefix.is_empty() { b"." } else { &prefix };
        let opened = match openat(&root, place, flags | OFlags::NOFOLLOW, Mode::empty()) {
            Ok(opened) => opened,
            // Replaced by a file or a link since it was listed: the next walk sees that.
            Err(Errno::NOTDIR | Errno::LOOP) => continue,
            Err(errno) if prefix.is_empty() => return Err(away(errno)),
            Err(errno) => {
                failed(&prefix, errno);
                continue;
            }
        };
        let mut listing = RawDir::new(&opened, buffer.spare_capacity_mut());
        while let Some(entry) = listing.next() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(errno) if prefix.is_empty() => return Err(away(errno)),
                Err(errno) => {
                    failed(&prefix, errno);
                    break;
                }
            };
            let name = entry.file_name();
            if matches!(name.to_bytes(), b"." | b"..") {
                continue;
            }
            walked.names += usize::from(prefix.is_empty());
            path.clear();
            path.extend_from_slice(&prefix);
            path.extend_from_slice(name.to_bytes());
            match sort(&opened, name, entry.file_type()) {
                Ok(Sort::Folder) => {
                    if name::is_entered(name.to_bytes()) {
                        path.push(b'/');
                        waiting.push(path.clone());
                    }
                }
                Ok(Sort::File(about)) => {
                    if let Some(found) = judge(folder, globs.as_deref(), &path, &about)
                        && visit(found).is_break()
                    {
                        let path = folder.path.clone();
                        return Err(ScanError::Left { path });
                    }
                }
                Ok(Sort::Other) => {}
                Err(errno) => failed(&path, errno),
            }
        }
    }
    match trouble {
        None => Ok(walked),
        Some((path, errno)) => Err(ScanError::Partly {
            path,
            source: errno.into(),
        }),
    }
}

/// Looks at one file, as [`scan`] would. Nothing when it is not there, not a file, or a walk
/// would not report it.
pub fn look(folder: &WatchFolder, path: &RelPath) -> Option<Found> {
    let globs = globs(folder).ok()?;
    let parents = path.as_path().parent()?;
    if !parents
        .iter()
        .all(|part| name::is_entered(part.as_encoded_bytes()))
        || has_link(&folder.path, parents)
    {
        return None;
    }
    let about = stat(folder.path.join(path.as_path())).ok()?;
    if FileType::from_raw_mode(about.st_mode) != FileType::RegularFile {
        return None;
    }
    judge(folder, globs.as_deref(), path.bytes(), &about)
}

/// What a file looks like now; nothing when it is not there or not a file.
pub fn stamp(folder: &WatchFolder, path: &RelPath) -> Option<Stamp> {
    let about = stat(folder.path.join(path.as_path())).ok()?;
    (FileType::from_raw_mode(about.st_mode) == FileType::RegularFile).then(|| stamp_of(&about))
}

/// The place in a watch folder that an absolute path names, also by way of symbolic links to
/// folders. The file itself need not be there, nor its folder if the path is spelt as the watch
/// folder's is.
pub fn resolve(folder: &WatchFolder, absolute: &Path) -> Option<RelPath> {
    let by_links = || {
        let root = folder.path.canonicalize().ok()?;
        let parent = absolute.parent()?.canonicalize().ok()?;
        let inside = parent.strip_prefix(root).ok()?;
        RelPath::new(&inside.join(absolute.file_name()?))
    };
    by_links().or_else(|| RelPath::new(absolute.strip_prefix(&folder.path).ok()?))
}

/// True where one of the folders below the root is a symbolic link, which no walk enters.
fn has_link(root: &Path, folders: &Path) -> bool {
    let mut place = root.to_owned();
    folders.iter().any(|part| {
        place.push(part);
        lstat(&place).is_ok_and(|about| FileType::from_raw_mode(about.st_mode) == FileType::Symlink)
    })
}

enum Sort {
    Folder,
    File(Stat),
    Other,
}

fn sort(parent: &impl rustix::fd::AsFd, name: &CStr, listed: FileType) -> Result<Sort, Errno> {
    let file = |about: Stat| match FileType::from_raw_mode(about.st_mode) {
        FileType::RegularFile => Sort::File(about),
        _ => Sort::Other,
    };
    let at = |flags| statat(parent, name, flags);
    match listed {
        FileType::Directory => Ok(Sort::Folder),
        FileType::RegularFile => Ok(file(at(AtFlags::SYMLINK_NOFOLLOW)?)),
        FileType::Symlink => match at(AtFlags::empty()) {
            Ok(about) => Ok(file(about)),
            // A link that leads nowhere, in a circle, or where we may not go.
            Err(Errno::NOENT | Errno::LOOP | Errno::NOTDIR | Errno::ACCESS) => Ok(Sort::Other),
            Err(errno) => Err(errno),
        },
        // Some file systems do not tell in the listing.
        FileType::Unknown => {
            let about = at(AtFlags::SYMLINK_NOFOLLOW)?;
            match FileType::from_raw_mode(about.st_mode) {
                FileType::Unknown => Ok(Sort::Other),
                known @ (FileType::Directory | FileType::Symlink) => sort(parent, name, known),
                _ => Ok(file(about)),
            }
        }
        _ => Ok(Sort::Other),
    }
}

fn judge(
    folder: &WatchFolder,
    globs: Option<&name::Globs>,
    path: &[u8],
    about: &Stat,
) -> Option<Found> {
    let path = Path::new(OsStr::from_bytes(path));
    let verdict = name::verdict(path, globs);
    if matches!(verdict, Verdict::Unseen) {
        return None;
    }
    let look = Look {
        file: FileId {
            watch: folder.name.clone(),
            path: RelPath::new(path)?,
        },
        stamp: stamp_of(about),
    };
    Some(match verdict {
        Verdict::Ignored(reason) => Found::Ignored(look, reason),
        Verdict::Wanted | Verdict::Unseen => Found::Wanted(look),
    })
}

fn stamp_of(about: &Stat) -> Stamp {
    let time = |seconds: i64, nanoseconds: i64| {
        seconds
            .saturating_mul(1_000_000_000)
            .saturating_add(nanoseconds)
    };
    Stamp {
        size: u64::try_from(about.st_size).unwrap_or(0),
        mtime_ns: time(about.st_mtime, about.st_mtime_nsec as i64),
        ctime_ns: time(about.st_ctime, about.st_ctime_nsec as i64),
        inode: about.st_ino,
    }
}

fn globs(folder: &WatchFolder) -> Result<Option<std::rc::Rc<name::Globs>>, ScanError> {
    name::globs(&folder.ignore).map_err(|(glob, why)| ScanError::Pattern {
        path: folder.path.clone(),
        glob,
        why,
    })
}

#[cfg(test)]
mod tests;
