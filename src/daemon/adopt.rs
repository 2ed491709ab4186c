//! Products that lie in the output folder but not in the catalogue: after a crash between the
//! rename and the catalogue's row, or after the catalogue was lost. Each carries its own
//! description; what describes itself and has true checksums is adopted.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use super::DaemonError;
use super::service::Stop;
use crate::facts::{Fingerprint, Made, Products};
use crate::fits;
use crate::make::provenance;

/// Compares the output folder with the products the catalogue knows. Hands each that it does not know
/// to `found` as soon as it is read; gives those that it knows and that are not there, or not as long
/// as they were.
///
/// # Errors
/// Those of `found`, and where it is told to stop.
pub fn adopt(
    output: &Path,
    known: &Products,
    stop: &Stop,
    mut found: impl FnMut(Made) -> Result<(), DaemonError>,
) -> Result<Vec<Fingerprint>, DaemonError> {
    let expected: BTreeMap<&str, &Made> = known
        .iter()
        .map(|made| (made.product.as_str(), made))
        .collect();
    let mut whole = BTreeSet::new();
    for path in products(output) {
        stop.look()?;
        let Some(product) = path.strip_prefix(output).ok().and_then(Path::to_str) else {
            continue;
        };
        let Ok(size) = fs::metadata(&path).map(|metadata| metadata.len()) else {
            continue;
        };
        if let Some(made) = expected.get(product).filter(|made| made.size == size) {
            whole.insert(made.fingerprint);
            continue;
        }
        let Some(made) = describe(&path, product, size) else {
            continue;
        };
        let print = &made.fingerprint;
        let twin = known.contains(print) || whole.contains(print);
        if twin && !expected.contains_key(product) {
            tracing::warn!(product, "left alone: the same product lies here twice");
            continue;
        }
        match fits::checksums_hold(&path) {
            Ok(Some(true)) => {
                whole.insert(made.fingerprint);
                found(made)?;
            }
            Ok(_) => tracing::warn!(product, "not adopted: its checksums do not hold"),
            Err(error) => tracing::warn!(product, "not adopted: {error}"),
        }
    }
    let prints = known.iter().map(|made| made.fingerprint);
    Ok(prints.filter(|print| !whole.contains(print)).collect())
}

fn describe(path: &Path, product: &str, size: u64) -> Option<Made> {
    let made = fits::read_header(path)
        .ok()
        .and_then(|header| provenance::read(&header, product, size));
    if made.is_none() {
        tracing::debug!(
            product,
            "left alone: it does not describe itself as a product"
        );
    }
    made
}

/// All FITS files where products lie, sorted.
fn products(output: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![output.join("masters"), output.join("nights")];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            match entry.file_type() {
                Ok(kind) if kind.is_dir() => open.push(entry.path()),
                Ok(kind)
                    if kind.is_file() && entry.path().extension().is_some_and(|e| e == "fits") =>
                {
                    found.push(entry.path());
                }
                _ => {}
            }
        }
    }
    found.sort();
    found
}
