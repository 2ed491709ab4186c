//! Session logs read back from the output folder: where one lies, and its digest.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::Date;

use super::DaemonError;
use crate::facts::{SessionLog, Settings};
use crate::night;

/// Where a night's session log lies.
pub fn session(output: &Path, night: Date) -> PathBuf {
    let folder = output.join("nights").join(night.to_string());
    folder.join("session.yaml")
}

/// The log of a night and its digest.
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
    let digest = night::digest(&log, &settings.site);
    Ok((log, digest))
}
