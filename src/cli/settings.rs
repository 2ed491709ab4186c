//! Reads the settings and the profiles they name.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, anyhow};

use super::Failure;
use crate::config::{self, SettingsDraft};
use crate::facts::Settings;

/// Reads and checks everything; what is wrong is wrong usage.
pub fn read(file: &Path) -> Result<Arc<Settings>, Failure> {
    settings(file).map(Arc::new).map_err(Failure::Usage)
}

/// The profiles that the settings name, as far as the settings can be read.
pub fn profile_paths(file: &Path) -> anyhow::Result<Vec<PathBuf>> {
    Ok(draft(file)?.profile_paths().to_vec())
}

fn draft(file: &Path) -> anyhow::Result<SettingsDraft> {
    let file = std::path::absolute(file)?;
    Ok(config::parse_settings(&text(&file)?, &file)?)
}

fn settings(file: &Path) -> anyhow::Result<Settings> {
    let draft = draft(file)?;
    let mut profiles = Vec::new();
    for path in draft.profile_paths() {
        profiles.push((path.clone(), config::parse_profile(&text(path)?, path)?));
    }
    Ok(draft.complete(profiles)?)
}

fn text(path: &Path) -> anyhow::Result<String> {
    let bytes = fs::read(path).with_context(|| format!("{}: could not read", path.display()))?;
    String::from_utf8(bytes)
        .map_err(|_| anyhow!("{}: could not read: not UTF-8 text", path.display()))
}
