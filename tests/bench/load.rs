//! The whole program under load: many files in the catalogue, many in one night, one new file of 26
//! megapixels, a month of nights in a row, a crowd of files that are none of its business.
//!
//!     cargo bench --bench load [-- FOLDER] [PART...]
//!
//! - `build`: 100,000 files of three years, taken in. They are left for the next part, which may run in an
//!   hour when the machine has nothing else to do.
//! - `library`: starting over them, one new light of 26 megapixels among them, planning. They are taken in
//!   first where they have not been.
//! - `night`: 5,000 lights in one night; then one new light of 26 megapixels among them.
//! - `month`: 30 nights of 334 files come in one after another while the daemon runs, with a kill
//!   every tenth night. Memory, handles and state after each, and whether the ledger balances. What
//!   grows that should not ends the bench.
//! - `plan`: one plan after another over a library of 99,990 files of 909 nights, in memory.
//! - `crowd`: 1,000,000 empty files of foreign names beside 100 frames: starting, resting, a new frame.
//!
//! A time beyond its limit is told as `MISSED`.
//!
//! FOLDER is the temporary folder's `dawnledger-load` where it is left out; a part's own folder in it is
//! emptied before and after.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "load/daemon.rs"]
mod daemon;
#[path = "load/night.rs"]
mod night;
#[path = "../observatory/mod.rs"]
mod observatory;
#[path = "words.rs"]
mod words;
#[path = "load/years.rs"]
mod years;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use dawnledger::catalogue::Catalogue;
use dawnledger::config;
use dawnledger::facts::Settings;
use dawnledger::plan::{Memory, Patience, plan_with};
use jiff::Timestamp;

use daemon::Daemon;
use night::{Frame, night};
use observatory::files;
use words::words;

/// The program's: memory that is asked for anew costs time.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// A part by its name, and its folder.
type Part = (&'static str, &'static str, fn(&Job));

const PARTS: [Part; 6] = [
    (BUILD, "library", build),
    ("library", "library", library),
    ("night", "night", large_night),
    ("month", "month", month),
    ("plan", "plan", |job| years::plans(job.settings())),
    ("crowd", "crowd", crowd),
];

/// The part that leaves what it has made.
const BUILD: &str = "build";

fn main() {
    dawnledger::daemon::in_small_pages();
    let (parts, folder) = words(&PARTS.map(|(name, ..)| name), "dawnledger-load");
    for (name, own, measure) in PARTS {
        if parts.is_empty() || parts.iter().any(|part| part == name) {
            let job = Job::new(&folder.join(own));
            measure(&job);
            if name != BUILD {
                fs::remove_dir_all(&job.folder).unwrap();
            }
        }
    }
}

/// 909 nights of 110 files, as three good years bring them.
fn build(job: &Job) {
    const NIGHTS: i64 = 909;
    if job.is_built() {
        return;
    }
    let frames = night(70, 30, 10);
    for number in 0..NIGHTS {
        job.shoot(&frames, number);
    }
    let files = NIGHTS as usize * frames.len();
    let begun = Instant::now();
    job.once();
    println!(
        "\nlibrary: {files} files of {NIGHTS} nights, taken in and calibrated in {:.0} s",
        begun.elapsed().as_secs_f64()
    );
    fs::write(job.folder.join(BUILT), "").unwrap();
}

fn library(job: &Job) {
    build(job);
    // From here on it is another library.
    fs::remove_file(job.folder.join(BUILT)).unwrap();
    let mut daemon = Daemon::start(&job.folder);
    println!(
        "started over them: ready after {}",
        told(daemon.ready(), 5.0)
    );
    daemon.rests();
    println!("  resting: {}", daemon.holds());
    new_large_lights(job, &mut daemon);
    daemon.stop();
    job.plans();
}

