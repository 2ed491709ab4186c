//! Products that lie in the output folder but not in the catalogue: after a crash between the
//! rename and the catalogue's row, or after the catalogue was lost. Each carries its own
//! description; what describes itself and has true checksums is adopted.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use crate::facts::{Fingerprint, Made};
use crate::fits;
use crate::make::provenance;

/// What a look at the output folder found.
pub struct Found {
    /// Products that the catalogue did not know.
    pub adopted: Vec<Made>,
    /// Products that the catalogue knows and that are not there, or not as long as they were.
    pub lost: Vec<Fingerprint>,
}

/// Compares the output folder with the products the catalogue knows.
pub fn adopt(output: &Path, known: &BTreeMap<Fingerprint, Made>) -> Found {
    let expected: BTreeMap<&str, &Made> = known
        .values()
        .map(|made| (made.product.as_str(), made))
        .collect();
    let mut whole = BTreeSet::new();
    let mut found = Found {
        adopted: Vec::new(),
        lost: Vec::new(),
    };
    for path in products(output) {
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
        let twin = known.contains_key(&made.fingerprint)
            || found
                .adopted
                .iter()
                .any(|other| other.fingerprint == made.fingerprint);
        if twin && !expected.contains_key(product) {
            tracing::warn!(product, "left alone: the same product lies here twice");
            continue;
        }
        match fits::checksums_hold(&path) {
            Ok(Some(true)) => {
                whole.insert(made.fingerprint);
                found.adopted.push(made);
            }
            Ok(_) => tracing::warn!(product, "not adopted: its checksums do not hold"),
            Err(error) => tracing::warn!(product, "not adopted: {error}"),
        }
    }
    found.lost = known
        .keys()
        .filter(|print| !whole.contains(print))
        .copied()
        .collect();
    found
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
