//! `explain FILE`: what became of one file, and why.

use std::path::Path;

use anyhow::anyhow;
use jiff::Timestamp;

use super::{Failure, plan, say};
use crate::facts::{Settings, Snapshot};
use crate::plan::Patience;
use crate::scan;

/// Explains the file.
pub fn explain(config: &Path, file: &Path) -> Result<(), Failure> {
    let file = file.strip_prefix(".").unwrap_or(file);
    let (settings, snapshot) = plan::read(config)?;
    let found = find(&settings, &snapshot, file);
    if found.is_empty() {
        return Err(anyhow!(
            "{}: not in the catalogue; was it taken in, and does it lie in a watch folder?",
            file.display()
        )
        .into());
    }
    let patience = Patience::Until(Timestamp::now());
    for index in found {
        for line in crate::plan::explain(&snapshot, &settings, patience, index) {
            say(&line);
        }
    }
    Ok(())
}

/// The entries that a path may mean: the file itself where it lies in a watch folder, else all
/// whose name in the log ends with it.
fn find(settings: &Settings, snapshot: &Snapshot, file: &Path) -> Vec<usize> {
    let absolute = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
    let entries = snapshot.entries.iter().enumerate();
    for folder in &settings.watch {
        if let Some(path) = scan::resolve(folder, &absolute) {
            let exact = entries
                .clone()
                .find(|(_, entry)| entry.file.watch == folder.name && entry.file.path == path);
            if let Some((index, _)) = exact {
                return vec![index];
            }
        }
    }
    let typed = file.to_string_lossy();
    entries
        .filter(|(_, entry)| {
            entry.file.path.as_path().ends_with(file)
                || entry.file.path.to_string() == typed
                || entry.file.to_string() == typed
        })
        .map(|(index, _)| index)
        .collect()
}
