//! The memory that the program keeps. What it frees stays its own for a second, in which the next plan or
//! product uses it again: asking the system for it anew takes a third of a plan's time. After that
//! it goes back, so that a daemon that knows a hundred thousand files rests at a few megabytes.
//!
//! The allocator looks for what has been free for long enough when a thread ends, or when more is freed;
//! of its own accord it does nothing.

use std::io;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;
use std::thread;
use std::time::Duration;

/// Settings of the allocator: freed memory is kept for this many milliseconds, and pages are small.
const SETTINGS: [(&str, &str); 2] = [
    ("MIMALLOC_PURGE_DELAY", "1000"),
    ("MIMALLOC_ALLOW_THP", "0"),
];

/// Longer than freed memory is kept.
const SOON: Duration = Duration::from_millis(1500);

/// Begins again with these settings, as the same process, where they are not made. The allocator
/// reads them from the environment before anything of ours runs, so that they cannot be made from
/// within.
///
/// # Errors
/// Where it could not begin again: then it goes on as it is.
pub fn begin_again(program: &Path) -> io::Result<()> {
    let is_made = |(name, _): &(&str, &str)| std::env::var_os(name).is_some();
    if SETTINGS.iter().all(is_made) {
        return Ok(());
    }
    let arguments = std::env::args_os().skip(1);
    Err(Command::new(program).args(arguments).envs(SETTINGS).exec())
}

/// Has what was freed go back to the system, soon.
pub fn give_back() {
    let waits = thread::Builder::new().name("give-back".to_owned());
    if let Err(error) = waits.spawn(|| thread::sleep(SOON)) {
        tracing::debug!("freed memory is kept for now: {error}");
    }
}
