//! Synthetic nights with known truth.
//!
//! A [`Scenario`] (YAML) names rigs, what stands before them and what they expose. [`frames`]
//! lists the files of its night, [`render`] gives a file's bytes, [`truth`] what a perfectly
//! calibrated light holds, [`write_all`] puts the night into a folder.
//!
//! The shortest scenario with a light; all other keys (in `scenario`) have defaults:
//!
//! ```yaml
//! rigs:
//!   - camera: Petrel 26M
//!     filters: [{name: Ha}]
//!     targets: [{name: Veil Nebula}]
//!     runs:
//!       - {kind: bias, start: '2026-09-05T19:00:00Z', count: 12}
//!       - {kind: light, target: Veil Nebula, filter: Ha, exposure_s: 60, start: '2026-09-05T21:00:00Z',
//!          faults: [{at: [2], fault: {clouds: 0.4}}], cards: {GAIN: '100'}}
//! ```
//!
//! # The sensor
//!
//! A pixel with pedestal B (level, columns, pixels), dark charge D (dark current with scatter,
//! doubling every few degrees; hot pixels; amplifier glow that grows with time), response F
//! (vignetting, dust shadows, the pixel's own; mean 1 over each colour) and light S reads
//!
//! ```text
//! B + [min(Poisson(F S + D), full well) + N(0, read noise)] / K,    K in e-/ADU
//! ```
//!
//! rounded to the converter's step and held in its range (12 bits go in steps of 16 up to 65520).
//! So `(raw - B - D/K) / F` is S/K within noise, and S/K is what [`truth`] gives. A Poisson number
//! comes by inversion below a mean of 30, as a rounded normal above. It does not play: charge
//! transfer, crosstalk, blooming, non-linearity, row noise that changes from frame to frame.
//!
//! # The sky
//!
//! Level (per colour) with a gradient, a nebula of a few Gaussians, stars with a power law of
//! brightness, Gaussian or Moffat, integrated over pixels; seeing, pointing, transparency and
//! temperature are drawn for each sub. What can go wrong is listed in [`Fault`].
//!
//! # Invariants
//!
//! The bytes are a function of the scenario, the same on every machine: own random numbers with
//! one stream per purpose and frame, no mathematics from the platform (`exact`), no clock. A
//! fault, a run or a rig that is added leaves the noise of all earlier ones as it was.
//!
//! It does not know how frames are recognised, calibrated or judged.

mod check;
mod dice;
mod exact;
mod header;
mod scenario;
mod schedule;
mod sensor;
mod sky;
mod stack;

#[cfg(test)]
mod tests;

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use flate2::{Compression, GzBuilder};

use crate::facts::Kind;
use crate::fits::header_block;
use crate::publish::{Disk, PublishError};
use dice::Dice;

pub use scenario::{Fault, Scenario, ScenarioError};
pub use schedule::{Exposure, Planned, PlannedFile, frames};
pub use stack::write_stack;

/// Length of a FITS block.
const BLOCK: usize = 2880;

/// A night could not be written.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// A file could not be written.
    #[error(transparent)]
    Publish(#[from] PublishError),
    /// A file's time could not be set.
    #[error("{}: could not {op}: {source}", path.display())]
    Io {
        /// What was tried.
        op: &'static str,
        /// On what.
        path: PathBuf,
        /// Why it failed.
        source: io::Error,
    },
}

/// The bytes of a planned file: plain FITS, unsigned 16-bit (under gzip where the run says so),
/// or what its fault left of it.
pub fn render(scenario: &Scenario, file: &PlannedFile) -> Vec<u8> {
    match &file.content {
        Planned::Text(text) => text.clone().into_bytes(),
        Planned::Frame(exposure) | Planned::Copy(exposure) => frame(scenario, exposure),
    }
}

fn frame(scenario: &Scenario, exposure: &Exposure) -> Vec<u8> {
    let Some((rig, run)) = parts(scenario, exposure) else {
        return Vec::new();
    };
    let mut bytes = header_block(&header::cards(rig, run, exposure));
    let header = bytes.len();
    let data = 2 * rig.sensor.width * rig.sensor.height;
    match exposure.fault {
        Fault::Empty => bytes.clear(),
        Fault::HeaderOnly => {}
        Fault::Junk => {
            let mut dice = stream(scenario, "junk", exposure);
            bytes.resize((header + data).next_multiple_of(BLOCK), 0);
            bytes.fill_with(|| dice.word() as u8);
        }
        fault => {
            for value in pixels(scenario, exposure) {
                // Stored signed: the number minus BZERO.
                bytes.extend_from_slice(&(value ^ 0x8000).to_be_bytes());
            }
            bytes.resize(bytes.len().next_multiple_of(BLOCK), 0);
            if let Fault::Truncated(fraction) = fault {
                let kept = (data as f64 * fraction.clamp(0.0, 1.0)) as usize;
                bytes.truncate(header + kept);
            }
        }
    }
    if run.gzip { gzip(&bytes) } else { bytes }
}

