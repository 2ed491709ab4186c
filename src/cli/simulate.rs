//! `simulate SCENARIO FOLDER`: writes the frames of a scenario.

use std::fs;
use std::path::Path;

use anyhow::Context;

use super::Failure;
use crate::simulate::{Scenario, write_all};

/// Writes all files and says how many.
pub fn simulate(scenario: &Path, folder: &Path) -> Result<(), Failure> {
    let text = fs::read_to_string(scenario)
        .with_context(|| format!("{}: could not read", scenario.display()))?;
    let parsed = Scenario::parse(&text)
        .with_context(|| scenario.display().to_string())
        .map_err(Failure::Usage)?;
    let written = write_all(&parsed, folder)?;
    println!("{} files in {}", written.len(), folder.display());
    Ok(())
}
