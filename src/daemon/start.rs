//! Opens everything, runs the loop to its end, and opens everything again where what was opened
//! is not there any more.
//!
//! A daemon that starts while its disk is full, not mounted yet or may not be written to waits as
//! the loop does: whoever started it counts restarts, and gives up in the end.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::signal::unix::{Signal, SignalKind, signal};

use super::turn::{RETRY, Turn};
use super::{DaemonError, Mode, Outcome, service};
use crate::facts::Settings;
use crate::publish::Disk;

/// Opens everything and runs the loop to its end. `program` is our own executable, for decoding
/// compressed files.
///
/// # Errors
/// What keeps the loop from starting; with [`Mode::Once`] also a disk that fails.
pub fn start(
    settings: Arc<Settings>,
    disk: Disk,
    program: PathBuf,
    mode: Mode,
) -> Result<Outcome, DaemonError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| DaemonError::Worker(error.to_string()))?;
    runtime.block_on(async {
        let mut stop = Stop::new()?;
        loop {
            let error = match Turn::new(settings.clone(), disk.clone(), program.clone(), mode) {
                Ok(mut turn) => match turn.run().await {
                    Ok(()) => return Ok(turn.outcome()),
                    Err(error) if error.is_over() => {
                        tracing::warn!("{error}; everything is opened anew");
                        turn.leave(&error)?;
                        continue;
                    }
                    Err(error) => return Err(error),
                },
                Err(error) if mode == Mode::Run && error.is_passing() => error,
                Err(error) => return Err(error),
            };
            tracing::error!("{error}; trying again in {} s", RETRY.as_secs());
            service::status(&format!("waiting: {error}"));
            service::starting(2 * RETRY.unsigned_abs());
            tokio::select! {
                () = tokio::time::sleep(RETRY.unsigned_abs()) => {}
                () = stop.asked() => {
                    service::stopping();
                    return Ok(Outcome { stopped: true, ..Outcome::default() });
                }
            }
        }
    })
}

/// Requests to stop.
pub(super) struct Stop {
    terminate: Signal,
    interrupt: Signal,
}

impl Stop {
    /// From now on the process does not end by itself when it is asked to.
    pub fn new() -> Result<Self, DaemonError> {
        let failed = |error: std::io::Error| DaemonError::Worker(error.to_string());
        Ok(Self {
            terminate: signal(SignalKind::terminate()).map_err(failed)?,
            interrupt: signal(SignalKind::interrupt()).map_err(failed)?,
        })
    }

    /// Waits until it is asked.
    pub async fn asked(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}
