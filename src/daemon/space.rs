//! What is free where our folders lie, and what a product takes.
//!
//! It does not know what is done about it.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use rustix::fs::statvfs;

use super::DaemonError;
use crate::facts::{LightSamples, Recipe, Settings, Space, Task};

/// Bytes of a pixel by how it is stored: 32-bit floating point, 16-bit integer, flag.
const FLOAT: u64 = 4;
const WHOLE: u64 = 2;
const FLAG: u64 = 1;

/// Bytes for headers and what fills blocks up, beside some for each raw file that is named.
const HEADERS: u64 = 1 << 15;
const PER_INPUT: u64 = 160;

/// The output's and the state's disk. A folder that is not there yet counts as the nearest one
/// above it; one that cannot be asked is left out.
pub fn spaces(settings: &Settings) -> Vec<Space> {
    let folders = [("output", &settings.output), ("state", &settings.state)];
    let found = folders
        .into_iter()
        .filter_map(|(role, folder)| space(role, folder));
    found.collect()
}

fn space(role: &'static str, folder: &Path) -> Option<Space> {
    let there = folder.ancestors().find(|folder| folder.is_dir())?;
    let disk = fs::metadata(there).ok()?.dev();
    let room = statvfs(there).ok()?;
    Some(Space {
        role,
        folder: folder.to_owned(),
        disk,
        free_bytes: room.f_bavail.saturating_mul(room.f_frsize),
    })
}

/// Bytes of all files below a folder; symbolic links are not followed.
pub fn bytes_below(folder: &Path) -> u64 {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let bytes = entries.map(|entry| match entry.metadata() {
        Ok(about) if about.is_dir() => bytes_below(&entry.path()),
        Ok(about) if about.is_file() => about.len(),
        _ => 0,
    });
    bytes.sum()
}

/// A few rows of a master's halves, counted to each of its pixels.
const HALVES: u64 = 1;

/// Bytes that a product takes at most: its pixels and a generous header. Compression is not
/// counted on.
pub fn needed(recipe: &Recipe) -> u64 {
    let (camera, each) = match recipe {
        Recipe::Master(master) => (&master.method.facts.camera, FLOAT + FLAG + HALVES),
        Recipe::Line(line) => (&line.light.facts.camera, FLOAT),
        Recipe::Light(light) => {
            let samples = match light.extras.samples {
                LightSamples::Real => FLOAT,
                LightSamples::Whole { .. } => WHOLE,
            };
            let mask = light.extras.mask.map_or(0, |_| FLAG);
            let uncertainty = light.extras.uncertainty.map_or(0, |_| FLOAT);
            (&light.facts.camera, samples + mask + uncertainty)
        }
    };
    let pixels = u64::from(camera.width) * u64::from(camera.height);
    let headers = HEADERS + recipe.raws().len() as u64 * PER_INPUT;
    pixels.saturating_mul(each).saturating_add(headers)
}

/// A task is not begun where its product would not fit.
///
/// # Errors
/// Where there is too little room, in the words of a disk that is full.
pub fn check(output: &Path, task: &Task) -> Result<(), DaemonError> {
    let needed = needed(&task.recipe);
    match space("output", output) {
        Some(space) if space.free_bytes < needed => Err(DaemonError::Full {
            path: output.join(&task.product),
            needed,
            free: space.free_bytes,
        }),
        _ => Ok(()),
    }
}
