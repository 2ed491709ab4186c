//! Session logs read back from the output folder: where one lies, and its digest.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::Date;

use super::{DaemonError, space};
use crate::facts::{SessionLog, Settings};
use crate::night::{self, Beside};

/// All targets, below the output folder.
pub const TARGETS: &str = "targets.yaml";

/// Where a night's session log lies.
pub fn session(output: &Path, night: Date) -> PathBuf {
    let folder = output.join("nights").join(night.to_string());
    folder.join("session.yaml")
}

/// The log of a night and its digest, with all nights and the disks beside it.
///
/// # Errors
/// When the log cannot be read or is none.
pub fn digest(settings: &Settings, night: Date) -> Result<(SessionLog, String), DaemonError> {
    let path = session(&settings.output, night);
    let failed = |source| DaemonError::Folder {
        path: path.clone(),
        tried: "read the session log",
        source,
    };
    let text = fs::read_to_string(&path).map_err(failed)?;
    let log = night::parse(&text).map_err(|error| failed(io::Error::other(error)))?;
    let targets = fs::read_to_string(settings.output.join(TARGETS)).ok();
    let beside = Beside {
        targets: targets.and_then(|text| night::parse_targets(&text).ok()),
        spaces: space::spaces(settings),
        night_bytes: path.parent().map_or(0, space::bytes_below),
    };
    let digest = night::digest(&log, &settings.site, &beside);
    Ok((log, digest))
}
