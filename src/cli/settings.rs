//! Reads the settings and the profiles they name.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, anyhow};

use super::Failure;
use crate::config;
use crate::facts::Settings;

/// Reads and checks everything; what is wrong is wrong usage.
pub fn read(file: &Path) -> Result<Arc<Settings>, Failure> {
    settings(file).map(Arc::new).map_err(Failure::Usage)
}

fn settings(file: &Path) -> anyhow::Result<Settings> {
    let file = std::path::absolute(file)?;
    let draft = config::parse_settings(&text(&file)?, &file)?;
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
