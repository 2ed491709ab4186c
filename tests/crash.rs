//! Stopped at every disk operation in turn, killed at any moment, out of space: started again, the
//! program ends with the same bytes, and nothing half-written is ever seen.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod observatory;

#[path = "crash/damage.rs"]
mod damage;

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use dawnledger::config;
use dawnledger::daemon::{CATALOGUE, DaemonError, Mode, Outcome, start};
use dawnledger::facts::{Settings, Snapshot};
use dawnledger::publish::{Disk, Gate, Op};
use flate2::Compression;
use flate2::write::GzEncoder;
use jiff::Timestamp;
use observatory::{Observatory, PROGRAM, assert_same, files, program, tree};
use rustix::io::Errno;

const PROFILE: &str = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 3}
  dark: {rule: never}
  flat-dark: {rule: never}
  flat: {rule: required, min_frames: 3}
";

/// The smallest night in which everything happens: three masters deep, lights that are calibrated,
/// a light that waits, a file that is refused.
fn small() -> Observatory {
    let here = Observatory::new(&[("north-pier", PROFILE)], "threads: 1");
    here.shoot(
        "rigs:
  - camera: Petrel 26M
    sensor: {width: 32, height: 24}
    filters: [{name: Ha}, {name: OIII}]
    targets: [{name: Veil Nebula, stars: 3}]
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 3}
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 3}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 2}
      - {kind: light, filter: OIII, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T22:00:00Z', count: 1}
strays: [{path: not-really.fits, at: '2026-09-05T22:30:00Z', text: a text}]
",
    );
    here
}

fn settings(here: &Observatory) -> Arc<Settings> {
    let path = here.settings();
    let draft = config::parse_settings(&fs::read_to_string(&path).unwrap(), &path).unwrap();
    let profiles = draft.profile_paths().to_vec().into_iter().map(|path| {
        let text = fs::read_to_string(&path).unwrap();
        (path.clone(), config::parse_profile(&text, &path).unwrap())
    });
    let profiles = profiles.collect();
    Arc::new(draft.complete(profiles).unwrap())
}

fn once(here: &Observatory, gate: Arc<dyn Gate>) -> Result<Outcome, DaemonError> {
    start(
        settings(here),
        Disk::gated(gate),
        PROGRAM.into(),
        Mode::Once,
    )
}

/// One test at a time: a process that is started inherits, until it is another program, the locks
/// that the loop of a test beside it holds.
fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Counts operations and, from a given one on, refuses: all of them, as if the process had died,
/// or just this one.
struct Counting {
    count: AtomicUsize,
    refused: usize,
    for_ever: bool,
    error: fn() -> io::Error,
    /// A write that is refused leaves something behind.
    torn: bool,
}

impl Counting {
    fn new(refused: usize, for_ever: bool, error: fn() -> io::Error) -> Arc<Self> {
        Arc::new(Self {
            count: AtomicUsize::new(0),
            refused,
            for_ever,
            error,
            torn: false,
        })
    }

    /// Dies in the middle of the write that has this number.
    fn torn(number: usize) -> Arc<Self> {
        let died = || io::Error::other("the process has died");
        let mut gate = Self::new(number, true, died);
        Arc::get_mut(&mut gate).unwrap().torn = true;
        gate
    }

    fn open() -> Arc<Self> {
        Self::new(usize::MAX, false, || io::Error::other("never"))
    }

    fn counted(&self) -> usize {
        self.count.load(Ordering::SeqCst)
    }
}

impl Gate for Counting {
    fn pass(&self, op: Op, path: &Path) -> io::Result<()> {
        let number = self.count.fetch_add(1, Ordering::SeqCst) + 1;
        let refuse = if self.for_ever {
            number >= self.refused
        } else {
            number == self.refused
        };
        if self.torn && number == self.refused && op == Op::Write {
            let mut file = OpenOptions::new().append(true).open(path)?;
            file.write_all(b"half a line, and then")?;
        }
        if refuse { Err((self.error)()) } else { Ok(()) }
    }
}

/// What the catalogue knows, without the moments at which it learnt it.
fn meaning(here: &Observatory) -> Snapshot {
    let path = here.path("state").join(CATALOGUE);
    let mut snapshot = dawnledger::catalogue::Catalogue::open_reading(&path)
        .unwrap()
        .snapshot()
        .unwrap();
    for entry in &mut snapshot.entries {
        entry.arrived = Timestamp::UNIX_EPOCH;
        // Another observatory's copy of the file has inodes and times of its own.
        entry.stamp.inode = 0;
        entry.stamp.ctime_ns = 0;
    }
    snapshot
}

