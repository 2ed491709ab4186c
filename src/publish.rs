//! The only room that writes, syncs, renames and removes.
//!
//! A product becomes visible in one step: it is written under a temporary name in its own folder,
//! flushed to disk, renamed, and the folder is flushed ([`Draft`]). Every operation that changes the disk
//! passes a [`Gate`] first. The real gate lets everything through; a test's gate counts, refuses, or stops
//! the world at the n-th operation, which is how crashes and full disks are played.
//!
//! It does not know what it writes.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustix::fs::{FallocateFlags, fallocate};
use rustix::io::{Errno, retry_on_intr};
use thiserror::Error;

/// Ending of every temporary name; the name begins with a dot.
const UNFINISHED: &str = ".making";

/// One operation on the disk. All but reading change it, and are asked for at the [`Gate`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Op {
    /// Make a folder.
    MakeFolder,
    /// Create a temporary file.
    Create,
    /// Set space aside.
    Reserve,
    /// Write bytes.
    Write,
    /// Read what was written.
    Read,
    /// Flush a file.
    Sync,
    /// Rename into place.
    Rename,
    /// Flush a folder.
    SyncFolder,
    /// Remove a file.
    Remove,
    /// Commit a catalogue transaction.
    Commit,
}

impl Op {
    fn word(self) -> &'static str {
        match self {
            Self::MakeFolder => "make the folder",
            Self::Create => "create",
            Self::Reserve => "set space aside",
            Self::Write => "write",
            Self::Read => "read back",
            Self::Sync => "flush",
            Self::Rename => "rename into place",
            Self::SyncFolder => "flush the folder",
            Self::Remove => "remove",
            Self::Commit => "commit",
        }
    }
}

/// An operation failed.
#[derive(Debug, Error)]
#[error("{}: could not {}: {source}", path.display(), op.word())]
pub struct PublishError {
    /// What was tried.
    pub op: Op,
    /// On what.
    pub path: PathBuf,
    /// Why it failed.
    pub source: io::Error,
}

impl PublishError {
    /// True where space, permission or the device is to blame and trying later may help.
    pub fn is_passing(&self) -> bool {
        !matches!(
            self.source.kind(),
            io::ErrorKind::InvalidInput | io::ErrorKind::InvalidFilename
        )
    }
}

/// Asked before every operation that changes the disk, and told after it. An error stands in for the
/// operation's own.
pub trait Gate: Send + Sync {
    /// May `op` on `path` go ahead?
    ///
    /// # Errors
    /// Whatever the operation shall fail with.
    fn pass(&self, op: Op, path: &Path) -> io::Result<()>;

    /// The operation went ahead and has ended, well or not.
    fn done(&self, _: Op, _: &Path) {}
}

struct Open;

impl Gate for Open {
    fn pass(&self, _: Op, _: &Path) -> io::Result<()> {
        Ok(())
    }
}

/// The way to the disk.
#[derive(Clone)]
pub struct Disk {
    gate: Arc<dyn Gate>,
    /// Folders that are never made.
    roots: Arc<[PathBuf]>,
}

impl Default for Disk {
    fn default() -> Self {
        Self::gated(Arc::new(Open))
    }
}

impl Disk {
    /// A disk whose operations pass this gate.
    pub fn gated(gate: Arc<dyn Gate>) -> Self {
        Self {
            gate,
            roots: Arc::default(),
        }
    }

    /// The same way, by which these folders are never made. One that was there and is not has gone with
    /// the disk that held it: what is made in its place would lie on another.
    #[must_use]
    pub fn never_making(&self, roots: impl IntoIterator<Item = PathBuf>) -> Self {
        Self {
            gate: self.gate.clone(),
            roots: roots.into_iter().collect(),
        }
    }

    fn run<T>(
        &self,
        op: Op,
        path: &Path,
        act: impl FnOnce() -> io::Result<T>,
    ) -> Result<T, PublishError> {
        let acted = || {
            let result = act();
            self.gate.done(op, path);
            result
        };
        self.gate
            .pass(op, path)
            .and_then(|()| acted())
            .map_err(|source| PublishError {
                op,
                path: path.to_owned(),
                source,
            })
    }

