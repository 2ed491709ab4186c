//! YAML text becomes checked settings and profiles, or an error with file, line and column.
//!
//! `RawSettings` and `RawProfile` are what was typed; unknown keys and keys given twice are
//! errors. The checked [`crate::facts::Settings`] and [`Profile`] cannot hold a value that makes no sense. Every
//! message says what was found and what is allowed.
//!
//! It reads no file: the caller does, and hands the text over with the path for the messages. It
//! does not know whether folders exist.

mod alarms;
mod bounds;
mod combining;
mod goals;
mod overscan;
mod passbands;
mod products;
mod profile;
mod rules;
mod schema;
mod settings;
mod supplied;
#[cfg(test)]
mod tests;
mod text;
mod verdict;
mod words;

use std::path::{Path, PathBuf};

use crate::facts::{Goals, Profile};

pub use crate::frame::{name_matches, path_glob};
pub use schema::{Document, schema};
pub use settings::SettingsDraft;

/// Something wrong in a settings or profile file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}:{line}:{column}: {message}", file.display())]
pub struct ConfigError {
    /// The file as the caller named it.
    pub file: PathBuf,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What was found and what is allowed.
    pub message: String,
}

/// Reads a settings file's text. Relative paths in it count from `file`'s folder, so that all paths
/// come out absolute where `file` is.
///
/// # Errors
/// The first thing wrong, in reading order for the shape of the text, then key by key.
pub fn parse_settings(text: &str, file: &Path) -> Result<SettingsDraft, ConfigError> {
    settings::parse(unmarked(text), file)
}

/// Reads a profile file's text. Relative paths in it count from `file`'s folder.
///
/// # Errors
/// As for [`parse_settings`].
pub fn parse_profile(text: &str, file: &Path) -> Result<Profile, ConfigError> {
    profile::parse(unmarked(text), file)
}

/// Reads the goals out of the text of `targets.yaml`, sorted; targets without any are left out.
///
/// # Errors
/// As for [`parse_settings`]. A file that is not understood must not be written over: its goals
/// would be lost.
pub fn parse_goals(text: &str, file: &Path) -> Result<Goals, ConfigError> {
    goals::parse(unmarked(text), file)
}

/// Some editors put an invisible mark before the first line, which the YAML reader trips over.
fn unmarked(text: &str) -> &str {
    text.strip_prefix('\u{feff}').unwrap_or(text)
}