fn large_night(job: &Job) {
    const LIGHTS: usize = 5000;
    job.shoot(&night(LIGHTS, 30, 10), 0);
    let begun = Instant::now();
    let mut daemon = Daemon::start(&job.folder);
    daemon.ready();
    daemon.rests();
    println!(
        "\nnight: {LIGHTS} lights, 30 flats, 10 bias frames, all told of after {:.0} s; {}",
        begun.elapsed().as_secs_f64(),
        daemon.holds()
    );
    job.plans();
    new_large_lights(job, &mut daemon);
    daemon.stop();
}

/// How long a new light of 26 megapixels takes beside what is there.
fn new_large_lights(job: &Job, daemon: &mut Daemon) {
    // Their masters first, so that a light finds them.
    let (large, light) = large_frames();
    for (name, bytes) in &large {
        fs::write(job.incoming().join(name), bytes).unwrap();
    }
    daemon.rests();
    new_lights(job, daemon, &light, "6248x4176");
}

/// How long a new light takes beside what is there; its masters must be on file.
fn new_lights(job: &Job, daemon: &mut Daemon, light: &[u8], size: &str) {
    let mut times = Vec::new();
    for number in 0..5 {
        let before = job.lights();
        let mut bytes = light.to_owned();
        // Another light: its last byte differs.
        *bytes.last_mut().unwrap() = number + 1;
        fs::write(job.incoming().join(format!("new-{number}.fits")), bytes).unwrap();
        let closed = Instant::now();
        job.await_lights(before + 1, daemon);
        times.push(closed.elapsed().as_secs_f64());
        daemon.rests();
    }
    times.sort_by(f64::total_cmp);
    println!(
        "one new light of {size} beside them: calibrated after it was closed in {} beyond the settle \
         time, which a file that was seen to be closed need not wait for (median of 5, longest {:.2} s)",
        told(times[2], 2.0),
        times[4]
    );
}

/// A time beside its limit, seconds.
fn told(seconds: f64, limit: f64) -> String {
    let missed = if seconds > limit { ": MISSED" } else { "" };
    format!("{seconds:.2} s (limit {limit}{missed})")
}

/// Bias frames and flats of 26 megapixels with their names, and a light.
fn large_frames() -> (Vec<(String, Vec<u8>)>, Vec<u8>) {
    let mut masters = Vec::new();
    let mut light = Vec::new();
    for (number, frame) in night::large().into_iter().enumerate() {
        match frame.is_light {
            true => light = frame.bytes,
            false => masters.push((format!("large-{number}.fits"), frame.bytes)),
        }
    }
    (masters, light)
}

fn month(job: &Job) {
    const NIGHTS: i64 = 30;
    const LIGHTS: usize = 294;
    let frames = night(LIGHTS, 30, 10);
    let mut daemon = Daemon::start(&job.folder);
    daemon.ready();
    println!("\nmonth: {NIGHTS} nights of {} files", frames.len());
    println!("night  files  memory MiB  highest MiB  handles  state MiB  products");
    let mut held = Vec::new();
    for number in 0..NIGHTS {
        job.shoot(&frames, number);
        if number % 10 == 9 {
            std::thread::sleep(Duration::from_secs(2));
            daemon.kill();
            daemon = Daemon::start(&job.folder);
            daemon.ready();
        }
        // On a busy machine a long wait for the disk would pass for rest.
        job.await_lights((number as usize + 1) * LIGHTS, &daemon);
        daemon.rests();
        let (memory, highest) = daemon.memory();
        let now = Held {
            files: (number as usize + 1) * frames.len(),
            memory,
            handles: daemon.handles(),
            state: size(&job.folder.join("state")) as f64 / 1_048_576.0,
        };
        println!(
            "{:5}  {:5}  {memory:10.1}  {highest:11.1}  {:7}  {:9.1}  {:8}",
            number + 1,
            now.files,
            now.handles,
            now.state,
            files(&job.folder.join("products")).len(),
        );
        held.push(now);
    }
    daemon.stop();
    for later in &held[3..] {
        hold(&held[2], later);
    }
    // As after a kill in each case, so that the journal counts alike. With the square of the nights it
    // would be 1.7 times.
    let grown = |from: usize, to: usize| held[to].state - held[from].state;
    let (second, third) = (grown(9, 19), grown(19, 29));
    assert!(
        third <= 1.4 * second + 1.0,
        "the state grows faster than the files: by {second:.1} MiB in ten nights, then by {third:.1}"
    );
    let mut accounted = BTreeSet::new();
    let mut told = 0;
    for path in files(&job.folder.join("products/nights")) {
        if path.ends_with("session.yaml") {
            let log = dawnledger::night::parse(&fs::read_to_string(&path).unwrap()).unwrap();
            told += log.ledger.seen;
            assert_eq!(log.lights.len() + log.calibration.len(), log.ledger.seen);
            accounted.extend(log.lights.iter().map(|light| light.file.clone()));
            accounted.extend(log.calibration.iter().map(|frame| frame.file.clone()));
        }
    }
    let shot = NIGHTS as usize * frames.len();
    assert_eq!((told, accounted.len()), (shot, shot), "the ledger");
    println!("ledger: {shot} files, each in exactly one log");
}