/// The stored numbers of an exposure on the 16-bit scale, row by row, whatever became of its
/// file. Empty when the exposure is not of this scenario.
pub fn pixels(scenario: &Scenario, exposure: &Exposure) -> Vec<u16> {
    let Some((rig, run)) = parts(scenario, exposure) else {
        return Vec::new();
    };
    let light = sky::light(scenario.seed, rig, run, exposure).map(|mut light| {
        if matches!(exposure.kind, Kind::Light | Kind::Flat) {
            let response = sensor::response(scenario.seed, rig, sky::filter(rig, exposure));
            for (charge, response) in light.iter_mut().zip(response) {
                *charge *= response;
            }
        }
        light
    });
    let mut noise = stream(scenario, "noise", exposure);
    sensor::read_out(
        scenario.seed,
        rig,
        light.as_deref(),
        exposure.exposure_s,
        exposure.temperature_c,
        &mut noise,
    )
}

/// What a perfectly calibrated light holds: sky and stars in ADU without noise, row by row, over
/// the colour filter array where there is one. Nothing for other files.
pub fn truth(scenario: &Scenario, file: &PlannedFile) -> Option<Vec<f32>> {
    let exposure = file.exposure()?;
    if exposure.kind != Kind::Light {
        return None;
    }
    let (rig, run) = parts(scenario, exposure)?;
    let light = sky::light(scenario.seed, rig, run, exposure)?;
    let to_adu = 1.0 / rig.sensor.e_per_adu;
    Some(
        light
            .iter()
            .map(|charge| (charge * to_adu) as f32)
            .collect(),
    )
}

/// What masters without noise would hold for an exposure.
#[derive(Clone, Debug)]
pub struct Ideal {
    /// The pedestal, ADU.
    pub bias: Vec<f32>,
    /// Pedestal and dark charge at the exposure's own length and temperature, ADU.
    pub dark: Vec<f32>,
    /// Response through the exposure's filter, mean 1 over each colour of the array.
    pub flat: Vec<f32>,
}

/// The perfect masters for a frame. Nothing for files that are no frames.
pub fn ideal(scenario: &Scenario, file: &PlannedFile) -> Option<Ideal> {
    let exposure = file.exposure()?;
    let (rig, _) = parts(scenario, exposure)?;
    let (seed, sensor) = (scenario.seed, &rig.sensor);
    let bias = sensor::pedestal(seed, sensor, &rig.camera);
    let charge = sensor::dark_charge(
        seed,
        sensor,
        &rig.camera,
        exposure.exposure_s,
        exposure.temperature_c,
    );
    let held_back = sensor::held_back(sensor, exposure.exposure_s, exposure.temperature_c);
    let dark = bias
        .iter()
        .zip(charge)
        .map(|(bias, charge)| (bias - held_back + charge / sensor.e_per_adu) as f32);
    let flat = sensor::response(seed, rig, sky::filter(rig, exposure));
    Some(Ideal {
        dark: dark.collect(),
        bias: bias.iter().map(|&value| value as f32).collect(),
        flat: flat.iter().map(|&value| value as f32).collect(),
    })
}

/// Writes the whole night into a folder, each file with the time of its last byte as its time of
/// change. Returns the paths in the order of the night.
///
/// # Errors
/// When a file cannot be written.
pub fn write_all(scenario: &Scenario, folder: &Path) -> Result<Vec<PathBuf>, SimulateError> {
    let disk = Disk::default();
    let mut paths = Vec::new();
    for file in frames(scenario) {
        let path = folder.join(&file.path);
        disk.publish(&path, &render(scenario, &file))?;
        File::options()
            .write(true)
            .open(&path)
            .and_then(|opened| opened.set_modified(file.file_time()))
            .map_err(|source| SimulateError::Io {
                op: "set the time",
                path: path.clone(),
                source,
            })?;
        paths.push(path);
    }
    Ok(paths)
}

fn parts<'a>(
    scenario: &'a Scenario,
    exposure: &Exposure,
) -> Option<(&'a scenario::Rig, &'a scenario::Run)> {
    let rig = scenario.rigs.get(exposure.rig)?;
    Some((rig, rig.runs.get(exposure.run)?))
}

fn stream(scenario: &Scenario, purpose: &str, exposure: &Exposure) -> Dice {
    let id = format!("{}/{}/{}", exposure.rig, exposure.run, exposure.number);
    Dice::new(scenario.seed, &[purpose, &id])
}

/// Compressed without a name or a time, so that the bytes depend on the contents alone.
fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzBuilder::new().write(Vec::new(), Compression::default());
    // Writing into a Vec cannot fail.
    let _ = encoder.write_all(bytes);
    encoder.finish().unwrap_or_default()
}
