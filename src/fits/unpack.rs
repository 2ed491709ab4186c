//! Decoding compressed files at arm's length.
//!
//! The decoder runs as a child of our own program, with the file as its standard input and a
//! scratch file as its standard output. The scratch file has no name by the time the child
//! starts, so nothing is left behind whatever happens. The child's end is all the parent learns:
//! exit 0 decoded, 1 refused, 3 broken off, 4 no room for the scratch file, a crash of its own making
//! poisoned, anything else the system's fault.
//!
//! Invariants: signs of life are given while a child is waited for, and one that writes nothing is not
//! waited for longer than a service manager waits for such a sign. How long that takes says nothing of
//! the file, whose share may be slow or stand still: it is tried again. How much processor time it takes
//! does, and the child ends itself for that.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read};
use std::ops::Range;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::process::Signal;

use crate::facts::Refusal;
use crate::publish::{Disk, PublishError};

use super::gate::Opened;
use super::{Cut, FitsError};

/// Exit status of the child: the file is at fault.
pub(super) const REFUSED: u8 = 1;
/// Exit status of the child: the system is at fault.
pub(super) const TROUBLE: u8 = 2;
/// Exit status of the child: the gzip stream ends too early.
pub(super) const BROKEN_OFF: u8 = 3;
/// Exit status of the child: the scratch file could not be written.
pub(super) const UNWRITTEN: u8 = 4;
/// Exit status of a Rust program that panicked.
const PANICKED: i32 = 101;
/// The longest message taken from the child, bytes.
const MESSAGE_LIMIT: usize = 2000;
/// How the name of a scratch file begins; the process and a number follow.
const NAME: &str = "unpacked-";
/// How long a child may write nothing. Well below the watchdog of the service, and above the child's own
/// limit of processor time, which comes first where the file is to blame: who gets here waits for a disk,
/// a share or other programs.
const PATIENCE: Duration = Duration::from_secs(120);
/// While a child is waited for, signs of life are so far apart.
const LOOK: Duration = Duration::from_millis(100);
/// A child that has closed its messages is about to end.
const SOON: Duration = Duration::from_millis(1);
/// How long a child that is killed is waited for. One that does not end even then hangs in the
/// system, and nothing is gained by hanging with it.
const FAREWELL: Duration = Duration::from_secs(5);

/// Decodes compressed files in a re-executed child with resource limits.
pub struct Unpacker {
    program: PathBuf,
    scratch: PathBuf,
    counter: AtomicU64,
    patience: Duration,
    /// What a decoder writes renews the patience.
    is_renewed: bool,
    attend: Box<dyn Fn() -> bool + Send + Sync>,
}

/// How waiting for a child ended.
enum Waited {
    Ended(ExitStatus),
    TooLong,
    Stopped,
}

impl Unpacker {
    /// An unpacker that calls `program unpack` and puts scratch files into the folder `scratch`,
    /// which is made when it is first needed.
    pub fn new(program: PathBuf, scratch: PathBuf) -> Self {
        Self {
            program,
            scratch,
            counter: AtomicU64::new(0),
            patience: PATIENCE,
            is_renewed: true,
            attend: Box::new(|| true),
        }
    }

    /// The same, with another limit of the time in which a decoder may write nothing.
    #[must_use]
    pub fn within(self, patience: Duration) -> Self {
        Self { patience, ..self }
    }

    /// The same, which has that patience for all of a file: for who must not wait for as long as it comes.
    #[must_use]
    pub fn in_all(self) -> Self {
        Self {
            is_renewed: false,
            ..self
        }
    }

