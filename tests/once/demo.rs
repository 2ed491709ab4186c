//! The demo night: every file in its place, calibrated pixels within noise of the truth.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use dawnledger::facts::{Kind, SessionLog};
use dawnledger::fits::{Source, Unpacker};
use dawnledger::simulate::{Fault, PlannedFile, Scenario, frames, ideal, truth};

use crate::observatory::{Observatory, PROGRAM, files, said, tree};

const NIGHT: &str = "2026-09-05";

fn demo_text(file: &str) -> String {
    fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("demo-data")
            .join(file),
    )
    .unwrap()
}

fn played() -> (Observatory, Scenario) {
    let profiles = ["north-pier", "south-pier"]
        .map(|name| (name, demo_text(&format!("profiles/{name}.yaml"))));
    let profiles: Vec<(&str, &str)> = profiles
        .iter()
        .map(|(name, text)| (*name, text.as_str()))
        .collect();
    let here = Observatory::new(&profiles, "");
    let text = demo_text("scenario.yaml");
    here.shoot(&text);
    here.once();
    (here, Scenario::parse(&text).unwrap())
}

pub fn pixels(path: &Path) -> Vec<f32> {
    let unpacker = Unpacker::new(PROGRAM.into(), std::env::temp_dir());
    let source = Source::open(path, &unpacker).unwrap();
    let mut out = vec![0.0; source.width() * source.height()];
    source.rows_f32(0, source.height(), &mut out).unwrap();
    out
}

/// Name in the log -> state, from all lists.
fn states(log: &SessionLog) -> BTreeMap<String, String> {
    let lights = log
        .lights
        .iter()
        .map(|entry| (&entry.file, entry.state.as_str()));
    let calibration = log
        .calibration
        .iter()
        .map(|entry| (&entry.file, entry.state.as_str()));
    let refused = log
        .refused
        .iter()
        .map(|entry| (&entry.file, "not recognised"));
    let ignored = log.ignored.iter().map(|entry| (&entry.file, "ignored"));
    let all: Vec<_> = lights
        .chain(calibration)
        .chain(refused)
        .chain(ignored)
        .collect();
    let states: BTreeMap<String, String> = all
        .iter()
        .map(|(file, state)| ((*file).clone(), (*state).to_owned()))
        .collect();
    assert_eq!(states.len(), all.len(), "a file stands in two places");
    states
}

fn wanted(file: &PlannedFile) -> &'static str {
    let Some(exposure) = file.exposure() else {
        return "ignored";
    };
    match (exposure.kind, &exposure.fault) {
        (Kind::Light, Fault::Truncated(_)) => "refused",
        (Kind::Light, _) if exposure.filter.as_deref() == Some("SII") => "waiting",
        (Kind::Light, _) => "calibrated",
        (Kind::Flat, Fault::Bright(_)) | (Kind::Dark, Fault::Leak(_)) => "left-out",
        _ => "used",
    }
}

#[test]
fn every_file_is_in_its_place() {
    let (here, scenario) = played();
    let log = here.session(NIGHT);
    let mut found = states(&log);
    for file in frames(&scenario) {
        let name = file.path.to_string_lossy().into_owned();
        assert_eq!(
            found.remove(&name).as_deref(),
            Some(wanted(&file)),
            "{name}"
        );
    }
    assert!(found.is_empty(), "not of the scenario: {found:?}");
    let ledger = log.ledger;
    assert_eq!(ledger.seen, tree(&here.incoming()).len());
    assert_eq!(
        ledger.seen,
        ledger.lights + ledger.calibration + ledger.refused + ledger.ignored
    );
    assert_eq!(log.to_shoot.len(), 1, "{:?}", log.to_shoot);
    let shoot = &log.to_shoot[0];
    assert_eq!(
        (
            shoot.kind,
            shoot.filter.as_deref(),
            shoot.count,
            shoot.rotator_deg
        ),
        (Kind::Flat, Some("SII"), 10, Some(41.5))
    );
}

