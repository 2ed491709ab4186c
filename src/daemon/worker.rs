//! The thread that does the heavy work, one job at a time, with a pool of threads for pixels.
//!
//! A panic in a job costs that job, never the daemon.

use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::mpsc;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use rayon::prelude::*;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::DaemonError;
use super::intake::{Intake, Taken};
use super::sensor;
use crate::facts::{
    Content, Digest, Look, Made, Measured, SensorFigures, SensorTask, Task, ToMeasure,
};
use crate::make::{EACH, MakeError, Maker, Pulse, ToPicture};
use crate::page::Preview;

/// One file to take in.
pub struct Request {
    /// What it looked like.
    pub look: Look,
    /// Where it lies.
    pub path: PathBuf,
    /// Its digest, where it is known.
    pub known: Option<Digest>,
    /// Nothing more will come of it.
    pub complete: bool,
}

/// Something to do.
pub enum Job {
    /// Take files in.
    TakeIn(Vec<Request>),
    /// Make a product.
    Make(Box<Task>),
    /// Measure a light.
    Measure(Box<ToMeasure>),
    /// Make pictures of products.
    Picture(Vec<ToPicture>),
    /// Measure a sensor.
    Know(Box<SensorTask>),
}

/// Something done.
pub enum Report {
    /// Files were taken in, or not.
    TakenIn(Vec<(Look, Taken)>),
    /// A product was made in this time, or not.
    Made(Box<Task>, Duration, Box<Result<Made, MakeError>>),
    /// Pictures were made, or not.
    Pictured(Vec<(String, Result<Preview, MakeError>)>),
    /// A light was measured in this time, or not.
    Measured(Box<ToMeasure>, Duration, Box<Result<Measured, MakeError>>),
    /// A sensor was measured in this time, or not.
    Known(
        Box<SensorTask>,
        Duration,
        Box<Result<SensorFigures, MakeError>>,
    ),
}

/// The loop's end of the thread.
pub struct Worker {
    jobs: mpsc::Sender<Job>,
    /// Where reports arrive.
    pub reports: UnboundedReceiver<Report>,
    /// Shared with the thread.
    pub pulse: Arc<Pulse>,
    /// A job is under way.
    pub busy: bool,
}

impl Worker {
    /// Starts the thread. `threads` is the size of the pool; 0 means one for each core.
    /// `pulse` is shared with whoever waits on its behalf.
    pub fn start(
        intake: Intake,
        maker: Maker,
        threads: usize,
        pulse: Arc<Pulse>,
    ) -> Result<Self, DaemonError> {
        let failed = |error: &dyn std::fmt::Display| DaemonError::Worker(error.to_string());
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .thread_name(|number| format!("pixels-{number}"))
            .build()
            .map_err(|error| failed(&error))?;
        let (jobs, inbox) = mpsc::channel();
        let (outbox, reports) = unbounded_channel();
        let shared = pulse.clone();
        thread::Builder::new()
            .name("worker".to_owned())
            .spawn(move || {
                while let Ok(job) = inbox.recv() {
                    let report = pool.install(|| work(job, &intake, &maker, &shared));
                    if outbox.send(report).is_err() {
                        return;
                    }
                }
            })
            .map_err(|error| failed(&error))?;
        Ok(Self {
            jobs,
            reports,
            pulse,
            busy: false,
        })
    }

    /// Hands over a job. The worker must not be busy.
    pub fn give(&mut self, job: Job) -> Result<(), DaemonError> {
        self.busy = true;
        self.jobs
            .send(job)
            .map_err(|_| DaemonError::Worker("it does not answer".to_owned()))
    }
}

fn work(job: Job, intake: &Intake, maker: &Maker, pulse: &Pulse) -> Report {
    match job {
        Job::TakeIn(requests) => {
            let stuck = Stuck::default();
            let taken = requests.into_par_iter().with_max_len(EACH).map(|request| {
                let watch = request.look.file.watch.clone();
                let (look, taken) = match stuck.holds(&watch) {
                    false => take(intake, request, pulse),
                    true => (request.look, Taken::Later(STUCK.to_owned(), LONG)),
                };
                stuck.note(watch, &taken);
                (look, taken)
            });
            let taken = taken.collect();
            intake.pixels.clear();
            Report::TakenIn(taken)
        }
        Job::Make(task) => {
            let (took, made) = timed(|| maker.make(&task, pulse));
            Report::Made(task, took, Box::new(made))
        }
        Job::Measure(light) => {
            let (took, measured) = timed(|| maker.measure(&light, pulse));
            Report::Measured(light, took, Box::new(measured))
        }
        Job::Picture(wanted) => Report::Pictured(
            wanted
                .into_iter()
                .map(|wanted| {
                    let (_, picture) = timed(|| {
                        pulse.beat()?;
                        maker.picture(&wanted)
                    });
                    (wanted.product, picture)
                })
                .collect(),
        ),
        Job::Know(task) => {
            let (took, known) = timed(|| sensor::measure(maker, &task, pulse));
            Report::Known(task, took, Box::new(known))
        }
    }
}

/// Why a file was not even tried.
const STUCK: &str = "others of its watch folder stood still just before";

/// A file that fails after so long speaks for its watch folder.
pub(super) const LONG: Duration = Duration::from_secs(30);

/// Watch folders that stand still. Hundreds of files may be taken in at once, and to wait for each of
/// them would hold up all others for a day.
#[derive(Default)]
struct Stuck(Mutex<BTreeSet<Arc<str>>>);

impl Stuck {
    fn folders(&self) -> MutexGuard<'_, BTreeSet<Arc<str>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn holds(&self, watch: &str) -> bool {
        self.folders().contains(watch)
    }

    fn note(&self, watch: Arc<str>, taken: &Taken) {
        if matches!(taken, Taken::Later(_, took) if *took >= LONG) {
            self.folders().insert(watch);
        }
    }
}

/// Carries out one job; a panic is an error of it.
fn timed<T>(job: impl FnOnce() -> Result<T, MakeError>) -> (Duration, Result<T, MakeError>) {
    let begun = Instant::now();
    let done = catch_unwind(AssertUnwindSafe(job))
        .unwrap_or_else(|panic| Err(MakeError::Internal(words(&*panic))));
    (begun.elapsed(), done)
}

fn take(intake: &Intake, request: Request, pulse: &Pulse) -> (Look, Taken) {
    let Request {
        look,
        path,
        known,
        complete,
    } = request;
    if pulse.beat().is_err() {
        return (look, Taken::Later("stopped".to_owned(), Duration::ZERO));
    }
    let taken = catch_unwind(AssertUnwindSafe(|| {
        intake.take(&path, &look, known, complete, pulse)
    }))
    .unwrap_or_else(|panic| {
        let reason = format!("unreadable: internal error: {}", words(&*panic));
        Taken::In(Content::Refused(reason))
    });
    (look, taken)
}

fn words(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "panic".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_watch_folder_is_stuck_where_a_file_of_it_failed_after_long() {
        let stuck = Stuck::default();
        let later = |took| Taken::Later("it stood still".to_owned(), took);
        stuck.note("share".into(), &later(Duration::from_millis(20)));
        stuck.note("disk".into(), &Taken::Changed);
        assert!(!stuck.holds("share") && !stuck.holds("disk"));
        stuck.note("share".into(), &later(LONG));
        assert!(stuck.holds("share") && !stuck.holds("disk"));
    }
}