    /// The same, which calls `attend` again and again while a decoder is waited for, and gives up
    /// where it says false.
    #[must_use]
    pub fn attended(self, attend: impl Fn() -> bool + Send + Sync + 'static) -> Self {
        Self {
            attend: Box::new(attend),
            ..self
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
        let waited = self.wait(&mut child, &scratch, &mut message);
        if !matches!(waited, Ok(Waited::Ended(_))) {
            end(&mut child);
        }
        let status = match waited.map_err(FitsError::io("wait for the decoder of", &path))? {
            Waited::Ended(status) => status,
            Waited::TooLong => {
                let seconds = self.patience.as_secs_f64();
                let why = match self.is_renewed {
                    true => format!("decoding it stood still for {seconds} s"),
                    false => format!("decoding it took longer than {seconds} s"),
                };
                let source = io::Error::new(io::ErrorKind::TimedOut, why);
                return Err(FitsError::io("decode", &path)(source));
            }
            Waited::Stopped => {
                return Err(FitsError::io("decode", &path)(io::Error::other("stopped")));
            }
        };
        let message = String::from_utf8_lossy(&message).trim().to_owned();
        judge(status, message, &path, size, &self.scratch)?;
        Opened::new(scratch, &path)
    }

    /// Waits for the child's end and takes its message, as far as there is patience: what it writes to
    /// `scratch` may renew that.
    fn wait(&self, child: &mut Child, scratch: &File, message: &mut Vec<u8>) -> io::Result<Waited> {
        let mut pipe = child.stderr.take();
        let mut waited = Duration::ZERO;
        let mut written = scratch.metadata()?.modified()?;
        loop {
            // Added up of what each look waits at least: no clock is needed.
            waited += match &mut pipe {
                Some(open) => match listen(open, message, LOOK)? {
                    Heard::Nothing => LOOK,
                    Heard::Words => SOON,
                    Heard::End => {
                        pipe = None;
                        Duration::ZERO
                    }
                },
                None => {
                    thread::sleep(SOON);
                    SOON
                }
            };
            if let Some(status) = child.try_wait()? {
                // Its last words.
                while let Some(open) = &mut pipe
                    && listen(open, message, Duration::ZERO)? == Heard::Words
                {}
                return Ok(Waited::Ended(status));
            }
            if !(self.attend)() {
                return Ok(Waited::Stopped);
            }
            let last = scratch.metadata()?.modified()?;
            if std::mem::replace(&mut written, last) != last && self.is_renewed {
                waited = Duration::ZERO;
            }
            if waited >= self.patience {
                return Ok(Waited::TooLong);
            }
        }
    }

    /// A new file in the scratch folder that has lost its name already.
    fn scratch_file(&self) -> Result<File, FitsError> {
        let make = || {
            // Not the folder around it: where that is gone its disk is.
            match fs::create_dir(&self.scratch) {
                Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
                _ => {}
            }
            loop {
                let number = self.counter.fetch_add(1, Ordering::Relaxed);
                let name = format!("{NAME}{}-{number}", std::process::id());
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
                        return match fs::remove_file(&path) {
                            // Whoever starts beside us has swept it away.
                            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
                            _ => Ok(file),
                        };
                    }
                }
            }
        };
        make().map_err(|source| match Errno::from_io_error(&source) {
            // No disk is to blame, and it may be over in a moment.
            Some(Errno::MFILE | Errno::NFILE | Errno::NOMEM) => {
                FitsError::io("make a scratch file in", &self.scratch)(source)
            }
            _ => FitsError::Scratch {
                folder: self.scratch.clone(),
                source,
            },
        })
    }
}

/// Removes from the folder `scratch` what processes left that were killed before they could take a
/// scratch file's name away. Nothing else is touched.
///
/// # Errors
/// When something that should go cannot be removed.
pub fn sweep(scratch: &Path, disk: &Disk) -> Result<(), PublishError> {
    let Ok(entries) = fs::read_dir(scratch) else {
        return Ok(());
    };
    let is_file = |entry: &fs::DirEntry| entry.file_type().is_ok_and(|kind| kind.is_file());
    let mut ours = entries
        .flatten()
        .filter(|entry| is_file(entry) && entry.file_name().to_str().is_some_and(is_ours));
    ours.try_for_each(|entry| disk.remove(&entry.path()))
}

fn is_ours(name: &str) -> bool {
    let numbers = name
        .strip_prefix(NAME)
        .and_then(|rest| rest.split_once('-'));
    let is_number = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    numbers.is_some_and(|(process, number)| is_number(process) && is_number(number))
}

/// What came of listening to a child.
#[derive(PartialEq, Eq)]
enum Heard {
    Words,
    Nothing,
    End,
}

/// Reads some of what the child says, if it says anything within this time. The message is cut where
/// it is too long; what follows is read all the same, so that the child never waits for us.
fn listen(pipe: &mut ChildStderr, message: &mut Vec<u8>, wait: Duration) -> io::Result<Heard> {
    let wait = Timespec::try_from(wait).map_err(io::Error::other)?;
    let mut ready = [PollFd::new(pipe, PollFlags::IN)];
    match poll(&mut ready, Some(&wait)) {
        Ok(0) | Err(Errno::INTR) => return Ok(Heard::Nothing),
        Ok(_) => {}
        Err(error) => return Err(error.into()),
    }
    let mut buffer = [0; MESSAGE_LIMIT];
    let count = match pipe.read(&mut buffer) {
        Ok(0) => return Ok(Heard::End),
        Ok(count) => count,
        Err(error) if error.kind() == io::ErrorKind::Interrupted => return Ok(Heard::Nothing),
        Err(error) => return Err(error),
    };
    let room = MESSAGE_LIMIT.saturating_sub(message.len());
    message.extend_from_slice(&buffer[..count.min(room)]);
    Ok(Heard::Words)
}

