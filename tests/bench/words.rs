//! The words that a bench of several parts is called with.

use std::path::PathBuf;

/// `[FOLDER] [PART...]`: the parts that are named, and the folder to work in, by default the temporary
/// folder's `usual`.
pub fn words(parts: &[&str], usual: &str) -> (Vec<String>, PathBuf) {
    let words = std::env::args()
        .skip(1)
        .filter(|word| !word.starts_with("--"));
    let (named, folders): (Vec<_>, Vec<_>) = words.partition(|word| parts.contains(&&**word));
    let folder = folders.first();
    let folder = folder.map_or_else(|| std::env::temp_dir().join(usual), PathBuf::from);
    (named, folder)
}
