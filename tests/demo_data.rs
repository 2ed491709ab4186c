//! The demo night on file is what the simulator makes of its scenario, no more and no less, and a
//! night in which calibration can work.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::config::parse_goals;
use dawnledger::facts::{Goal, Kind};
use dawnledger::simulate::{Fault, Scenario, frames, pixels, render};

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data")
}

fn scenario() -> Scenario {
    let text = fs::read_to_string(demo().join("scenario.yaml")).unwrap();
    Scenario::parse(&text).unwrap_or_else(|error| panic!("demo-data/scenario.yaml: {error}"))
}

fn files_below(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_below(&path, into);
        } else {
            into.push(path);
        }
    }
}

#[test]
fn frames_on_file_are_the_scenario_to_the_byte() {
    let scenario = scenario();
    let folder = demo().join("frames");
    let mut wanted = BTreeMap::new();
    for file in frames(&scenario) {
        let bytes = render(&scenario, &file);
        wanted.insert(folder.join(&file.path), bytes);
    }
    let mut found = Vec::new();
    files_below(&folder, &mut found);
    found.sort();
    let names: Vec<&PathBuf> = wanted.keys().collect();
    assert_eq!(found.iter().collect::<Vec<_>>(), names, "files");
    let differing: Vec<_> = wanted
        .iter()
        .filter(|(path, bytes)| fs::read(path).unwrap() != **bytes)
        .map(|(path, _)| path)
        .collect();
    assert!(
        differing.is_empty(),
        "{} of {} files differ from the scenario, first {:?}: \
         run `dawnledger simulate demo-data/scenario.yaml demo-data/frames` if that is meant",
        differing.len(),
        wanted.len(),
        differing[0]
    );
}

#[test]
fn the_whole_demo_is_small() {
    let mut found = Vec::new();
    files_below(&demo(), &mut found);
    let total: u64 = found
        .iter()
        .map(|path| fs::metadata(path).unwrap().len())
        .sum();
    assert!(total < 12_000_000, "{total} bytes");
}

#[test]
fn there_are_enough_good_calibration_frames() {
    let scenario = scenario();
    let mut counts: BTreeMap<(usize, Kind, Option<String>), usize> = BTreeMap::new();
    for file in frames(&scenario) {
        let Some(exposure) = file.exposure() else {
            continue;
        };
        if exposure.fault != Fault::None {
            continue;
        }
        let key = (exposure.rig, exposure.kind, exposure.filter.clone());
        *counts.entry(key).or_default() += 1;
        if exposure.kind == Kind::Flat {
            let values = pixels(&scenario, exposure);
            for phase in 0..4 {
                // 256 columns: rows alternate with bit 8, columns with bit 0.
                let values: Vec<f64> = values
                    .iter()
                    .enumerate()
                    .filter(|(index, _)| (index >> 8 & 1) * 2 + (index & 1) == phase)
                    .map(|(_, &value)| f64::from(value))
                    .collect();
                let level = values.iter().sum::<f64>() / values.len() as f64 / 65_535.0;
                assert!(
                    (0.2..0.65).contains(&level),
                    "{}: level {level}",
                    file.path.display()
                );
            }
        }
    }
    let count = |rig, kind, filter: Option<&str>| {
        let key = (rig, kind, filter.map(str::to_owned));
        counts.get(&key).copied().unwrap_or(0)
    };
    assert_eq!(count(0, Kind::Bias, None), 12);
    assert_eq!(count(0, Kind::Flat, Some("Ha")), 10);
    assert_eq!(count(0, Kind::Flat, Some("OIII")), 10);
    assert_eq!(count(0, Kind::Flat, Some("SII")), 0);
    assert_eq!(count(0, Kind::Dark, None), 0);
    assert_eq!(count(0, Kind::Light, Some("SII")), 3);
    assert_eq!(count(1, Kind::Bias, None), 10);
    assert_eq!(count(1, Kind::Flat, Some("L")), 10);
    assert_eq!(count(1, Kind::Dark, None), 10);
}

/// More is wanted of every target and filter than the night gives.
#[test]
fn goals_are_those_of_the_night_s_targets() {
    let mut hours: BTreeMap<(String, String), f64> = BTreeMap::new();
    for file in frames(&scenario()) {
        if let Some(light) = file.exposure().filter(|shot| shot.kind == Kind::Light) {
            let target = light.target.clone().unwrap_or_default();
            let filter = light.filter.clone().unwrap_or_default();
            *hours.entry((target, filter)).or_default() += light.exposure_s / 3600.0;
        }
    }
    let file = demo().join("targets.yaml");
    let text = fs::read_to_string(&file).unwrap();
    let goals = parse_goals(&text, &file).unwrap_or_else(|error| panic!("{error}"));
    let mut wanted = Vec::new();
    for (target, filters) in goals {
        for (filter, goal) in filters {
            let Goal::Hours(goal) = goal else {
                panic!("{target}, {filter}: want hours");
            };
            let key = (target.clone(), filter);
            let given = hours.get(&key).unwrap_or_else(|| panic!("{key:?}"));
            assert!(goal > *given, "{key:?}: {goal} of {given}");
            wanted.push(key);
        }
    }
    assert!(wanted.iter().eq(hours.keys()), "{wanted:?} of {hours:?}");
}