    /// Begins a file that will be called `target`. Its folder is made where it is missing.
    ///
    /// # Errors
    /// When the folder or the temporary file cannot be made.
    pub fn draft(&self, target: &Path) -> Result<Draft, PublishError> {
        let folder = target.parent().unwrap_or(Path::new("."));
        self.make_folder(folder)?;
        let mut name = OsString::from(".");
        name.push(target.file_name().unwrap_or_default());
        name.push(UNFINISHED);
        let temporary = folder.join(name);
        let file = self.run(Op::Create, &temporary, || {
            OpenOptions::new()
                .read(true)
                .write(true)
                .create(true)
                .truncate(true)
                .open(&temporary)
        })?;
        Ok(Draft {
            disk: self.clone(),
            file,
            temporary,
            target: target.to_owned(),
            published: false,
        })
    }

    /// Writes a whole file at once: temporary name, flush, rename, flush.
    ///
    /// # Errors
    /// When any of these fails; nothing is visible then.
    pub fn publish(&self, target: &Path, bytes: &[u8]) -> Result<(), PublishError> {
        let draft = self.draft(target)?;
        draft.write_at(0, bytes)?;
        draft.publish()
    }

    /// Makes a folder and its parents, flushing the parent of each that is new.
    ///
    /// # Errors
    /// When one cannot be made, or is one of those that never are.
    pub fn make_folder(&self, folder: &Path) -> Result<(), PublishError> {
        if folder.is_dir() {
            return Ok(());
        }
        if self.roots.iter().any(|root| root == folder) {
            return Err(PublishError {
                op: Op::MakeFolder,
                path: folder.to_owned(),
                source: io::Error::new(io::ErrorKind::NotFound, "it is not there any more"),
            });
        }
        if let Some(parent) = folder
            .parent()
            .filter(|parent| !parent.as_os_str().is_empty())
        {
            self.make_folder(parent)?;
        }
        self.run(Op::MakeFolder, folder, || match fs::create_dir(folder) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => Ok(()),
            other => other,
        })?;
        match folder.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => self.sync_folder(parent),
            _ => Ok(()),
        }
    }

    /// Removes a file; one that is gone already is no error.
    ///
    /// # Errors
    /// When it is there and cannot be removed.
    pub fn remove(&self, path: &Path) -> Result<(), PublishError> {
        self.run(Op::Remove, path, || match fs::remove_file(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        })
    }

    /// Removes what a killed process left under temporary names below `folder`. Symbolic links are not
    /// followed.
    ///
    /// # Errors
    /// When something that should go cannot be removed.
    pub fn sweep(&self, folder: &Path) -> Result<(), PublishError> {
        let Ok(entries) = fs::read_dir(folder) else {
            return Ok(());
        };
        for entry in entries.flatten() {
            let path = entry.path();
            let name = entry.file_name();
            let name = name.as_encoded_bytes();
            match entry.file_type() {
                Ok(kind) if kind.is_dir() => self.sweep(&path)?,
                Ok(kind)
                    if kind.is_file()
                        && name.starts_with(b".")
                        && name.ends_with(UNFINISHED.as_bytes()) =>
                {
                    self.remove(&path)?;
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Renames a file that cannot be used any more out of the way: `name` becomes
    /// `name.damaged-1`, or the next number that is free. One that is gone already is no error.
    ///
    /// # Errors
    /// When it is there and cannot be renamed.
    pub fn set_aside(&self, path: &Path) -> Result<(), PublishError> {
        let mut number = 1;
        let aside = loop {
            let mut name = path.as_os_str().to_owned();
            name.push(format!(".damaged-{number}"));
            let aside = PathBuf::from(name);
            if !aside.exists() {
                break aside;
            }
            number += 1;
        };
        self.run(Op::Rename, path, || match fs::rename(path, &aside) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        })
    }

    /// Lets a catalogue transaction pass the gate before it commits.
    ///
    /// # Errors
    /// What the gate says.
    pub fn allow_commit(&self, catalogue: &Path) -> Result<(), PublishError> {
        self.run(Op::Commit, catalogue, || Ok(()))
    }

    fn sync_folder(&self, folder: &Path) -> Result<(), PublishError> {
        self.run(Op::SyncFolder, folder, || File::open(folder)?.sync_all())
    }
}

/// A file on its way: invisible until [`Draft::publish`], gone when dropped before.
pub struct Draft {
    disk: Disk,
    file: File,
    temporary: PathBuf,
    target: PathBuf,
    published: bool,
}

impl Draft {
    /// The name it will have.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Sets aside the space that the file will take. A full disk shows before the work is done, and writes are
    /// faster by half: the system need not look for a place at each. Where the file system cannot, it is left
    /// out; what is wrong with it then shows at the first write.
    ///
    /// # Errors
    /// When there is no such space.
    pub fn reserve(&self, bytes: u64) -> Result<(), PublishError> {
        self.disk.run(Op::Reserve, &self.temporary, || {
            let reserve = || fallocate(&self.file, FallocateFlags::KEEP_SIZE, 0, bytes);
            match retry_on_intr(reserve) {
                Err(full @ (Errno::NOSPC | Errno::DQUOT | Errno::FBIG)) => Err(full.into()),
                _ => Ok(()),
            }
        })
    }

    /// Writes bytes at an offset. May be called from several threads for different places.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write_at(&self, offset: u64, bytes: &[u8]) -> Result<(), PublishError> {
        self.disk.run(Op::Write, &self.temporary, || {
            self.file.write_all_at(bytes, offset)
        })
    }

    /// Reads bytes that were written.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn read_at(&self, offset: u64, bytes: &mut [u8]) -> Result<(), PublishError> {
        let read = self.file.read_exact_at(bytes, offset);
        read.map_err(|source| PublishError {
            op: Op::Read,
            path: self.temporary.clone(),
            source,
        })
    }

    /// Flushes what is written so far, so that less is left for the end.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn flush(&self) -> Result<(), PublishError> {
        self.disk
            .run(Op::Sync, &self.temporary, || self.file.sync_data())
    }

    /// Flushes, renames into place and flushes the folder. An older file of that name is replaced.
    ///
    /// # Errors
    /// When any of these fails; the target is untouched or complete, never in between.
    pub fn publish(mut self) -> Result<(), PublishError> {
        self.disk
            .run(Op::Sync, &self.temporary, || self.file.sync_all())?;
        self.disk.run(Op::Rename, &self.target, || {
            fs::rename(&self.temporary, &self.target)
        })?;
        self.published = true;
        match self.target.parent() {
            Some(folder) => self.disk.sync_folder(folder),
            None => Ok(()),
        }
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        if !self.published {
            // Best effort: a sweep at the next start takes what stays.
            let _ = self.disk.remove(&self.temporary);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    /// Space that was set aside shows nowhere in the file.
    #[test]
    fn a_file_holds_what_was_written_whatever_was_set_aside() {
        let scratch = tempfile::tempdir().unwrap();
        for space in [1, 5, 100_000] {
            let path = scratch.path().join("product.fits");
            let draft = Disk::default().draft(&path).unwrap();
            draft.reserve(space).unwrap();
            draft.write_at(0, b"bytes").unwrap();
            draft.publish().unwrap();
            assert_eq!(fs::read(&path).unwrap(), b"bytes", "{space}");
        }
        let draft = Disk::default().draft(&scratch.path().join("huge")).unwrap();
        let refused = draft.reserve(1 << 62).unwrap_err();
        assert!(
            refused.to_string().contains("could not set space aside"),
            "{refused}"
        );
        drop(draft);
        assert_eq!(fs::read_dir(scratch.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_that_went_with_its_disk_is_not_made_anew() {
        let scratch = tempfile::tempdir().unwrap();
        let root = scratch.path().join("products");
        let disk = Disk::default();
        disk.make_folder(&root).unwrap();
        let disk = disk.never_making([root.clone()]);
        let product = root.join("masters/bias/bias.fits");
        disk.publish(&product, b"bytes").unwrap();
        fs::remove_dir_all(&root).unwrap();
        let refused = disk.publish(&product, b"bytes").unwrap_err();
        assert!(refused.is_passing(), "{refused}");
        assert_eq!((refused.op, refused.path), (Op::MakeFolder, root.clone()));
        assert!(!root.exists());
    }
}
