//! `run` and `once`: the loop, for ever or to the end of what is there.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, anyhow};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

use super::{Failure, settings};
use crate::daemon::{self, Flushing, Mode};
use crate::facts::Settings;
use crate::publish::Disk;

/// Watches until told to stop.
pub fn run(config: &Path) -> Result<(), Failure> {
    let (settings, disk) = prepare(config)?;
    let again = || settings::read(config).map_err(|failure| failure.to_string());
    Ok(daemon::serve(settings, disk, program()?, again)?)
}

/// Finishes what is there.
pub fn once(config: &Path) -> Result<(), Failure> {
    let (settings, disk) = prepare(config)?;
    let outcome = daemon::start(settings, disk, program()?, Mode::Once)?;
    eprintln!(
        "took in {} files, made {} products; `log` has the night",
        outcome.taken, outcome.made
    );
    if outcome.stopped {
        return Err(anyhow!("stopped before everything was done").into());
    }
    if outcome.away > 0 {
        return Err(anyhow!("watch folders that could not be read: {}", outcome.away).into());
    }
    if outcome.unread > 0 {
        return Err(anyhow!(
            "{} files could not be read; see to them and run again",
            outcome.unread
        )
        .into());
    }
    if outcome.failed > 0 {
        return Err(anyhow!(
            "{} products could not be made; the log says why",
            outcome.failed
        )
        .into());
    }
    Ok(())
}

fn prepare(config: &Path) -> Result<(Arc<Settings>, Disk), Failure> {
    let settings = settings::read(config)?;
    daemon::in_small_pages();
    many_files();
    Ok((settings, Disk::gated(Arc::new(Flushing::default()))))
}

/// Our own executable, for decoding compressed frames.
pub fn program() -> anyhow::Result<PathBuf> {
    std::env::current_exe().context("could not find our own executable")
}

/// A set may hold more frames than files may be open by default.
fn many_files() {
    let limit = getrlimit(Resource::Nofile);
    let raised = Rlimit {
        current: limit.maximum,
        maximum: limit.maximum,
    };
    if let Err(error) = setrlimit(Resource::Nofile, raised) {
        tracing::warn!("could not raise the number of open files: {error}");
    }
}
