//! `check`: are the settings and profiles in order?

use std::path::Path;

use super::{Failure, plan, settings};
use crate::facts::{Snapshot, Supplied};
use crate::plan::supplied_faults;

/// Reads everything and says so.
pub fn check(config: &Path) -> Result<(), Failure> {
    let settings = settings::read(config)?;
    for folder in &settings.watch {
        let there = if folder.path.is_dir() {
            ""
        } else {
            " (not there now)"
        };
        println!(
            "watch    {} = {}{there}",
            folder.name,
            folder.path.display()
        );
    }
    println!("output   {}", settings.output.display());
    println!("state    {}", settings.state.display());
    for profile in &settings.profiles {
        println!(
            "profile  {} for camera {}",
            profile.name,
            profile.cameras.join(", ")
        );
    }
    // Only what is supplied has to be compared with frames.
    let named = settings
        .profiles
        .iter()
        .any(|profile| !profile.supplied.is_empty());
    let snapshot = if named {
        plan::snapshot(&settings)?
    } else {
        Snapshot::default()
    };
    let faults = supplied_faults(&snapshot, &settings);
    for supplied in &snapshot.supplied {
        let Supplied {
            rig, kind, path, ..
        } = supplied;
        println!("supplied {kind} of {rig} = {}", path.display());
    }
    faults.iter().for_each(|fault| println!("         {fault}"));
    for hook in &settings.alarms.hooks {
        let there = if hook.program.is_file() {
            ""
        } else {
            " (not there now)"
        };
        let when: Vec<&str> = hook.when.iter().map(|occasion| occasion.word()).collect();
        println!(
            "hook     {} for {}{there}",
            hook.program.display(),
            when.join(", ")
        );
    }
    let missing = settings
        .watch
        .iter()
        .filter(|folder| !folder.path.is_dir())
        .count();
    match missing {
        _ if !faults.is_empty() => println!("in order, but not all supplied masters can be used"),
        0 => println!("in order"),
        1 => println!("in order, but a watch folder is not there"),
        _ => println!("in order, but {missing} watch folders are not there"),
    }
    Ok(())
}