/// Electrons per ADU and read noise in electrons, as the scenario has them.
fn sensor(rig: usize) -> (f64, f64) {
    [(0.78, 1.5), (0.24, 2.2)][rig]
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn calibrated_pixels_are_the_true_sky_within_noise() {
    let (here, scenario) = played();
    let log = here.session(NIGHT);
    let planned: BTreeMap<PathBuf, PlannedFile> = frames(&scenario)
        .into_iter()
        .map(|file| (file.path.clone(), file))
        .collect();
    let mut compared = 0;
    for light in log
        .lights
        .iter()
        .filter(|light| light.state == "calibrated")
    {
        let file = &planned[Path::new(&light.file)];
        let exposure = file.exposure().unwrap();
        let (gain, read_noise) = sensor(exposure.rig);
        let (truth, ideal) = (
            truth(&scenario, file).unwrap(),
            ideal(&scenario, file).unwrap(),
        );
        let found = pixels(&here.products().join(light.product.as_ref().unwrap()));
        assert_eq!(found.len(), truth.len());
        // What each pixel should scatter by: photons, dark charge, read noise, and the masters,
        // which are means of about ten.
        let scores: Vec<f64> = (0..found.len())
            .map(|at| {
                let flat = f64::from(ideal.flat[at]);
                let signal = f64::from(truth[at]) * gain * flat;
                let dark = f64::from(ideal.dark[at] - ideal.bias[at]) * gain;
                let variance = signal + 1.1 * (dark.max(0.0) + read_noise * read_noise);
                let uncertainty = variance.sqrt() / gain / flat;
                f64::from(found[at] - truth[at]) / uncertainty
            })
            .collect();
        for phase in 0..4 {
            let of_phase: Vec<f64> = (0..found.len())
                .filter(|at| (at / 256 % 2) * 2 + at % 2 == phase)
                .map(|at| scores[at])
                .collect();
            let middle = median(of_phase.clone());
            let spread = 1.4826 * median(of_phase.iter().map(|v| (v - middle).abs()).collect());
            // 12,288 values: the median errs by 0.011; masters and rounding add a little.
            assert!(
                middle.abs() < 0.08,
                "{} phase {phase}: off by {middle:.3} sigma",
                light.file
            );
            assert!(
                (0.93..1.12).contains(&spread),
                "{} phase {phase}: scatters by {spread:.3} sigma",
                light.file
            );
        }
        compared += 1;
    }
    assert_eq!(compared, 27);
}

#[test]
fn masters_are_the_true_ones_within_noise() {
    let (here, scenario) = played();
    let log = here.session(NIGHT);
    for master in &log.masters {
        let rig = usize::from(master.rig == "south-pier");
        let member = frames(&scenario)
            .into_iter()
            .find(|file| {
                file.exposure().is_some_and(|exposure| {
                    exposure.rig == rig
                        && exposure.kind == master.kind
                        && (master.kind != Kind::Flat || exposure.filter == master.filter)
                })
            })
            .unwrap();
        let ideal = ideal(&scenario, &member).unwrap();
        let wanted = match master.kind {
            Kind::Bias => &ideal.bias,
            Kind::Dark => &ideal.dark,
            _ => &ideal.flat,
        };
        let found = pixels(&here.products().join(&master.product));
        let residuals: Vec<f64> = found
            .iter()
            .zip(wanted)
            .map(|(found, wanted)| f64::from(found - wanted))
            .collect();
        let middle = median(residuals.clone());
        let spread = 1.4826 * median(residuals.iter().map(|v| (v - middle).abs()).collect());
        // Some hot pixels and, in darks, half a degree of drift: the typical pixel is looked at.
        let (gain, read_noise) = sensor(rig);
        let dark = f64::from(
            median(
                ideal
                    .dark
                    .iter()
                    .zip(&ideal.bias)
                    .map(|(d, b)| f64::from(d - b))
                    .collect(),
            )
            .max(0.0) as f32,
        );
        let one = match master.kind {
            Kind::Bias => read_noise / gain,
            Kind::Dark => (read_noise * read_noise + dark * gain).sqrt() / gain,
            // Photons of one exposure at its level, relative.
            _ => 1.0 / (master.level_adu * gain).sqrt(),
        };
        let expected = one / (master.frames_used.unwrap() as f64).sqrt();
        assert!(
            middle.abs() < expected,
            "{}: off by {middle}",
            master.product
        );
        assert!(
            (0.5..1.5).contains(&(spread / expected)),
            "{}: scatters by {spread}, expected {expected}",
            master.product
        );
    }
    assert_eq!(log.masters.len(), 6);
}

/// README.md shows the digest as `demo` prints it, but for how much room the disk has, which is another
/// machine's, and parts of the session log as `demo` writes it, in their order.
#[test]
fn the_readme_shows_what_the_demo_tells() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = fs::read_to_string(project.join("README.md")).unwrap();
    let (_, shown) = readme.split_once("<!-- digest -->\n```text\n").unwrap();
    let (shown, _) = shown.split_once("```\n<!-- /digest -->").unwrap();
    let scratch = tempfile::tempdir().unwrap();
    let output = Command::new(PROGRAM)
        .current_dir(project)
        .arg("demo")
        .env("TMPDIR", scratch.path())
        .output()
        .unwrap();
    let said = said(&output);
    assert!(output.status.success(), "{said}");
    let printed = String::from_utf8_lossy(&output.stdout);
    let (shown, disk) = shown.split_once("\nDisk\n").unwrap();
    assert_eq!(disk.lines().count(), 1, "{disk}");
    assert!(shown.starts_with("Skarn Hill, night of "), "{shown}");
    let from = printed.find("\nSkarn Hill, night of ").map(|at| at + 1);
    let printed = from.and_then(|from| printed[from..].split_once("\nDisk\n"));
    let (printed, _) = printed.unwrap_or_else(|| panic!("{said}"));
    assert_eq!(printed, shown, "printed, and shown in README.md");
    let mut logs = files(scratch.path()).into_iter();
    let log = logs.rfind(|path| path.ends_with("session.yaml"));
    let log = fs::read_to_string(log.unwrap()).unwrap();
    let (_, shown) = readme.split_once("<!-- session -->\n```yaml\n").unwrap();
    let (shown, _) = shown.split_once("```\n<!-- /session -->").unwrap();
    let mut rest = log.as_str();
    for part in shown
        .split_inclusive('\n')
        .collect::<Vec<_>>()
        .split(|line| line.trim() == "# ...")
    {
        let part = part.concat();
        let (_, after) = rest
            .split_once(&part)
            .unwrap_or_else(|| panic!("not told: {part}"));
        rest = after;
    }
}