/// All that may lie in the state folder when nobody works there.
const STATE: [&str; 5] = [
    "catalogue.sqlite",
    "catalogue.sqlite-journal",
    "catalogue.sqlite-shm",
    "catalogue.sqlite-wal",
    "status.json",
];

/// No file under a temporary name among the products, and none that is not known in the state folder.
fn assert_no_leftovers(here: &Observatory, when: &str) {
    let state = here.path("state");
    let unknown = files(&state).into_iter().filter(|path| {
        let name = path.strip_prefix(&state).unwrap();
        let name = name.to_str().unwrap();
        // What was set aside is for a person to look at.
        let name = name.split_once(".damaged-").map_or(name, |(name, _)| name);
        !STATE.contains(&name)
    });
    let unknown: Vec<_> = unknown.collect();
    assert!(unknown.is_empty(), "{when}: left behind {unknown:?}");
    let hidden = |path: &Path| {
        path.file_name()
            .unwrap()
            .as_encoded_bytes()
            .starts_with(b".")
    };
    let left: Vec<_> = files(&here.products())
        .into_iter()
        .filter(|path| hidden(path))
        .collect();
    assert!(left.is_empty(), "{when}: left behind {left:?}");
}

/// Nothing that can be seen is half a product: every visible FITS file has true checksums.
fn assert_whole(folder: &Path, when: &str) {
    for path in files(folder) {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name.ends_with(".fits") && !name.starts_with('.') {
            let holds = dawnledger::fits::checksums_hold(&path).unwrap();
            assert_eq!(holds, Some(true), "{when}: {}", path.display());
        }
    }
}

fn each_operation(gate_at: impl Fn(usize) -> Arc<Counting>) {
    let _alone = alone();
    let calm = small();
    let gate = Counting::open();
    once(&calm, gate.clone()).unwrap();
    let (wanted, known) = (calm.tree(), meaning(&calm));
    let is_log = |path: &&PathBuf| path.ends_with("session.yaml");
    let log = wanted.keys().find(is_log).map(|path| &wanted[path]);
    let log = String::from_utf8_lossy(log.unwrap());
    assert_eq!(
        wanted.len(),
        11,
        "bias, flat, two lights, the log, its page, lists of sensors, targets, nights and their pages:
{log}"
    );
    let operations = gate.counted();
    assert!(
        operations > 30,
        "{operations} operations are too few to be all"
    );
    for number in 1..=operations {
        let here = small();
        let when = format!("operation {number} of {operations}");
        let outcome = once(&here, gate_at(number));
        assert!(
            outcome.is_err(),
            "{when}: ended as if nothing had happened: {outcome:?}"
        );
        assert_whole(&here.products(), &when);
        once(&here, Counting::open()).unwrap_or_else(|error| panic!("{when}: {error}"));
        assert_same(&here.tree(), &wanted, &when);
        assert_no_leftovers(&here, &when);
        assert_eq!(meaning(&here), known, "{when}: the catalogue's meaning");
    }
}

#[test]
fn stopped_at_each_operation_it_ends_the_same() {
    each_operation(|number| {
        Counting::new(number, true, || io::Error::other("the process has died"))
    });
}

#[test]
fn stopped_in_the_middle_of_a_write_it_ends_the_same() {
    each_operation(Counting::torn);
}

#[test]
fn a_full_disk_at_each_operation_leaves_nothing_behind() {
    each_operation(|number| Counting::new(number, false, || Errno::NOSPC.into()));
}

/// Writes down what passes.
#[derive(Default)]
struct Witness(Mutex<Vec<(Op, PathBuf)>>);

impl Gate for Witness {
    fn pass(&self, op: Op, path: &Path) -> io::Result<()> {
        let mut seen = self.0.lock().unwrap();
        seen.push((op, path.to_owned()));
        Ok(())
    }
}

/// What a power cut may tear apart is flushed before anything builds upon it: the file before it
/// is renamed, its folder before the catalogue or the next file says anything.
#[test]
fn every_change_passes_the_gate_and_is_flushed_before_the_next() {
    let _alone = alone();
    let here = small();
    let witness = Arc::new(Witness::default());
    once(&here, witness.clone()).unwrap();
    let seen = witness.0.lock().unwrap();
    let count = |wanted: Op| seen.iter().filter(|(op, _)| *op == wanted).count();
    let visible = files(&here.products()).len();
    assert_eq!(count(Op::Create), count(Op::Rename), "no draft is given up");
    assert!(count(Op::Rename) >= visible, "each file came by a rename");
    assert!(count(Op::Sync) >= count(Op::Rename));
    // The tables; the files taken in; four products; two lights measured.
    assert!(count(Op::Commit) >= 8, "{} commits", count(Op::Commit));
    for (index, (op, path)) in seen.iter().enumerate() {
        let beside = |op: Op, path: &Path| (op, path.to_owned());
        if *op == Op::Rename {
            let folder = path.parent().unwrap();
            let name = path.file_name().unwrap().to_string_lossy();
            let temporary = folder.join(format!(".{name}.making"));
            let last = seen[..index].iter().rev().find(|(_, at)| *at == temporary);
            assert_eq!(last, Some(&beside(Op::Sync, &temporary)), "{name}");
            assert_eq!(seen[index + 1], beside(Op::SyncFolder, folder), "{name}");
        }
        if *op == Op::MakeFolder {
            let parent = path.parent().unwrap();
            assert_eq!(seen[index + 1], beside(Op::SyncFolder, parent));
        }
    }
}