/// What a daemon without work holds: memory and state in MiB.
struct Held {
    files: usize,
    memory: f64,
    handles: usize,
    state: f64,
}

/// What must not grow with the nights has not.
fn hold(early: &Held, last: &Held) {
    // Fewer than the nights between two kills, so that one that is lost in each night shows.
    let spare = 5;
    assert!(
        last.handles <= early.handles + spare,
        "handles are lost: {} were open after three nights, {} are now",
        early.handles,
        last.handles
    );
    // For an hour after the last change the catalogue is at hand: of each file its entry, its product and
    // what was planned for it. What a start or a plan has used lies among what lives, so that some of it
    // stays: 6 to 8 MiB were seen.
    let spare = 12.0;
    let of_files = (last.files - early.files) as f64 * 4.0 / 1024.0;
    assert!(
        last.memory <= early.memory + of_files + spare,
        "memory grows by more than 4 KiB for each file: {:.1} MiB after three nights, {:.1} now",
        early.memory,
        last.memory
    );
}

/// A watch folder that others fill, in a hundred folders; ours are found among them.
fn crowd(job: &Job) {
    const FOREIGN: usize = 1_000_000;
    const FOLDERS: usize = 100;
    let frames = night(60, 30, 10);
    job.shoot(&frames, 0);
    for number in 0..FOLDERS {
        let folder = job.incoming().join(format!("foreign-{number}"));
        fs::create_dir(&folder).unwrap();
        for number in 0..FOREIGN / FOLDERS {
            fs::File::create(folder.join(format!("{number}.txt"))).unwrap();
        }
    }
    let mut daemon = Daemon::start(&job.folder);
    println!(
        "\ncrowd: {} frames among {FOREIGN} foreign files: ready after {:.2} s",
        frames.len(),
        daemon.ready()
    );
    job.await_lights(60, &daemon);
    daemon.rests();
    println!("  resting: {}", daemon.holds());
    daemon.stop();
    let mut daemon = Daemon::start(&job.folder);
    println!("started once more: ready after {:.2} s", daemon.ready());
    daemon.rests();
    println!("  resting: {}", daemon.holds());
    let light = frames.iter().find(|frame| frame.is_light).unwrap();
    new_lights(job, &mut daemon, &light.bytes, "32x24");
    daemon.stop();
}

/// How long a file must stand still, seconds.
const SETTLE_S: u32 = 1;

/// A folder with settings; frames go to its watch folder.
struct Job {
    folder: PathBuf,
}

/// Stands beside what was built to the end.
const BUILT: &str = "built";

impl Job {
    fn new(folder: &Path) -> Self {
        let job = Self {
            folder: folder.to_owned(),
        };
        if !job.is_built() {
            job.begin();
        }
        job
    }

    fn is_built(&self) -> bool {
        self.folder.join(BUILT).exists()
    }

