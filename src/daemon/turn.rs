//! The loop itself: whoever has something to say is heard, the worker is kept busy, and what
//! changed is told.

mod folders;
mod reports;

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};

use super::engine::{Engine, batch};
use super::herald::Herald;
use super::intake::Intake;
use super::lasting::say;
use super::service::{self, Ears, Stop, Word};
use super::status::{Appointment, Board, Seen};
use super::supplied::Shelf;
use super::worker::{Job, Request, Worker};
use super::{DaemonError, network, space};
use crate::facts::{FileId, Settings};
use crate::fits::{self, Unpacker};
use crate::make::{Maker, Pool, Pulse};
use crate::night::Cause;
use crate::publish::Disk;
use crate::watch::{Hints, Watcher};

/// The loop looks around at least this often.
const TICK: SignedDuration = SignedDuration::from_secs(60);

/// While there is work, logs are written at most this often.
const TELL: SignedDuration = SignedDuration::from_secs(10);

/// After a passing failure of the disk everything waits this long.
pub(super) const RETRY: SignedDuration = SignedDuration::from_secs(10);

/// How long an abandoned task may take to notice.
const FAREWELL: Duration = Duration::from_secs(8);

/// How long after a request to stop logs are still written, the wait for the worker among it.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// Whether the loop ever ends by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Watch until told to stop.
    Run,
    /// Take everything there now as complete, finish it, end.
    Once,
}

/// What a loop that ended did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Files taken in.
    pub taken: usize,
    /// Products made.
    pub made: usize,
    /// Products that could not be made.
    pub failed: usize,
    /// Files that could not be read.
    pub unread: usize,
    /// Watch folders that could not be read.
    pub away: usize,
    /// Told to stop before it was done.
    pub stopped: bool,
}

/// Why the loop ended.
pub(super) enum End {
    /// All is done, or it was told to stop.
    Done,
    /// Its settings are to be read again. It may be run on as it is.
    Reread,
}

pub(super) struct Turn {
    pub(super) engine: Engine,
    pub(super) board: Board,
    pub(super) worker: Worker,
    pub(super) herald: Herald,
    watcher: Option<Watcher>,
    hints: Arc<Hints>,
    mode: Mode,
    /// When each watch folder is scanned next.
    pub(super) scans: BTreeMap<usize, Timestamp>,
    /// Files waiting to be handed to the worker.
    requests: Vec<Request>,
    /// What the last plan asked for and is still to be given out.
    queue: VecDeque<Job>,
    /// When a set that grows is to be looked at again.
    wake: Option<Timestamp>,
    /// Something changed since the last plan.
    pub(super) stale: bool,
    told: Timestamp,
    pub(super) retry: Option<Timestamp>,
    /// What it waits for, or has waited for since it last had nothing to do.
    pub(super) trouble: Option<String>,
    /// Folders of ours that this process has had open.
    pub(super) opened: BTreeSet<PathBuf>,
    /// When the watch folders' roots were last looked at.
    rooted: Timestamp,
    /// The latest time known: one before it means that the clock was set back.
    clock: Timestamp,
    beats: u64,
    progress: super::progress::Progress,
    outcome: Outcome,
}