#[test]
fn an_output_that_cannot_be_written_is_a_failure_with_its_reason() {
    let _alone = alone();
    let here = small();
    fs::write(here.products(), "in the way").unwrap();
    let output = here.call(&["once"]);
    let said = observatory::said(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(
        said.contains("products: could not make the folder"),
        "{said}"
    );
    fs::remove_file(here.products()).unwrap();
    here.once();
}

/// How often the program is killed; `DAWNLEDGER_KILLS` makes it more than a test has time for.
fn kills() -> usize {
    let more = std::env::var("DAWNLEDGER_KILLS").ok();
    more.map_or(10, |number| number.parse().unwrap())
}

#[test]
fn killed_at_any_moment_it_ends_the_same() {
    let _alone = alone();
    let night = "rigs:
  - camera: Petrel 26M
    sensor: {width: 512, height: 384}
    filters: [{name: Ha}]
    targets: [{name: Veil Nebula, stars: 20}]
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 12}
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 12}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 16}
";
    // The daemon waits for nothing but for files to settle.
    let profile = PROFILE.replace("min_frames: 3", "min_frames: 3, quiet_s: 0");
    let here = Observatory::new(&[("north-pier", &profile)], "settle_s: 0.5");
    here.shoot(night);
    // Some lights are compressed.
    let is_light = |path: &PathBuf| path.to_string_lossy().contains("light");
    for path in files(&here.incoming()).into_iter().filter(is_light).take(4) {
        let packed = File::create(format!("{}.gz", path.display())).unwrap();
        let mut encoder = GzEncoder::new(packed, Compression::fast());
        encoder.write_all(&fs::read(&path).unwrap()).unwrap();
        encoder.finish().unwrap();
        fs::remove_file(path).unwrap();
    }
    assert_eq!(
        files(&here.incoming())
            .iter()
            .filter(|path| path.extension().is_some_and(|end| end == "gz"))
            .count(),
        4
    );
    let call = |command: &str| {
        let mut call = Command::new(program());
        call.arg(command).arg("--config").arg(here.settings());
        call.stderr(Stdio::null());
        call
    };
    let begun = Instant::now();
    assert!(call("once").status().unwrap().success());
    let whole = begun.elapsed();
    let wanted = here.tree();
    let known = meaning(&here);
    let raws = tree(&here.incoming());
    let mut state = 0x5eed_u64;
    let (mut early, mut late) = (0, 0);
    for kill in 0..kills() {
        for folder in ["products", "state"] {
            fs::remove_dir_all(here.path(folder)).unwrap();
        }
        let when = format!("kill {kill}");
        // One, two or three starts are killed, at moments spread over the time it takes.
        for _ in 0..=kill % 3 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let fraction = (state >> 33) as f64 / (1u64 << 31) as f64;
            let (command, settle) = match kill % 2 {
                0 => ("once", Duration::ZERO),
                _ => ("run", Duration::from_millis(500)),
            };
            let mut child = call(command).spawn().unwrap();
            std::thread::sleep((whole + settle).mul_f64(fraction));
            child.kill().unwrap();
            child.wait().unwrap();
            assert_whole(&here.products(), &when);
            match files(&here.products()).len() {
                made if made == wanted.len() => late += 1,
                _ => early += 1,
            }
        }
        // As one leaves it that is killed at the one moment in which it has a name.
        let scratch = here.path("state").join("scratch");
        fs::create_dir_all(&scratch).unwrap();
        fs::write(scratch.join("unpacked-4194304-0"), "half of it").unwrap();
        assert!(call("once").status().unwrap().success(), "{when}");
        assert_same(&here.tree(), &wanted, &when);
        assert_no_leftovers(&here, &when);
        assert_eq!(meaning(&here), known, "{when}: the catalogue's meaning");
    }
    eprintln!("{early} kills before all was made, {late} after; a run takes {whole:?}");
    assert!(early > 0, "none came in time");
    assert_same(&tree(&here.incoming()), &raws, "the raw frames");
}
