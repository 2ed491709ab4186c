//! Decoding compressed files at arm's length.
//!
//! The decoder runs as a child of our own program, with the file as its standard input and a
//! scratch file as its standard output. The scratch file has no name by the time the child
//! starts, so nothing is left behind whatever happens. The child's end is all the parent learns:
//! exit 0 decoded, 1 refused, 3 broken off, a crash of its own making poisoned, anything else the
//! system's fault.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read};
use std::ops::Range;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};

use rustix::process::Signal;

use crate::facts::Refusal;

use super::gate::Opened;
use super::{Cut, FitsError};

/// Exit status of the child: the file is at fault.
pub(super) const REFUSED: u8 = 1;
/// Exit status of the child: the system is at fault.
pub(super) const TROUBLE: u8 = 2;
/// Exit status of the child: the gzip stream ends too early.
pub(super) const BROKEN_OFF: u8 = 3;
/// Exit status of a Rust program that panicked.
const PANICKED: i32 = 101;
/// The longest message taken from the child, bytes.
const MESSAGE_LIMIT: u64 = 2000;

/// Decodes compressed files in a re-executed child with resource limits.
#[derive(Debug)]
pub struct Unpacker {
    program: PathBuf,
    scratch: PathBuf,
    counter: AtomicU64,
}

impl Unpacker {
    /// An unpacker that calls `program unpack` and puts scratch files into the folder `scratch`,
    /// which is made when it is first needed.
    pub fn new(program: PathBuf, scratch: PathBuf) -> Self {
        Self {
            program,
            scratch,
            counter: AtomicU64::new(0),
        }
    }

    /// The file with one layer of compression taken off, as a nameless scratch file. Of an image in
    /// tiles only these rows are decoded, all where none is named; the others are zero.
    pub(super) fn unpack(
        &self,
        packed: Opened,
        rows: &[Range<usize>],
    ) -> Result<Opened, FitsError> {
        let Opened { file, path, size } = packed;
        let scratch = self.scratch_file()?;
        let output = scratch
            .try_clone()
            .map_err(FitsError::io("make a scratch file for", &path))?;
        let mut child = Command::new(&self.program)
            .arg("unpack")
            .args(rows.iter().map(|rows| format!("{rows:?}")))
            .stdin(Stdio::from(file))
            .stdout(Stdio::from(output))
            .stderr(Stdio::piped())
            .spawn()
            .map_err(FitsError::io("start the decoder", &self.program))?;
        let mut message = Vec::new();
        if let Some(mut pipe) = child.stderr.take() {
            // What cannot be read of the message is left out; the pipe is drained so that the
            // child never waits for us.
            let _ = pipe.by_ref().take(MESSAGE_LIMIT).read_to_end(&mut message);
            let _ = io::copy(&mut pipe, &mut io::sink());
        }
        let status = child
            .wait()
            .map_err(FitsError::io("wait for the decoder of", &path))?;
        let message = String::from_utf8_lossy(&message).trim().to_owned();
        judge(status, message, &path, size)?;
        Opened::new(scratch, &path)
    }

    /// A new file in the scratch folder that has lost its name already.
    fn scratch_file(&self) -> Result<File, FitsError> {
        let failed = FitsError::io("make a scratch file in", &self.scratch);
        let make = || {
            fs::create_dir_all(&self.scratch)?;
            loop {
                let number = self.counter.fetch_add(1, Ordering::Relaxed);
                let name = format!("unpacked-{}-{number}", std::process::id());
                let path = self.scratch.join(name);
                let file = OpenOptions::new()
                    .read(true)
                    .write(true)
                    .create_new(true)
                    .open(&path);
                match file {
                    // Left by a process of the same number that was killed in between.
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                    Err(error) => return Err(error),
                    Ok(file) => {
                        fs::remove_file(&path)?;
                        return Ok(file);
                    }
                }
            }
        };
        make().map_err(failed)
    }
}

/// What the child's end says about the file.
fn judge(status: ExitStatus, message: String, path: &Path, size: u64) -> Result<(), FitsError> {
    let trouble = |what: String| {
        let source = io::Error::other(if message.is_empty() {
            what
        } else {
            format!("{what}: {message}")
        });
        Err(FitsError::io("decode", path)(source))
    };
    let refused = |why| Err(FitsError::Refused(why));
    if let Some(code) = status.code() {
        return match u8::try_from(code) {
            Ok(0) => Ok(()),
            Ok(REFUSED) => refused(Refusal::Unreadable(message)),
            Ok(BROKEN_OFF) => Err(FitsError::Short {
                has: size,
                needs: size + 1,
                cut: Cut::Gzip,
            }),
            _ if code == PANICKED => refused(Refusal::Unreadable("the decoder gave up".into())),
            _ => trouble(format!("the decoder ended with status {code}")),
        };
    }
    let signal = status.signal().unwrap_or_default();
    let fatal = [
        (Signal::SEGV, "SIGSEGV"),
        (Signal::BUS, "SIGBUS"),
        (Signal::ABORT, "SIGABRT"),
    ];
    // Of its own making too, and the same the next time, but no damage done.
    let own = [
        (Signal::FPE, "the decoder divided by zero"),
        (Signal::ILL, "the decoder gave up"),
        (Signal::XCPU, "decoding takes too much processor time"),
        (Signal::XFSZ, "it is too large unpacked"),
    ];
    let named = |names: &[(Signal, &'static str)]| {
        names
            .iter()
            .find(|(known, _)| known.as_raw() == signal)
            .map(|(_, name)| *name)
    };
    if let Some(name) = named(&fatal) {
        return refused(Refusal::Poisoned(name.to_owned()));
    }
    if let Some(why) = named(&own) {
        return refused(Refusal::Unreadable(why.to_owned()));
    }
    trouble(format!("signal {signal} ended the decoder"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn end(raw: i32) -> Result<(), FitsError> {
        judge(
            ExitStatus::from_raw(raw),
            "why".into(),
            Path::new("a.fits"),
            7,
        )
    }

    /// Wait statuses as wait(2) gives them: exit code in the second byte, signal in the first.
    #[test]
    fn only_fatal_signals_of_its_own_poison() {
        for signal in [11, 7, 6] {
            let error = end(signal).unwrap_err();
            assert!(matches!(error, FitsError::Refused(Refusal::Poisoned(_))));
        }
        for signal in [9, 15, 1, 2] {
            assert!(matches!(end(signal), Err(FitsError::Io { .. })), "{signal}");
        }
        for signal in [8, 4, 24, 25] {
            let error = end(signal).unwrap_err();
            assert!(matches!(error, FitsError::Refused(Refusal::Unreadable(_))));
        }
        assert!(end(0).is_ok());
        let error = end(1 << 8).unwrap_err();
        assert_eq!(error.refusal(), Some(Refusal::Unreadable("why".into())));
        assert!(matches!(end(2 << 8), Err(FitsError::Io { .. })));
        assert!(matches!(end(3 << 8), Err(FitsError::Short { has: 7, .. })));
        assert!(matches!(end(101 << 8), Err(FitsError::Refused(_))));
    }
}
