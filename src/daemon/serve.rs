//! The daemon's life: one loop after the other, each with the settings of its time.
//!
//! A hangup signal has the settings read again. Invariant: what is refused changes nothing; the
//! loop goes on with the settings it had, its running task included.

use std::path::PathBuf;
use std::sync::Arc;

use super::locks::check;
use super::service::{self, Ears};
use super::turn::{End, Turn, runtime};
use super::{DaemonError, Mode};
use crate::facts::Settings;
use crate::publish::Disk;

/// Runs the daemon until it is told to stop. `read` reads the settings again, or says what is wrong
/// with them; `program` is our own executable, for decoding compressed files.
///
/// # Errors
/// What keeps the first loop from starting, and what no loop can go on with.
pub fn serve(
    mut settings: Arc<Settings>,
    disk: Disk,
    program: PathBuf,
    read: impl Fn() -> Result<Arc<Settings>, String>,
) -> Result<(), DaemonError> {
    runtime()?.block_on(async {
        let mut ears = Ears::new()?;
        let open = |settings: &Arc<Settings>| {
            Turn::new(settings.clone(), disk.clone(), program.clone(), Mode::Run)
        };
        let mut turn = open(&settings)?;
        loop {
            if let End::Done = turn.run(&mut ears).await? {
                return Ok(());
            }
            service::rereading();
            let fits = |fresh: Arc<Settings>| match check(&fresh) {
                Ok(()) => Ok(fresh),
                Err(error) => Err(error.to_string()),
            };
            let fresh = match read().and_then(fits) {
                Ok(fresh) => fresh,
                Err(complaint) => {
                    refused(&complaint);
                    continue;
                }
            };
            // What is heard from here on is heard by the next loop.
            let started = turn.board.started();
            turn.let_go().await;
            // The locks are given back before they are taken again.
            drop(turn);
            turn = match open(&fresh) {
                Ok(turn) => {
                    tracing::info!("the settings were read again");
                    settings = fresh;
                    turn
                }
                Err(error) => {
                    refused(&error.to_string());
                    open(&settings)?
                }
            };
            turn.board.since(started);
        }
    })
}

fn refused(complaint: &str) {
    tracing::error!("the settings are refused, the old ones stay in force: {complaint}");
}
