//! The whole job, measured: `once` over N dark frames of 26 megapixels from nothing to the log,
//! beside `cat` of the same files in the same run.
//!
//! `cargo bench --bench job [-- FOLDER [N...]]`. Frames are made where they are missing; `FOLDER`
//! is the temporary folder's `dawnledger-job` where it is left out. Prints a table: seconds of
//! `cat` and of `once` (medians of five alternating runs, warm page cache), their ratio, and the
//! highest resident memory that `once` reached (VmHWM).

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const WIDTH: usize = 6248;
const HEIGHT: usize = 4176;
const RUNS: usize = 5;

fn main() {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|argument| !argument.starts_with("--"))
        .collect();
    let folder = arguments.first().map_or_else(
        || std::env::temp_dir().join("dawnledger-job"),
        PathBuf::from,
    );
    let mut counts: Vec<usize> = arguments
        .iter()
        .skip(1)
        .map(|count| count.parse().expect("a number of frames"))
        .collect();
    if counts.is_empty() {
        counts = vec![40];
    }
    println!("frames  cat s  once s  ratio  VmHWM MiB");
    for count in counts {
        measure(&folder.join(count.to_string()), count);
    }
}

fn measure(folder: &Path, count: usize) {
    let incoming = folder.join("incoming");
    if fs::read_dir(&incoming).map_or(0, Iterator::count) != count {
        dawnledger::simulate::write_stack(&incoming, count, WIDTH, HEIGHT, 1).expect("frames");
    }
    fs::write(folder.join("settings.yaml"), settings()).unwrap();
    fs::write(folder.join("profile.yaml"), profile()).unwrap();
    let (mut cats, mut onces, mut peak) = (Vec::new(), Vec::new(), 0);
    for _ in 0..RUNS {
        cats.push(cat(&incoming));
        let (took, memory) = once(folder);
        onces.push(took);
        peak = peak.max(memory);
    }
    let (cat, once) = (median(cats), median(onces));
    println!(
        "{count:6}  {:5.2}  {:6.2}  {:5.2}  {:9}",
        cat.as_secs_f64(),
        once.as_secs_f64(),
        once.as_secs_f64() / cat.as_secs_f64(),
        peak / 1024
    );
}

fn cat(incoming: &Path) -> Duration {
    let mut files: Vec<PathBuf> = fs::read_dir(incoming)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    let begun = Instant::now();
    let status = Command::new("cat")
        .args(&files)
        .stdout(Stdio::null())
        .status()
        .expect("cat");
    assert!(status.success());
    begun.elapsed()
}

/// Runs `once` from nothing; its time and its VmHWM in KiB.
fn once(folder: &Path) -> (Duration, u64) {
    for made in ["products", "state"] {
        let _ = fs::remove_dir_all(folder.join(made));
    }
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_dawnledger"))
        .arg("once")
        .arg("--config")
        .arg(folder.join("settings.yaml"))
        .stderr(fs::File::create(folder.join("stderr.log")).unwrap())
        .spawn()
        .expect("dawnledger");
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    while child.try_wait().unwrap().is_none() {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let found = line.and_then(|line| line.split_whitespace().next()?.parse().ok());
        peak = peak.max(found.unwrap_or(0));
        std::thread::sleep(Duration::from_millis(5));
    }
    let took = begun.elapsed();
    let text = fs::read_to_string(folder.join("stderr.log")).unwrap();
    assert!(child.wait().unwrap().success(), "{text}");
    assert!(text.contains("made 1 products"), "{text}");
    (took, peak)
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

fn settings() -> &'static str {
    "site: {name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4, elevation_m: 310}
watch: [{path: incoming}]
output: products
state: state
profiles: [profile.yaml]
"
}

fn profile() -> &'static str {
    "name: north-pier
camera: \"*\"
calibration:
  bias: {rule: never}
  dark: {rule: required}
  flat-dark: {rule: never}
  flat: {rule: never}
"
}