impl Turn {
    pub(super) fn new(
        settings: Arc<Settings>,
        disk: Disk,
        program: PathBuf,
        mode: Mode,
        stop: Stop,
    ) -> Result<Self, DaemonError> {
        let scratch = settings.state.join("scratch");
        let pulse = Arc::new(Pulse::default());
        let unpacker = || Unpacker::new(program.clone(), scratch.clone());
        // The loop itself waits for these; each is given up in time.
        let attended = stop.clone();
        let shelf = unpacker().in_all();
        let shelf = Shelf::new(shelf.attended(move || attended.look().is_ok()));
        let of_worker = || {
            let pulse = pulse.clone();
            unpacker().attended(move || pulse.beat().is_ok())
        };
        let engine = Engine::open(settings.clone(), disk, shelf, mode, stop)?;
        let disk = engine.disk().clone();
        fits::sweep(&scratch, &disk)?;
        let board = Board::open(disk.clone(), &settings.state, mode, Timestamp::now());
        let intake = Intake {
            profiles: settings.profiles.clone(),
            unpacker: of_worker(),
            pixels: Pool::default(),
        };
        let folders = settings
            .watch
            .iter()
            .map(|watch| (watch.name.clone(), watch.path.clone()))
            .collect();
        let maker = Maker::new(
            disk,
            settings.output.clone(),
            folders,
            of_worker(),
            settings.memory_budget,
        );
        let worker = Worker::start(intake, maker, settings.threads, pulse.clone())?;
        // Watched before the first scan, so that nothing falls between the two.
        let watcher =
            (mode == Mode::Run).then(|| Watcher::new(&settings.watch, network::changes_unseen));
        let hints = watcher.as_ref().map_or_else(Arc::default, Watcher::hints);
        let herald = Herald::new(&settings, mode);
        let opened = [&settings.state, &settings.output].map(PathBuf::clone);
        Ok(Self {
            engine,
            board,
            worker,
            herald,
            watcher,
            hints,
            mode,
            scans: (0..settings.watch.len())
                .map(|index| (index, Timestamp::MIN))
                .collect(),
            requests: Vec::new(),
            queue: VecDeque::new(),
            wake: None,
            stale: true,
            told: Timestamp::MIN,
            retry: None,
            trouble: None,
            opened: opened.into(),
            rooted: Timestamp::MIN,
            clock: Timestamp::MIN,
            beats: 0,
            progress: super::progress::Progress::default(),
            outcome: Outcome::default(),
        })
    }

    /// Turns until there is nothing left to do, someone asks for an end or for other settings, or it
    /// cannot go on.
    pub(super) async fn run(&mut self, ears: &mut Ears) -> Result<End, DaemonError> {
        if self.mode == Mode::Run {
            service::ready();
            tracing::info!(folders = self.engine.settings.watch.len(), "watching");
        }
        loop {
            match self.step(Timestamp::now()) {
                Ok(true) => return Ok(End::Done),
                Ok(false) => {}
                Err(DaemonError::Stopped) => return self.end().await,
                Err(error) => self.bear(error).await?,
            }
            let pause = self.pause(Timestamp::now());
            let heard = tokio::select! {
                report = self.worker.reports.recv() => match report {
                    Some(report) => self.report(report, Timestamp::now()),
                    None => Err(DaemonError::Worker("its thread is gone".to_owned())),
                },
                hints = self.hints.wait() => self.follow(hints, Timestamp::now()),
                () = tokio::time::sleep(pause) => Ok(()),
                word = ears.hear() => match word {
                    Word::Reread if self.mode == Mode::Run => return Ok(End::Reread),
                    // The terminal that `once` was called from is gone.
                    Word::Reread | Word::Stop => return self.end().await,
                },
            };
            match heard {
                Ok(()) => {}
                Err(DaemonError::Stopped) => return self.end().await,
                Err(error) => self.bear(error).await?,
            }
        }
    }

    /// The daemon waits out what may pass; anything else is the end.
    async fn bear(&mut self, error: DaemonError) -> Result<(), DaemonError> {
        if self.mode == Mode::Run && error.is_passing() {
            self.trouble(&error, Timestamp::now());
            return Ok(());
        }
        self.part().await;
        if !error.is_over() {
            self.board.ended(&error.to_string(), Timestamp::now());
        }
        Err(error)
    }