    fn begin(&self) {
        let folder = &self.folder;
        let _ = fs::remove_dir_all(folder);
        fs::create_dir_all(folder.join("incoming")).unwrap();
        let settings = format!(
            "site: {{name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4, elevation_m: 310}}
watch: [{{path: incoming}}]
output: products
state: state
profiles: [profile.yaml]
settle_s: {SETTLE_S}
"
        );
        fs::write(folder.join("settings.yaml"), settings).unwrap();
        let profile = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 3, quiet_s: 0}
  dark: {rule: never}
  flat-dark: {rule: never}
  flat: {rule: required, min_frames: 3, quiet_s: 0}
";
        fs::write(folder.join("profile.yaml"), profile).unwrap();
    }

    fn incoming(&self) -> PathBuf {
        self.folder.join("incoming")
    }

    /// The same frames, that many nights later.
    fn shoot(&self, frames: &[Frame], nights: i64) {
        let folder = self.incoming().join(format!("{nights:04}"));
        fs::create_dir_all(&folder).unwrap();
        for (number, frame) in frames.iter().enumerate() {
            fs::write(
                folder.join(format!("{number:04}.fits")),
                frame.later(nights),
            )
            .unwrap();
        }
    }

    fn once(&self) {
        let output = Command::new(env!("CARGO_BIN_EXE_dawnledger"))
            .args(["once", "--config"])
            .arg(self.folder.join("settings.yaml"))
            .output()
            .unwrap();
        assert!(output.status.success(), "{output:?}");
    }

    /// Waits for so many calibrated lights.
    fn await_lights(&self, count: usize, daemon: &Daemon) {
        let begun = Instant::now();
        while self.lights() < count {
            daemon.drain();
            let waited = begun.elapsed();
            assert!(
                waited.as_secs() < 1800,
                "{} of {count} lights",
                self.lights()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Calibrated lights on file, counted with little work beside what is measured.
    fn lights(&self) -> usize {
        let nights = fs::read_dir(self.folder.join("products/nights"));
        let subs = |night: fs::DirEntry| fs::read_dir(night.path().join("north-pier/subs")).ok();
        let folders = nights.into_iter().flatten().flatten().filter_map(subs);
        // A name with a dot before it is of one that is being made.
        let finished = |sub: &fs::DirEntry| !sub.file_name().to_string_lossy().starts_with('.');
        folders.flatten().flatten().filter(finished).count()
    }

    fn settings(&self) -> Settings {
        let path = self.folder.join("settings.yaml");
        let draft = config::parse_settings(&fs::read_to_string(&path).unwrap(), &path).unwrap();
        let profile = self.folder.join("profile.yaml");
        let text = fs::read_to_string(&profile).unwrap();
        let parsed = config::parse_profile(&text, &profile).unwrap();
        draft.complete([(profile, parsed)].into()).unwrap()
    }

    /// Prints how long the plan over the catalogue takes, and the reading of the catalogue.
    fn plans(&self) {
        let settings = self.settings();
        let path = self
            .folder
            .join("state")
            .join(dawnledger::daemon::CATALOGUE);
        let begun = Instant::now();
        let snapshot = Catalogue::open_reading(&path).unwrap().snapshot().unwrap();
        let read = begun.elapsed().as_secs_f64();
        let mut memory = Memory::default();
        let mut time = || {
            let begun = Instant::now();
            let patience = Patience::Until(Timestamp::now());
            let plan = plan_with(&snapshot, &settings, patience, &mut memory);
            assert!(plan.tasks.is_empty());
            begun.elapsed().as_secs_f64()
        };
        let first = time();
        let mut times: Vec<f64> = (0..5).map(|_| time()).collect();
        times.sort_by(f64::total_cmp);
        println!(
            "plan over {} files: {}, median of 5; the first {first:.2} s; reading the catalogue once: {read:.2} s",
            snapshot.entries.len(),
            told(times[2], 0.1),
        );
    }
}

/// Bytes below a folder.
fn size(folder: &Path) -> u64 {
    let sizes = files(folder)
        .into_iter()
        .filter_map(|path| fs::metadata(path).ok());
    sizes.map(|about| about.len()).sum()
}