/// Kills a child.
fn end(child: &mut Child) {
    // One that has ended meanwhile cannot be killed.
    let _ = child.kill();
    let mut waited = Duration::ZERO;
    while matches!(child.try_wait(), Ok(None)) && waited < FAREWELL {
        thread::sleep(SOON);
        waited += SOON;
    }
}

/// What the child's end says about the file.
fn judge(
    status: ExitStatus,
    message: String,
    path: &Path,
    size: u64,
    scratch: &Path,
) -> Result<(), FitsError> {
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
            Ok(UNWRITTEN) => Err(FitsError::Scratch {
                folder: scratch.to_owned(),
                source: io::Error::other(message),
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

    use super::super::child::{TIME_LIMIT, TIME_TO_END};
    use super::*;

    /// However often signs of life are given, a child that hangs must be gone before its parent is
    /// killed for it: the file would hang the next process too.
    #[test]
    fn a_child_is_given_up_long_before_the_watchdog_bites() {
        for unit in [
            "deploy/dawnledger.service",
            "deploy/user/dawnledger.service",
        ] {
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(unit);
            let text = fs::read_to_string(path).unwrap();
            let mut lines = text.lines();
            let watchdog = lines.find_map(|line| line.strip_prefix("WatchdogSec="));
            let watchdog = Duration::from_secs(watchdog.unwrap().parse().unwrap());
            assert!(PATIENCE + FAREWELL <= watchdog * 3 / 4, "{unit}");
        }
        assert!(Duration::from_secs(TIME_LIMIT + TIME_TO_END) < PATIENCE);
        assert!(LOOK * 100 <= PATIENCE);
    }

    #[test]
    fn what_a_killed_process_left_is_swept_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let others = [
            "unpacked-1",
            "unpacked-1-",
            "unpacked--2",
            "unpacked-1-2.fits",
            "unpacked-1-2-3",
            "an-unpacked-1-2",
            "light.fits",
        ];
        for name in others.iter().chain(&["unpacked-1-2", "unpacked-4194304-0"]) {
            fs::write(folder.path().join(name), "left").unwrap();
        }
        // A folder of such a name is none of ours either.
        fs::create_dir(folder.path().join("unpacked-7-7")).unwrap();
        sweep(folder.path(), &Disk::default()).unwrap();
        let left = fs::read_dir(folder.path()).unwrap();
        let left = left.map(|entry| entry.unwrap().file_name().into_string().unwrap());
        let mut left: Vec<String> = left.collect();
        left.sort();
        let mut wanted = [&others[..], &["unpacked-7-7"]].concat();
        wanted.sort_unstable();
        assert_eq!(left, wanted);
        sweep(&folder.path().join("not-there"), &Disk::default()).unwrap();
    }

    fn ended(raw: i32) -> Result<(), FitsError> {
        judge(
            ExitStatus::from_raw(raw),
            "why".into(),
            Path::new("a.fits"),
            7,
            Path::new("scratch"),
        )
    }

    /// Wait statuses as wait(2) gives them: exit code in the second byte, signal in the first.
    #[test]
    fn only_fatal_signals_of_its_own_poison() {
        for signal in [11, 7, 6] {
            let error = ended(signal).unwrap_err();
            assert!(matches!(error, FitsError::Refused(Refusal::Poisoned(_))));
        }
        for signal in [9, 15, 1, 2] {
            assert!(
                matches!(ended(signal), Err(FitsError::Io { .. })),
                "{signal}"
            );
        }
        for signal in [8, 4, 24, 25] {
            let error = ended(signal).unwrap_err();
            assert!(matches!(error, FitsError::Refused(Refusal::Unreadable(_))));
        }
        assert!(ended(0).is_ok());
        let error = ended(1 << 8).unwrap_err();
        assert_eq!(error.refusal(), Some(Refusal::Unreadable("why".into())));
        assert!(matches!(ended(2 << 8), Err(FitsError::Io { .. })));
        assert!(matches!(
            ended(3 << 8),
            Err(FitsError::Short { has: 7, .. })
        ));
        let error = ended(4 << 8).unwrap_err();
        assert_eq!(
            error.to_string(),
            "scratch: could not write a scratch file: why"
        );
        assert_eq!(error.refusal(), None);
        assert!(matches!(ended(101 << 8), Err(FitsError::Refused(_))));
    }
}