    /// Does what is due. True when nothing is left to do and the loop may end.
    pub(super) fn step(&mut self, now: Timestamp) -> Result<bool, DaemonError> {
        self.show_life();
        self.tick(now);
        self.report_status(now);
        let engine = &mut self.engine;
        self.herald.attend(&engine.settings, &mut engine.alarm, now);
        if let Some(retry) = self.retry {
            if now < retry {
                return Ok(false);
            }
            self.retry = None;
            self.stale = true;
        }
        self.engine.holds()?;
        self.stale |= self.engine.try_again(now);
        self.close_nights(now);
        let scanned = self.scan(now)?;
        self.requests.extend(self.engine.due(now));
        if self.worker.busy {
            if now.duration_since(self.told) >= TELL {
                self.told = now;
                self.engine.tell(now)?;
            }
            return Ok(false);
        }
        if !self.requests.is_empty() {
            let requests = batch(&mut self.requests);
            self.board
                .doing(format!("taking in {} files", requests.len()), now);
            self.worker.give(Job::TakeIn(requests))?;
            return Ok(false);
        }
        if self.queue.is_empty() && (self.stale || self.wake.is_some_and(|wake| wake <= now)) {
            self.plan(now)?;
        }
        if let Some(job) = self.queue.pop_front() {
            let left = self.queue.len();
            match &job {
                Job::Make(task) => {
                    space::check(&self.engine.settings.output, task)?;
                    self.progress.begin(&task.product, left + 1);
                    let doing = format!("making {}, {left} more in line", task.product);
                    self.board.doing(doing, now);
                }
                Job::Measure(light) => {
                    let doing = format!("measuring {}, {left} more in line", light.product);
                    self.board.doing(doing, now);
                }
                Job::Know(task) => {
                    let camera = &task.camera.name;
                    let doing = format!("measuring the sensor of {camera}, {left} more in line");
                    self.board.doing(doing, now);
                }
                Job::TakeIn(_) | Job::Picture(_) => {}
            }
            self.worker.give(job)?;
            return Ok(false);
        }
        self.progress.clear();
        self.told = now;
        self.engine.tell(now)?;
        let wanted = self.engine.pages()?;
        if !wanted.is_empty() {
            self.worker.give(Job::Picture(wanted))?;
            return Ok(false);
        }
        if self.mode == Mode::Once {
            // A last look: what came meanwhile is taken along.
            if scanned {
                self.outcome.away = self.engine.away.len();
                self.outcome.unread = self.engine.settle.put_off_count();
                self.outcome.failed = self.engine.failures()?;
                return Ok(true);
            }
            self.scans.values_mut().for_each(|at| *at = Timestamp::MIN);
            return Ok(false);
        }
        if let Some(trouble) = self.trouble.take() {
            let text = format!("over, and all is made up for: {trouble}");
            tracing::info!("{text}");
            self.engine.alarm.recovered(&Cause::Disk, &text, now);
        }
        self.herald.nights(&mut self.engine, now);
        self.engine.let_go_in_time(now);
        let doing = match self.engine.away.values().next() {
            Some(away) => format!("a watch folder is away: {away}"),
            None => "watching".to_owned(),
        };
        self.board.doing(doing, now);
        Ok(false)
    }

    /// Keeps the status file current.
    fn report_status(&mut self, now: Timestamp) {
        if !self.board.is_due(now) {
            return;
        }
        let engine = &self.engine;
        let known =
            |(file, note): (&FileId, &str)| (!note.is_empty()).then(|| format!("{file}: {note}"));
        let appointments = [
            (self.retry, "everything is tried again"),
            (
                engine.again(),
                "raw files that could not be read are tried again",
            ),
            (self.wake, "a set that may still grow is looked at again"),
        ];
        let next = appointments.into_iter().filter_map(|(at, what)| {
            let what = what.to_owned();
            Some(Appointment { at_utc: at?, what })
        });
        let seen = Seen {
            arriving: engine.settle.arriving().count(),
            first_arriving: engine.settle.arriving().find_map(known),
            away: engine.away.values().cloned().collect(),
            next: next.collect(),
        };
        self.board.look(seen, now);
    }

    /// Notes the time. Where the clock was set back nothing waits for the time it had: all that
    /// has an appointment is done now.
    fn tick(&mut self, now: Timestamp) {
        if now < self.clock {
            tracing::warn!("the clock was set back from {} to {now}", self.clock);
            self.scans.values_mut().for_each(|at| *at = (*at).min(now));
            self.engine.set_back(now);
            self.retry = self.retry.map(|at| at.min(now));
            self.told = self.told.min(now);
            self.engine.teller.set_back(now);
            self.stale = true;
        }
        self.clock = now;
    }

