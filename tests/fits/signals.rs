//! What the end of the decoder's process says of the file it was decoding: signals sent to the real
//! one, in the middle of its work.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use dawnledger::facts::Refusal;
use dawnledger::fits::{FitsError, Source, Unpacker};
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

use super::{data, gzip, open, saved};

/// The largest file that a decoder may write, bytes: the last but one of the limits that it sets.
const LARGEST: &str = "2147486528";

/// A file that takes long to inflate: 2 GiB of zeros, in one member after the other.
fn endless(folder: &TempDir, name: &str) -> PathBuf {
    saved(folder, name, &gzip(&vec![0; 16 << 20]).repeat(127))
}

/// The decoder of this file, once it is at work: its limits are set.
fn decoder(file: &Path) -> Option<Pid> {
    let entries = fs::read_dir("/proc").unwrap().flatten();
    let numbers = entries.filter_map(|entry| entry.file_name().to_str()?.parse::<i32>().ok());
    numbers.filter_map(Pid::from_raw).find(|pid| {
        let about = Path::new("/proc").join(pid.to_string());
        if !fs::read_link(about.join("fd/0")).is_ok_and(|input| input == file) {
            return false;
        }
        let limits = fs::read_to_string(about.join("limits")).unwrap_or_default();
        limits.lines().any(|line| {
            let mut words = line.split_whitespace().rev();
            line.starts_with("Max file size") && words.nth(2) == Some(LARGEST)
        })
    })
}

/// Opens the file while its decoder is sent a signal, again and again until it has ended: Rust looks
/// at a first SIGSEGV or SIGBUS for a stack that overflowed, and lets a fault that was real happen again.
fn struck(file: &Path, signal: Signal) -> FitsError {
    let done = AtomicBool::new(false);
    thread::scope(|scope| {
        scope.spawn(|| {
            while !done.load(Ordering::Relaxed) {
                if let Some(pid) = decoder(file) {
                    let _ = kill_process(pid, signal);
                }
                thread::sleep(Duration::from_millis(1));
            }
        });
        let opened = open(file);
        done.store(true, Ordering::Relaxed);
        opened.expect_err("the decoder was struck")
    })
}

/// True of a signal that a decoder does not feel, since these tests were started so: shells let what
/// they put into the background ignore SIGINT.
fn is_ignored(signal: Signal) -> bool {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = u64::from_str_radix(mask.unwrap().trim(), 16).unwrap();
    mask >> (signal.as_raw() - 1) & 1 == 1
}

#[test]
fn only_a_crash_poisons_and_a_kill_says_nothing_of_the_file() {
    let folder = TempDir::new().unwrap();
    let file = endless(&folder, "long.fits.gz");
    let poison = [
        (Signal::SEGV, "SIGSEGV"),
        (Signal::BUS, "SIGBUS"),
        (Signal::ABORT, "SIGABRT"),
    ];
    for (signal, name) in poison {
        let refusal = struck(&file, signal).refusal();
        assert_eq!(refusal, Some(Refusal::Poisoned(name.to_owned())));
    }
    // Out of memory, the daemon stopped, a person: the file is tried again.
    let others = [Signal::KILL, Signal::TERM, Signal::INT, Signal::HUP];
    for signal in others.into_iter().filter(|&signal| !is_ignored(signal)) {
        let error = struck(&file, signal);
        assert!(
            matches!(error, FitsError::Io { op: "decode", .. }),
            "{error}"
        );
        assert_eq!(error.refusal(), None, "{signal:?}");
    }
    // Its own limits: no poison, yet the same the next time.
    for signal in [Signal::XCPU, Signal::XFSZ] {
        let refusal = struck(&file, signal).refusal();
        assert!(
            matches!(refusal, Some(Refusal::Unreadable(_))),
            "{refusal:?}"
        );
    }
}

/// At its soft limit a process gets SIGXCPU, at its hard one SIGKILL: were they the same, a file that
/// takes for ever to decode would look like a decoder that somebody killed, and be tried for ever.
#[test]
fn a_decoder_at_the_end_of_its_time_says_so() {
    let folder = TempDir::new().unwrap();
    let file = endless(&folder, "long.fits.gz");
    let output = fs::File::create(folder.path().join("out")).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_dawnledger"))
        .arg("unpack")
        .stdin(fs::File::open(&file).unwrap())
        .stdout(output)
        .spawn()
        .unwrap();
    let limits = loop {
        if decoder(&file).is_some() {
            break fs::read_to_string(format!("/proc/{}/limits", child.id())).unwrap();
        }
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended before its time"
        );
        thread::sleep(Duration::from_millis(1));
    };
    child.kill().unwrap();
    child.wait().unwrap();
    let limit = |name: &str| {
        let line = limits.lines().find_map(|line| line.strip_prefix(name));
        let words: Vec<String> = line
            .unwrap()
            .split_whitespace()
            .map(str::to_owned)
            .collect();
        (words[0].clone(), words[1].clone())
    };
    assert_eq!(limit("Max cpu time"), ("100".into(), "110".into()));
    assert_eq!(limit("Max address space").0, (4_u64 << 30).to_string());
    assert_eq!(limit("Max file size").0, LARGEST);
}

