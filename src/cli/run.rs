//! `run` and `once`: the loop, for ever or to the end of what is there.

use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;
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
    frugal()?;
    many_files();
    Ok((settings, Disk::gated(Arc::new(Flushing::default()))))
}

/// Our own executable, for decoding compressed frames.
pub fn program() -> anyhow::Result<PathBuf> {
    std::env::current_exe().context("could not find our own executable")
}

/// Settings of the allocator under which freed memory goes back to the system at once, in small
/// pages: a daemon that knows a hundred thousand files then rests at a few megabytes instead of
/// well over a hundred, and makes its products no slower.
const FRUGAL: [(&str, &str); 2] = [("MIMALLOC_PURGE_DELAY", "0"), ("MIMALLOC_ALLOW_THP", "0")];

/// Begins again with these settings, as the same process, where they are not made. The allocator
/// reads them from the environment before anything of ours runs, so that they cannot be made from
/// within.
pub fn frugal() -> anyhow::Result<()> {
    if FRUGAL
        .iter()
        .all(|(name, _)| std::env::var_os(name).is_some())
    {
        return Ok(());
    }
    let error = Command::new(program()?)
        .args(std::env::args_os().skip(1))
        .envs(FRUGAL)
        .exec();
    tracing::warn!("could not begin again with a frugal allocator: {error}");
    Ok(())
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
