//! Opens everything and runs the loop to its end; opens everything anew where what was opened is not
//! there any more, or where a hangup signal has the settings read again.
//!
//! Where a disk is full, not mounted yet or may not be written to while everything is opened, the
//! daemon waits as the loop does: whoever started it counts restarts, and gives up in the end.
//! Invariant: settings that are refused change nothing; the loop goes on with those it had, its
//! running task included.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::Timestamp;
use tokio::runtime::Builder;

use super::herald::Herald;
use super::lasting::Lasting;
use super::locks::check;
use super::service::{self, Ears, Word};
use super::turn::{End, RETRY, Turn};
use super::{DaemonError, Mode, Outcome};
use crate::facts::Settings;
use crate::publish::Disk;

/// Runs the daemon until it is told to stop. `read` reads the settings again, or says what is wrong
/// with them; `program` is our own executable, for decoding compressed files.
///
/// # Errors
/// What keeps the first loop from starting, and what no loop can go on with.
pub fn serve(
    settings: Arc<Settings>,
    disk: Disk,
    program: PathBuf,
    read: impl Fn() -> Result<Arc<Settings>, String>,
) -> Result<(), DaemonError> {
    let house = House {
        disk,
        program,
        mode: Mode::Run,
    };
    house.live(settings, read).map(|_| ())
}

/// The loop with settings that are never read again. `program` is our own executable, for decoding
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
    let house = House {
        disk,
        program,
        mode,
    };
    house.live(settings, || Err("they are not read again".to_owned()))
}

/// What stays the same from one loop to the next.
struct House {
    disk: Disk,
    program: PathBuf,
    mode: Mode,
}

impl House {
    /// One loop after the other, each with the settings of its time.
    fn live(
        &self,
        settings: Arc<Settings>,
        read: impl Fn() -> Result<Arc<Settings>, String>,
    ) -> Result<Outcome, DaemonError> {
        let mut threads = Builder::new_current_thread();
        let runtime = threads.enable_all().build();
        let runtime = runtime.map_err(|error| DaemonError::Worker(error.to_string()))?;
        runtime.block_on(async {
            let mut ears = Ears::new()?;
            let mut settings = settings;
            let mut lasting = Lasting::new(&settings, self.mode, Timestamp::now());
            loop {
                let Some(mut turn) = self.wait(&settings, lasting, &mut ears).await? else {
                    return Ok(stopped());
                };
                lasting = loop {
                    match turn.run(&mut ears).await {
                        Ok(End::Done) => return Ok(turn.outcome()),
                        Ok(End::Reread) => {}
                        Err(error) if error.is_over() => {
                            tracing::warn!("{error}; everything is opened anew");
                            turn.set_aside(&error);
                            break turn.leave();
                        }
                        Err(error) => return Err(error),
                    }
                    service::rereading();
                    let fits = |fresh: Arc<Settings>| match check(&fresh) {
                        Ok(()) => Ok(fresh),
                        Err(error) => Err(error.to_string()),
                    };
                    match read().and_then(fits) {
                        Ok(fresh) => match self.change(turn, &mut settings, fresh).await {
                            Ok(changed) => turn = changed,
                            Err(lasting) => break lasting,
                        },
                        Err(complaint) => refused(&complaint),
                    }
                };
            }
        })
    }

    fn open(&self, settings: &Arc<Settings>) -> Result<Turn, DaemonError> {
        let (disk, program) = (self.disk.clone(), self.program.clone());
        Turn::new(settings.clone(), disk, program, self.mode)
    }

    /// Opens everything, and waits where a disk does not allow it now. Nothing when told to stop
    /// meanwhile.
    async fn wait(
        &self,
        settings: &Arc<Settings>,
        mut lasting: Lasting,
        ears: &mut Ears,
    ) -> Result<Option<Turn>, DaemonError> {
        loop {
            let error = match self.open(settings) {
                Ok(mut turn) => {
                    turn.go_on(lasting);
                    return Ok(Some(turn));
                }
                Err(error) if self.mode == Mode::Run && error.is_passing() => error,
                Err(error) => {
                    lasting.ended(settings, &error.to_string(), Timestamp::now());
                    return Err(error);
                }
            };
            let held = lasting.wait(settings, &self.disk, &error, Timestamp::now());
            service::starting(2 * RETRY.unsigned_abs());
            let stop = tokio::select! {
                () = tokio::time::sleep(RETRY.unsigned_abs()) => false,
                word = ears.hear() => word == Word::Stop,
            };
            drop(held);
            if stop {
                service::stopping();
                lasting.ended(settings, "told to stop", Timestamp::now());
                return Ok(None);
            }
        }
    }

    /// The next loop, with fresh settings. Where they cannot be worked with, what it is to be begun
    /// with under those of before.
    async fn change(
        &self,
        mut turn: Turn,
        settings: &mut Arc<Settings>,
        fresh: Arc<Settings>,
    ) -> Result<Turn, Lasting> {
        turn.let_go().await;
        // The locks are given back before they are taken again.
        let mut lasting = turn.leave();
        match self.open(&fresh) {
            Ok(mut turn) => {
                tracing::info!("the settings were read again");
                lasting.herald = Herald::new(&fresh, self.mode);
                turn.go_on(lasting);
                *settings = fresh;
                Ok(turn)
            }
            Err(error) => {
                refused(&error.to_string());
                Err(lasting)
            }
        }
    }
}

/// Told to stop before anything was opened.
fn stopped() -> Outcome {
    Outcome {
        stopped: true,
        ..Outcome::default()
    }
}

fn refused(complaint: &str) {
    tracing::error!("the settings are refused, the old ones stay in force: {complaint}");
}