/// A disk that is full says nothing of the file.
#[test]
fn a_scratch_file_that_cannot_be_written_is_no_fault_of_the_file() {
    let folder = TempDir::new().unwrap();
    let file = saved(
        &folder,
        "a.fits.gz",
        &gzip(&fs::read(data("m13.fits")).unwrap()),
    );
    let child = Command::new(env!("CARGO_BIN_EXE_dawnledger"))
        .arg("unpack")
        .stdin(fs::File::open(&file).unwrap())
        .stdout(fs::File::options().write(true).open("/dev/full").unwrap())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&child.stderr);
    assert_eq!(child.status.code(), Some(4), "{said}");
    assert!(said.starts_with("No space left on device"), "{said}");
    let in_the_way = saved(&folder, "scratch", b"a file");
    let unpacker = Unpacker::new(env!("CARGO_BIN_EXE_dawnledger").into(), in_the_way.clone());
    let error = Source::open(&file, &unpacker).expect_err("no folder for it");
    assert!(
        matches!(&error, FitsError::Scratch { folder, .. } if *folder == in_the_way),
        "{error}"
    );
    assert_eq!(error.refusal(), None);
}

/// A decoder that never ends and says nothing.
fn hanging(folder: &TempDir) -> Unpacker {
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fits/never");
    Unpacker::new(program, folder.path().join("scratch"))
}

#[test]
fn a_decoder_that_stands_still_is_given_up_for_now_and_signs_of_life_are_given_meanwhile() {
    let folder = TempDir::new().unwrap();
    let signs = Arc::new(AtomicUsize::new(0));
    let given = signs.clone();
    let unpacker = hanging(&folder)
        .within(Duration::from_millis(250))
        .attended(move || {
            given.fetch_add(1, Ordering::Relaxed);
            true
        });
    let error = Source::open(&data("m13_rice.fits"), &unpacker).expect_err("it never ends");
    assert!(
        error
            .to_string()
            .ends_with("decoding it stood still for 0.25 s"),
        "{error}"
    );
    assert_eq!(error.refusal(), None, "a share may be slow, or stand still");
    assert!(signs.load(Ordering::Relaxed) > 0);
}

/// What comes in over a slow share is waited for as long as it comes: here for longer than there is
/// patience. Who has it for the whole file alone gives up.
#[test]
fn a_decoder_that_is_slow_but_writes_is_waited_for() {
    let folder = TempDir::new().unwrap();
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fits/slow");
    let plain = fs::read(data("m13.fits")).unwrap();
    let file = saved(&folder, "m13.fits.gz", &gzip(&plain));
    let unpacker = || {
        let unpacker = Unpacker::new(program.clone(), folder.path().join("scratch"));
        unpacker.within(Duration::from_secs(3))
    };
    let error = Source::open(&file, &unpacker().in_all()).expect_err("it takes longer");
    assert!(
        error
            .to_string()
            .ends_with("decoding it took longer than 3 s"),
        "{error}"
    );
    let unpacker = unpacker();
    let source = Source::open(&file, &unpacker).unwrap();
    let (width, height) = (source.width(), source.height());
    assert_eq!((width, height), (300, 300));
    let mut pixels = vec![0.0; width * height];
    source.rows_f32(0, height, &mut pixels).unwrap();
    let known = open(&data("m13.fits")).unwrap();
    let mut wanted = vec![0.0; width * height];
    known.rows_f32(0, height, &mut wanted).unwrap();
    assert_eq!(pixels, wanted);
}

#[test]
fn told_to_stop_nobody_waits_for_a_decoder_and_nothing_is_said_of_the_file() {
    let folder = TempDir::new().unwrap();
    let unpacker = hanging(&folder).attended(|| false);
    let error = Source::open(&data("m13_rice.fits"), &unpacker).expect_err("it never ends");
    assert!(matches!(error, FitsError::Io { .. }), "{error}");
    assert_eq!(error.refusal(), None);
}
