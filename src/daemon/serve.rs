//! Opens everything and runs the loop to its end; opens everything anew where what was opened is not
//! there any more, or where a hangup signal has the settings read again.
//!
//! Where a disk is full, not mounted yet or may not be written to while everything is opened, the
//! daemon waits as the loop does: whoever started it counts restarts, and gives up in the end.
//! Invariants: settings that are refused change nothing; the loop goes on with those it had, its
//! running task included. Good ones are not refused for a disk that is full or away: it is waited for
//! with them.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::runtime::Builder;

use super::lasting::Lasting;
use super::locks::check;
use super::service::{self, Ears, Stop, Word};
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
        // The loop runs on this thread; one more hears signals and hooks while a step takes long.
        let mut threads = Builder::new_multi_thread();
        let runtime = threads.worker_threads(1).enable_all().build();
        let runtime = runtime.map_err(|error| DaemonError::Worker(error.to_string()))?;
        runtime.block_on(async {
            let mut ears = Ears::new()?;
            let mut settings = settings;
            let mut lasting = Lasting::new(&settings, self.mode, Timestamp::now());
            loop {
                let waited = self.wait(&mut settings, lasting, &mut ears, &read);
                let Some(mut turn) = waited.await? else {
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
                    match again(&read) {
                        Ok(fresh) => {
                            // What it reads from may stand still.
                            if !turn.is_let_go(&mut ears).await {
                                turn.end().await?;
                                return Ok(turn.outcome());
                            }
                            // The locks are given back before they are taken again.
                            let mut lasting = turn.leave();
                            lasting.change(&mut settings, fresh);
                            break lasting;
                        }
                        Err(complaint) => refused(&complaint),
                    }
                };
            }
        })
    }

    fn open(
        &self,
        settings: &Arc<Settings>,
        lasting: &Lasting,
        stop: Stop,
    ) -> Result<Turn, DaemonError> {
        lasting.are_there(settings)?;
        let (disk, program) = (self.disk.clone(), self.program.clone());
        Turn::new(settings.clone(), disk, program, self.mode, stop)
    }

    /// Opens everything, and waits where a disk does not allow it now. Settings that were read again
    /// and cannot be worked with are given up for those of before. Nothing when told to stop
    /// meanwhile.
    async fn wait(
        &self,
        settings: &mut Arc<Settings>,
        mut lasting: Lasting,
        ears: &mut Ears,
        read: impl Fn() -> Result<Arc<Settings>, String>,
    ) -> Result<Option<Turn>, DaemonError> {
        loop {
            let error = match self.open(settings, &lasting, ears.stop()) {
                Ok(mut turn) => {
                    if lasting.is_changed() {
                        tracing::info!("the settings were read again");
                    }
                    turn.go_on(lasting);
                    return Ok(Some(turn));
                }
                Err(DaemonError::Stopped) => return Ok(end(settings, &mut lasting)),
                Err(error) if self.mode == Mode::Run && error.is_passing() => error,
                Err(error) if lasting.change_back(settings) => {
                    refused(&error.to_string());
                    continue;
                }
                Err(error) => {
                    lasting.ended(settings, &error.to_string(), Timestamp::now());
                    return Err(error);
                }
            };
            let held = lasting.wait(settings, &self.disk, &error, Timestamp::now());
            service::starting(2 * RETRY.unsigned_abs());
            // The service manager's watchdog counts from the start on.
            let pause = service::watchdog().map_or(Duration::MAX, |watchdog| watchdog / 3);
            let word = tokio::select! {
                () = tokio::time::sleep(RETRY.unsigned_abs().min(pause)) => None,
                word = ears.hear() => Some(word),
            };
            drop(held);
            match word {
                Some(Word::Stop) => return Ok(end(settings, &mut lasting)),
                Some(Word::Reread) => match again(&read) {
                    Ok(fresh) => lasting.change(settings, fresh),
                    Err(complaint) => refused(&complaint),
                },
                None => {}
            }
        }
    }
}

/// The settings, read again and checked as far as can be without opening anything.
fn again(read: impl Fn() -> Result<Arc<Settings>, String>) -> Result<Arc<Settings>, String> {
    let fresh = read()?;
    check(&fresh).map_err(|error| error.to_string())?;
    Ok(fresh)
}

/// Told to stop before everything was opened: there is no loop.
fn end(settings: &Settings, lasting: &mut Lasting) -> Option<Turn> {
    tracing::info!("stopping");
    service::stopping();
    lasting.ended(settings, "told to stop", Timestamp::now());
    None
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
