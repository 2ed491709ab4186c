//! An observatory in a temporary folder, for tests of the whole program.

#![allow(clippy::unwrap_used, clippy::expect_used, dead_code, missing_docs)]

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use dawnledger::facts::{Card, SessionLog, Value};
use dawnledger::fits::{ImageWriter, Plane, Samples, Storage, read_header};
use dawnledger::publish::Disk;
use dawnledger::simulate::{Scenario, write_all};

/// Our program.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_dawnledger");

/// The program at work; `DAWNLEDGER_PROGRAM` names another build of it, such as the released one.
pub fn program() -> PathBuf {
    std::env::var_os("DAWNLEDGER_PROGRAM").map_or(PROGRAM.into(), PathBuf::from)
}

/// Everything in a folder: relative path to contents.
pub type Tree = BTreeMap<PathBuf, Vec<u8>>;

/// Folders, settings and profiles of one observatory.
pub struct Observatory {
    folder: tempfile::TempDir,
}

impl Observatory {
    /// With these profiles (name, text) and further lines of settings.
    pub fn new(profiles: &[(&str, &str)], more: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let here = Self { folder };
        fs::create_dir_all(here.incoming()).unwrap();
        let mut names = Vec::new();
        for (name, text) in profiles {
            fs::write(here.path(&format!("{name}.yaml")), text).unwrap();
            names.push(format!("{name}.yaml"));
        }
        let settings = format!(
            "site: {{name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4, elevation_m: 310}}\n\
             watch: [{{path: incoming}}]\noutput: products\nstate: state\nprofiles: [{}]\n{more}\n",
            names.join(", ")
        );
        fs::write(here.settings(), settings).unwrap();
        here
    }

    pub fn path(&self, inside: &str) -> PathBuf {
        self.folder.path().join(inside)
    }

    pub fn incoming(&self) -> PathBuf {
        self.path("incoming")
    }

    pub fn products(&self) -> PathBuf {
        self.path("products")
    }

    pub fn settings(&self) -> PathBuf {
        self.path("settings.yaml")
    }

    /// Fills the watch folder.
    pub fn shoot(&self, scenario: &str) {
        let scenario = Scenario::parse(scenario).unwrap_or_else(|error| panic!("{error}"));
        write_all(&scenario, &self.incoming()).unwrap();
    }

    /// Puts copies of all frames of another observatory where they lie there.
    pub fn copy_frames(&self, other: &Self) {
        for path in files(&other.incoming()) {
            let place = path.strip_prefix(other.incoming()).unwrap();
            let place = self.incoming().join(place);
            fs::create_dir_all(place.parent().unwrap()).unwrap();
            fs::copy(path, place).unwrap();
        }
    }

    /// Runs a command to its end.
    pub fn call(&self, arguments: &[&str]) -> Output {
        Command::new(program())
            .args(arguments)
            .arg("--config")
            .arg(self.settings())
            .output()
            .unwrap()
    }

    /// `once`, which must end well. What it said.
    pub fn once(&self) -> String {
        let output = self.call(&["once"]);
        let said = said(&output);
        assert!(
            output.status.success(),
            "once in {}: {said}",
            self.folder.path().display()
        );
        said
    }

    /// All products and logs.
    pub fn tree(&self) -> Tree {
        tree(&self.products())
    }

    /// The session log of a night.
    pub fn session(&self, night: &str) -> SessionLog {
        let path = self
            .products()
            .join("nights")
            .join(night)
            .join("session.yaml");
        let text =
            fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        dawnledger::night::parse(&text).unwrap()
    }
}

/// Both streams of a program that ended.
pub fn said(output: &Output) -> String {
    format!(
        "{}\nstdout:\n{}\nstderr:\n{}",
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// All files below a folder with their contents; not one that was renamed in that moment, as what a
/// daemon at work is just making may be.
pub fn tree(folder: &Path) -> Tree {
    files(folder)
        .into_iter()
        .filter_map(|path| {
            let contents = match fs::read(&path) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => return None,
                contents => contents.unwrap(),
            };
            Some((path.strip_prefix(folder).unwrap().to_owned(), contents))
        })
        .collect()
}

/// What must stay the same where nothing is written: inode and time of change of each file.
pub fn stamps(folder: &Path) -> BTreeMap<PathBuf, (u64, i64, i64)> {
    files(folder)
        .into_iter()
        .map(|path| {
            let about = fs::metadata(&path).unwrap();
            (path, (about.ino(), about.mtime(), about.mtime_nsec()))
        })
        .collect()
}

/// All files below a folder, sorted.
pub fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            match entry.file_type().unwrap().is_dir() {
                true => open.push(entry.path()),
                false => found.push(entry.path()),
            }
        }
    }
    found.sort();
    found
}

/// Fails where two trees differ, and says in which files.
pub fn assert_same(found: &Tree, wanted: &Tree, when: &str) {
    let names = |tree: &Tree| tree.keys().cloned().collect::<Vec<_>>();
    assert_eq!(
        names(found),
        names(wanted),
        "{when}: files found (left) and wanted (right)"
    );
    let differing: Vec<_> = wanted
        .iter()
        .filter(|(path, bytes)| found[*path] != **bytes)
        .collect();
    assert!(
        differing.is_empty(),
        "{when}: {} files differ, first {}",
        differing.len(),
        differing[0].0.display()
    );
}

/// Writes a plain file anew with other pixels; its cards are kept, or replaced by these.
pub fn rewrite(
    path: &Path,
    (width, height): (usize, usize),
    samples: Samples<'_>,
    changed: &[(&str, i64)],
) {
    const STORED: [&str; 7] = [
        "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE",
    ];
    let new = |&(keyword, value): &(&str, i64)| Card::new(keyword, Value::Integer(value), "");
    let header = read_header(path).unwrap();
    let stale = |card: &&Card| {
        STORED.contains(&card.keyword.as_str()) || changed.iter().any(|c| c.0 == card.keyword)
    };
    let kept = header.cards().iter().filter(|card| !stale(card)).cloned();
    let cards: Vec<Card> = kept.chain(changed.iter().map(new)).collect();
    let storage = match samples {
        Samples::F32(_) => Storage::F32,
        Samples::U16(_) => Storage::U16,
        Samples::U8(_) => Storage::U8,
    };
    let draft = Disk::default().draft(path).unwrap();
    let planes = vec![Plane {
        storage,
        cards: cards.clone(),
        height: None,
    }];
    let writer = ImageWriter::begin(draft, width, height, planes).unwrap();
    writer.rows(0, 0, samples).unwrap();
    writer.finish(&cards).unwrap();
}

/// The evening of [`FRAMES`].
pub const EVENING: &str = "2026-09-05";

/// A rig whose sets are combined at once.
pub const PROFILE: &str = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 3, quiet_s: 0}
  dark: {rule: never}
  flat-dark: {rule: never}
  flat: {rule: if-present, min_frames: 3, quiet_s: 0}
";

/// Lights, and the bias frames they need.
pub const FRAMES: &str = "rigs:
  - camera: Petrel 26M
    sensor: {width: 64, height: 48}
    filters: [{name: Ha}]
    targets: [{name: Veil Nebula, stars: 3}]
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 4}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 3}
";