    /// What was done.
    pub(super) fn outcome(&self) -> Outcome {
        self.outcome
    }

    fn plan(&mut self, now: Timestamp) -> Result<(), DaemonError> {
        let plan = self.engine.plan(now)?;
        self.wake = plan.wake;
        self.stale = false;
        if !plan.to_know.is_empty() {
            // What is known of a sensor may decide what is made.
            let tasks = plan.to_know.into_iter();
            self.queue = tasks.map(|task| Job::Know(Box::new(task))).collect();
            return Ok(());
        }
        let tasks = plan.tasks.into_iter().map(|task| Job::Make(Box::new(task)));
        let lights = plan
            .to_measure
            .into_iter()
            .map(|light| Job::Measure(Box::new(light)));
        self.queue = tasks.chain(lights).collect();
        Ok(())
    }

    /// Tells the watchdog that all is well, if it is.
    fn show_life(&mut self) {
        let alive = self.is_alive();
        if alive {
            service::alive();
        }
        self.engine.begin_step(alive);
    }

    /// The loop turns; does the worker work, if it has work? It does where it has given a sign since
    /// this was asked last.
    pub(super) fn is_alive(&mut self) -> bool {
        let beats = self.worker.pulse.beats();
        let before = std::mem::replace(&mut self.beats, beats);
        !self.worker.busy || beats != before
    }

    pub(super) fn trouble(&mut self, error: &DaemonError, now: Timestamp) {
        let alarm = &mut self.engine.alarm;
        say(error, &mut self.trouble, Some(&mut self.board), alarm, now);
        self.queue.clear();
        self.engine.doubt();
        self.retry = now.checked_add(RETRY).ok();
    }

    /// How long nothing needs to be done unless someone speaks up.
    fn pause(&self, now: Timestamp) -> Duration {
        let mut pause = TICK.unsigned_abs();
        if let Some(watchdog) = service::watchdog() {
            pause = pause.min(watchdog / 3);
        }
        let retry = self.retry;
        let moments = self
            .scans
            .values()
            .copied()
            .chain(self.engine.settle.next_due())
            .chain(self.engine.again())
            // While there is work its report comes first.
            .chain(self.wake.filter(|_| !self.worker.busy))
            .filter(|_| retry.is_none())
            .chain(retry)
            .chain(self.board.due());
        for moment in moments {
            let until = Duration::try_from(moment.duration_since(now)).unwrap_or(Duration::ZERO);
            pause = pause.min(until);
        }
        if self.worker.busy {
            pause.max(Duration::from_millis(50))
        } else {
            pause
        }
    }

    /// Abandons the running task and says goodbye.
    pub(super) async fn end(&mut self) -> Result<End, DaemonError> {
        tracing::info!("stopping");
        service::stopping();
        self.outcome.stopped = true;
        let begun = Instant::now();
        self.part().await;
        let left = LAST_WORDS.saturating_sub(begun.elapsed());
        let told = self.engine.tell_within(left, Timestamp::now());
        self.board.ended("told to stop", Timestamp::now());
        match told {
            // What is not told now is told after the next start.
            Ok(()) | Err(DaemonError::Stopped) => Ok(End::Done),
            Err(error) => Err(error),
        }
    }

    /// Abandons the running task, but does not wait for ever.
    async fn part(&mut self) {
        let _ = tokio::time::timeout(FAREWELL, self.let_go()).await;
    }

    /// Abandons the running task and waits until the worker has noticed. False where an end is asked for
    /// meanwhile.
    pub(super) async fn is_let_go(&mut self, ears: &mut Ears) -> bool {
        loop {
            tokio::select! {
                () = self.let_go() => return true,
                word = ears.hear() => if word == Word::Stop {
                    return false;
                },
            }
        }
    }

    async fn let_go(&mut self) {
        self.worker.pulse.stop();
        self.progress.clear();
        if self.worker.busy {
            // What it reports is not recorded: the next start finds a product that was finished.
            let _ = self.worker.reports.recv().await;
        }
    }
}
