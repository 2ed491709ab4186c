//! Ten thousand spoilt frames through the whole program: what became of them, and what it cost.
//!
//!     cargo bench --bench mutants [-- COUNT [FOLDER]]
//!
//! `DAWNLEDGER_PROGRAM` names another build of the program, such as `target/release/dawnledger`.
//! Each is a light of a sound night, stored in one of four forms and spoilt in one of six ways from a
//! fixed seed. Every file must stand in one list and be calibrated, or refused or waiting with a reason; a
//! crash of the program, or a batch that does not end, stops the bench. Decoders that die and the reasons
//! of those that wait are told. `FOLDER` holds files from elsewhere to be taken
//! in as they are. Memory is the highest resident size seen of the program and of any of its decoders.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "../dice/mod.rs"]
mod dice;
#[path = "../mutants/mod.rs"]
mod mutants;
#[path = "../observatory/mod.rs"]
mod observatory;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use dice::Dice;
use mutants::{FORMS, FRAMES, RIG, SPOILS, accounted, forms, spoilt};
use observatory::{Observatory, files, program};

/// Files taken in by one call of the program.
const BATCH: usize = 1000;
/// More resident memory would be an absurd allocation, MiB.
const MOST: u64 = 128;
/// No batch takes longer, even on a slow machine: more is a hang.
const PATIENCE: Duration = Duration::from_secs(900);

/// What became of files: states and how many ended in each.
type Ends = BTreeMap<String, usize>;

/// What calls of the program cost.
#[derive(Default)]
struct Cost {
    seconds: f64,
    /// Highest resident memory of the program and of its decoders, MiB.
    program: u64,
    decoder: u64,
}

fn main() {
    let mut words = std::env::args().skip(1).filter(|word| word != "--bench");
    let count = words
        .next()
        .map_or(10_000, |word| word.parse().expect("a count"));
    let (mut cost, mut ends) = (Cost::default(), BTreeMap::<(usize, usize), Ends>::new());
    let mut waits = Ends::new();
    for first in (0..count).step_by(BATCH) {
        let count = BATCH.min(count - first);
        batch(first, count, &mut cost, &mut ends, &mut waits);
    }
    println!("\n{count} spoilt frames in {:.0} s", cost.seconds);
    println!("form          spoilt      calibrated  waiting  refused  ignored  poisoned");
    for ((form, spoil), ends) in &ends {
        let of = |end: &str| ends.get(end).copied().unwrap_or_default();
        println!(
            "{:13} {:11} {:10} {:8} {:8} {:8} {:9}",
            FORMS[*form],
            SPOILS[*spoil],
            of("calibrated"),
            of("waiting"),
            of("refused"),
            of("ignored"),
            of("poisoned"),
        );
    }
    println!("\nwaiting, by spoil and reason");
    for (why, count) in &waits {
        println!("{count:4}  {why}");
    }
    if let Some(folder) = words.next() {
        elsewhere(Path::new(&folder), &mut cost);
    }
    println!(
        "\nVmHWM: program {} MiB, decoders {} MiB",
        cost.program, cost.decoder
    );
    // Frames of 12 KiB ask for no more, whatever their headers say.
    assert!(cost.program < MOST && cost.decoder < MOST);
}

/// One night with these spoilt frames, by their numbers.
fn batch(
    first: usize,
    count: usize,
    cost: &mut Cost,
    ends: &mut BTreeMap<(usize, usize), Ends>,
    waits: &mut Ends,
) {
    let here = Observatory::new(&[("any", RIG)], "");
    here.shoot(FRAMES);
    let sound = files(&here.incoming());
    let light = sound
        .iter()
        .find(|path| path.to_string_lossy().contains("light_"));
    let originals = forms(light.unwrap(), &here.path(""));
    for number in first..first + count {
        let (form, spoil) = (number % 4, number / 4 % 6);
        let bytes = spoilt(
            &originals[form],
            SPOILS[spoil],
            &mut Dice(number as u64 + 1),
        );
        fs::write(here.incoming().join(format!("{number}.fits")), bytes).unwrap();
    }
    once(&here, cost);
    let found = accounted(&here.products());
    assert_eq!(found.len(), sound.len() + count, "files in the logs");
    for path in &sound {
        let (state, why) = &found[path.file_name().unwrap().to_str().unwrap()];
        assert!(
            matches!(state.as_str(), "calibrated" | "used"),
            "{path:?}: {state} {why}"
        );
    }
    for number in first..first + count {
        let (state, why) = &found[&format!("{number}.fits")];
        let ends = ends.entry((number % 4, number / 4 % 6)).or_default();
        *ends.entry(state.clone()).or_default() += 1;
        match (state.as_str(), why.is_empty()) {
            ("calibrated", _) | ("refused", false) => {}
            ("waiting", false) => {
                let why = format!("{}: {why}", SPOILS[number / 4 % 6]);
                *waits.entry(why).or_default() += 1;
            }
            _ => panic!("{number}: {state}, for `{why}`"),
        }
        if why.contains("poisoned") {
            *ends.entry("poisoned".to_owned()).or_default() += 1;
            println!("{number}: {why}");
        }
    }
}

/// Files that nobody here made.
fn elsewhere(folder: &Path, cost: &mut Cost) {
    let here = Observatory::new(&[("any", RIG)], "");
    for path in files(folder) {
        let inside = here.incoming().join(path.strip_prefix(folder).unwrap());
        fs::create_dir_all(inside.parent().unwrap()).unwrap();
        fs::copy(&path, inside).unwrap();
    }
    once(&here, cost);
    let found = accounted(&here.products());
    assert_eq!(found.len(), files(folder).len(), "files in the logs");
    println!();
    for (name, (state, why)) in found.iter().filter(|(_, (state, _))| state != "ignored") {
        println!("{name}: {state}: {why}");
    }
}

fn once(here: &Observatory, cost: &mut Cost) {
    let begun = Instant::now();
    let mut child = Command::new(program())
        .args(["once", "--config"])
        .arg(here.settings())
        .stdout(Stdio::null())
        .stderr(fs::File::create(here.path("said")).unwrap())
        .spawn()
        .unwrap();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        cost.program = cost.program.max(resident(child.id()));
        for decoder in children(child.id()) {
            cost.decoder = cost.decoder.max(resident(decoder));
        }
        if begun.elapsed() > PATIENCE {
            child.kill().unwrap();
            panic!("it hangs");
        }
        thread::sleep(Duration::from_millis(2));
    };
    cost.seconds += begun.elapsed().as_secs_f64();
    assert!(
        status.success(),
        "{status}: {}",
        fs::read_to_string(here.path("said")).unwrap()
    );
}

/// Highest resident memory of a process so far, MiB.
fn resident(process: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.split_whitespace().next()?.parse::<u64>().ok());
    kib.unwrap_or(0).div_ceil(1024)
}

fn children(process: u32) -> Vec<u32> {
    let threads = fs::read_dir(format!("/proc/{process}/task"));
    let lists = threads.into_iter().flatten().flatten();
    let lists = lists.map(|thread| fs::read_to_string(thread.path().join("children")));
    let numbers = |list: String| {
        let numbers = list.split_whitespace().map(str::to_owned);
        numbers.collect::<Vec<_>>()
    };
    let all = lists.flatten().flat_map(numbers);
    all.filter_map(|number| number.parse().ok()).collect()
}
