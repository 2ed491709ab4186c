//! `check`: are the settings and profiles in order?

use std::path::Path;

use super::{Failure, settings};

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
        0 => println!("in order"),
        1 => println!("in order, but a watch folder is not there"),
        _ => println!("in order, but {missing} watch folders are not there"),
    }
    Ok(())
}
