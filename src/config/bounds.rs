//! Checks of single values: text that says something, numbers within a range, spans of time, paths.
//!
//! It does not know what a value is for; the caller says where it stands.

use std::path::{Component, Path, PathBuf};
use std::time::Duration;

use super::text::{Fault, Step};

/// Text that says something, without surrounding blanks.
pub(super) fn said<'a>(text: &'a str, want: &str, at: &[Step]) -> Result<&'a str, Fault> {
    let trimmed = text.trim();
    // A bare `~` is how YAML writes that nothing is there, yet it arrives as text.
    if trimmed.is_empty() || trimmed == "~" || trimmed.chars().any(char::is_control) {
        return Err(Fault::new(at, format!("found {text:?}, want {want}")));
    }
    Ok(trimmed)
}

/// A number within a range, both ends included.
pub(super) fn within(
    number: f64,
    (low, high): (f64, f64),
    unit: &str,
    at: &[Step],
) -> Result<f64, Fault> {
    if (low..=high).contains(&number) {
        return Ok(number + 0.0);
    }
    let unit = if unit.is_empty() {
        String::new()
    } else {
        format!(" {unit}")
    };
    Err(Fault::new(
        at,
        format!("found {number}, want {low} to {high}{unit}"),
    ))
}

/// A span of time in seconds within a range.
pub(super) fn seconds(
    number: Option<f64>,
    usual: f64,
    range: (f64, f64),
    at: &[Step],
) -> Result<Duration, Fault> {
    duration(within(number.unwrap_or(usual), range, "seconds", at)?, at)
}

pub(super) fn duration(seconds: f64, at: &[Step]) -> Result<Duration, Fault> {
    Duration::try_from_secs_f64(seconds)
        .map_err(|_| Fault::new(at, format!("found {seconds} seconds, want a span of time")))
}

/// An absolute, tidy path as far as the folder that it counts from is one.
pub(super) fn path(text: &str, folder: &Path, at: &[Step]) -> Result<PathBuf, Fault> {
    // Blanks around a path are kept: a folder may be called so.
    if text.trim().is_empty() || text.contains('\0') {
        return Err(Fault::new(at, format!("found {text:?}, want a path")));
    }
    if text == "~" || text.starts_with("~/") {
        return Err(Fault::new(
            at,
            format!("found {text:?}, want the folder written out: `~` stands for nothing here"),
        ));
    }
    let mut tidy = PathBuf::new();
    for part in folder.join(text).components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir => match tidy.components().next_back() {
                Some(Component::Normal(_)) => {
                    tidy.pop();
                }
                Some(Component::RootDir | Component::Prefix(_)) => {}
                _ => tidy.push(".."),
            },
            part => tidy.push(part),
        }
    }
    if tidy.as_os_str().is_empty() {
        tidy.push(".");
    }
    Ok(tidy)
}
