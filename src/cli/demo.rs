//! `demo`: the shipped night, end to end.
//!
//! The frames are fed into a scratch watch folder as capture software would: each grows under a
//! temporary name or under its own, in the order of the night, while the loop of `run` watches.
//! Then the night is finished by `once`, which is the same loop, and its digest is printed.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread;
use std::time::Duration;

use anyhow::{Context, anyhow};

use super::{Failure, log, run, settings};
use crate::daemon::{self, Mode};
use crate::facts::Settings;
use crate::publish::Disk;
use crate::simulate::{PlannedFile, Scenario, frames};

/// Pause between two frames: a night in a few seconds.
const PAUSE: Duration = Duration::from_millis(15);

/// What is wanted of the targets: it lies among the products.
const GOALS: &str = "targets.yaml";

/// Plays the night in `folder`, or in a new one among the temporary files.
pub fn demo(folder: Option<PathBuf>, data: &Path) -> Result<(), Failure> {
    let scenario = data.join("scenario.yaml");
    let text = fs::read_to_string(&scenario).with_context(|| {
        format!(
            "{}: could not read; run the demo in the project's folder",
            scenario.display()
        )
    })?;
    let scenario = Scenario::parse(&text).with_context(|| scenario.display().to_string())?;
    let folder = match folder {
        Some(folder) => folder,
        None => fresh()?,
    };
    if folder.join("incoming").exists() {
        return Err(Failure::Usage(anyhow!(
            "{}: a demo lies there already; remove it or name another folder",
            folder.display()
        )));
    }
    let incoming = folder.join("incoming");
    Disk::default().make_folder(&incoming)?;
    copy(data, &folder)?;
    let settings = settings::read(&folder.join("settings.yaml"))?;
    Disk::default().make_folder(&settings.output)?;
    copy_file(&data.join(GOALS), &settings.output.join(GOALS))?;

    println!(
        "A night at {}, played in {}",
        settings.site.name,
        folder.display()
    );
    let planned = frames(&scenario);
    println!(
        "Capture software writes {} files while the daemon watches ...",
        planned.len()
    );
    let mut daemon = watching(&settings)?;
    for file in &planned {
        feed(&data.join("frames"), &incoming, file)?;
        thread::sleep(PAUSE);
    }
    daemon.end()?;
    println!("Morning: what is left is finished ...");
    let outcome = daemon::start(
        settings.clone(),
        Disk::default(),
        run::program()?,
        Mode::Once,
    )?;
    if outcome.failed > 0 {
        return Err(anyhow!("{} products could not be made", outcome.failed).into());
    }
    let night = log::latest(&settings).ok_or_else(|| anyhow!("no night was written up"))?;
    println!("\n{}", daemon::digest(&settings, night)?.1);
    let session = daemon::session(&settings.output, night);
    println!("session log   {}", session.display());
    println!(
        "masters       {}",
        settings.output.join("masters").display()
    );
    if let Some(night) = session.parent() {
        println!("lights        {}/*/subs", night.display());
    }
    println!("raw frames    {} (untouched)", incoming.display());
    Ok(())
}

/// A new folder among the temporary files.
fn fresh() -> anyhow::Result<PathBuf> {
    let stem = std::env::temp_dir().join(format!("dawnledger-demo-{}", std::process::id()));
    Disk::default().make_folder(&stem)?;
    Ok(stem)
}

/// Settings and profiles lie beside the folders that they name.
fn copy(data: &Path, folder: &Path) -> anyhow::Result<()> {
    Disk::default().make_folder(&folder.join("profiles"))?;
    let profiles = fs::read_dir(data.join("profiles")).context("the demo's profiles")?;
    let names = profiles
        .flatten()
        .map(|entry| Path::new("profiles").join(entry.file_name()));
    for name in names.chain([PathBuf::from("settings.yaml")]) {
        copy_file(&data.join(&name), &folder.join(&name))?;
    }
    Ok(())
}

fn copy_file(from: &Path, to: &Path) -> anyhow::Result<()> {
    fs::copy(from, to).with_context(|| format!("{}: could not copy", from.display()))?;
    Ok(())
}

/// The daemon, as its own process, the way the service manager runs it.
struct Watching(std::process::Child);

fn watching(settings: &Arc<Settings>) -> anyhow::Result<Watching> {
    let config = settings
        .output
        .parent()
        .unwrap_or(Path::new("."))
        .join("settings.yaml");
    let child = std::process::Command::new(run::program()?)
        .args([
            std::ffi::OsStr::new("run"),
            "--config".as_ref(),
            config.as_os_str(),
        ])
        .env("DAWNLEDGER_LOG", "warn")
        .stdin(std::process::Stdio::null())
        .stderr(File::create(settings.state.with_extension("log"))?)
        .spawn()
        .context("could not start the daemon")?;
    Ok(Watching(child))
}

impl Watching {
    fn end(&mut self) -> anyhow::Result<()> {
        if let Some(process) = rustix::process::Pid::from_raw(self.0.id().cast_signed()) {
            // It may have ended by itself; then waiting for it says how.
            let _ = rustix::process::kill_process(process, rustix::process::Signal::TERM);
        }
        let status = self.0.wait()?;
        if status.success() {
            Ok(())
        } else {
            Err(anyhow!("the daemon ended with {status}"))
        }
    }
}

impl Drop for Watching {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Writes one file in two pieces and gives it the time at which the night's clock says it was
/// written: what a fresh checkout cannot carry.
fn feed(frames: &Path, incoming: &Path, file: &PlannedFile) -> anyhow::Result<()> {
    let (from, to) = (frames.join(&file.path), incoming.join(&file.path));
    let bytes = fs::read(&from).with_context(|| format!("{}: could not read", from.display()))?;
    if let Some(parent) = to.parent() {
        Disk::default().make_folder(parent)?;
    }
    let mut out =
        File::create(&to).with_context(|| format!("{}: could not write", to.display()))?;
    let (first, rest) = bytes.split_at(bytes.len() / 2);
    out.write_all(first)?;
    out.write_all(rest)?;
    out.set_modified(file.file_time())?;
    Ok(())
}
