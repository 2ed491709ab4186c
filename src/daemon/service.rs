//! What a service manager hears: ready, status, still alive; nothing where there is none. And what
//! it says, as anybody may: signals.
//!
//! Signals are heard on a thread of their own, so that a step of the loop that takes long can look
//! whether it is to be left.

use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use sd_notify::NotifyState;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::DaemonError;

/// What a signal means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// End.
    Stop,
    /// Read the settings again.
    Reread,
}

/// Listens to signals. What comes while nobody hears is kept.
pub struct Ears {
    words: UnboundedReceiver<Word>,
    stop: Stop,
}

impl Ears {
    /// From now on no signal of these ends the process by itself. Must be called within the runtime.
    pub fn new() -> Result<Self, DaemonError> {
        let listen = |kind| signal(kind).map_err(|error| DaemonError::Worker(error.to_string()));
        let mut terminate = listen(SignalKind::terminate())?;
        let mut interrupt = listen(SignalKind::interrupt())?;
        let mut hangup = listen(SignalKind::hangup())?;
        let (heard, words) = unbounded_channel();
        let stop = Stop::default();
        let asked = stop.clone();
        tokio::spawn(async move {
            loop {
                let word = tokio::select! {
                    biased;
                    _ = terminate.recv() => Word::Stop,
                    _ = interrupt.recv() => Word::Stop,
                    _ = hangup.recv() => Word::Reread,
                };
                if word == Word::Stop {
                    asked.ask();
                }
                if heard.send(word).is_err() {
                    return;
                }
            }
        });
        Ok(Self { words, stop })
    }

    /// For whoever cannot hear.
    pub fn stop(&self) -> Stop {
        self.stop.clone()
    }

    /// Waits for the next word.
    pub async fn hear(&mut self) -> Word {
        match self.words.recv().await {
            Some(word) => word,
            // The runtime ends.
            None => std::future::pending().await,
        }
    }
}

/// Between two signs of life of a step that takes long.
const SIGN: Duration = Duration::from_secs(5);

/// How long such a step may take until its next sign of life.
const LONGEST: Duration = Duration::from_secs(120);

/// Whether an end was asked for. A step of the loop that takes long looks at it between its parts,
/// since nobody hears while it is under way.
#[derive(Clone)]
pub struct Stop {
    asked: Arc<AtomicBool>,
    step: Arc<Mutex<Step>>,
}

/// The step that is under way.
struct Step {
    /// When it began, or gave its last sign of life.
    signed: Instant,
    /// False where the worker gave none: then the loop gives none for both.
    is_vouched_for: bool,
}

impl Step {
    /// Is a sign of life due? Then it counts as given.
    fn signs(&mut self, now: Instant) -> bool {
        let due = self.is_vouched_for && now.saturating_duration_since(self.signed) >= SIGN;
        if due {
            self.signed = now;
        }
        due
    }
}

impl Default for Stop {
    fn default() -> Self {
        let step = Step {
            signed: Instant::now(),
            is_vouched_for: true,
        };
        Self {
            asked: Arc::default(),
            step: Arc::new(Mutex::new(step)),
        }
    }
}

impl Stop {
    /// Asks for an end.
    pub fn ask(&self) {
        self.asked.store(true, Ordering::Relaxed);
    }

    /// A step of the loop begins; `worker` tells whether the worker works, if it has work.
    pub fn begin(&self, worker: bool) {
        if let Ok(mut step) = self.step.lock() {
            *step = Step {
                signed: Instant::now(),
                is_vouched_for: worker,
            };
        }
    }

    /// Gives a sign of life where the step has gone on for long without.
    ///
    /// # Errors
    /// [`DaemonError::Stopped`] where an end was asked for.
    pub fn look(&self) -> Result<(), DaemonError> {
        if self.asked.load(Ordering::Relaxed) {
            return Err(DaemonError::Stopped);
        }
        if self
            .step
            .lock()
            .is_ok_and(|mut step| step.signs(Instant::now()))
        {
            starting(LONGEST);
        }
        Ok(())
    }
}

/// Folders are watched and work begins.
pub fn ready() {
    tell(&[NotifyState::Ready]);
}

/// Not ready yet, and no reason to give up before this much longer.
pub fn starting(longer: Duration) {
    let longer = u32::try_from(longer.as_micros()).unwrap_or(u32::MAX);
    tell(&[
        NotifyState::ExtendTimeoutUsec(longer),
        NotifyState::Watchdog,
    ]);
}

/// One line on what goes on.
pub fn status(text: &str) {
    tell(&[NotifyState::Status(text)]);
}

/// The loop turns and the worker works.
pub fn alive() {
    tell(&[NotifyState::Watchdog]);
}

/// The settings are read again; [`ready`] follows. The moment is for service managers that compare it
/// with that of their signal.
pub fn rereading() {
    match NotifyState::monotonic_usec_now() {
        Ok(moment) => tell(&[NotifyState::Reloading, moment]),
        Err(error) => tracing::debug!("no moment for the service manager: {error}"),
    }
}

/// The process is about to end.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

/// How often [`alive`] is expected, if at all.
pub fn watchdog() -> Option<Duration> {
    sd_notify::watchdog_enabled()
}

fn tell(state: &[NotifyState<'_>]) {
    let told =
        std::env::var_os("NOTIFY_SOCKET").map_or(Ok(()), |socket| send(&socket, state, PATIENCE));
    if let Err(error) = told {
        tracing::debug!("the service manager could not be told: {error}");
    }
}

/// A service manager that reads no more must not hold up the loop, or the work would stand still with it.
const PATIENCE: Duration = Duration::from_millis(500);

fn send(socket: &OsStr, state: &[NotifyState<'_>], patience: Duration) -> io::Result<()> {
    let lines: String = state.iter().map(|line| format!("{line}\n")).collect();
    let way = UnixDatagram::unbound()?;
    way.set_write_timeout(Some(patience))?;
    match socket.as_bytes().strip_prefix(b"@") {
        Some(name) => way.connect_addr(&SocketAddr::from_abstract_name(name)?)?,
        None => way.connect(socket)?,
    }
    way.send(lines.as_bytes()).map(|_| ())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    /// Else many short steps would vouch for a worker that hangs.
    #[test]
    fn only_a_step_that_lasts_beside_a_worker_that_works_gives_signs() {
        let begun = Instant::now();
        let after = |step: &mut Step, seconds| step.signs(begun + Duration::from_secs(seconds));
        let mut step = Step {
            signed: begun,
            is_vouched_for: true,
        };
        let signs = [0, 4, 5, 6, 9, 10, 30].map(|seconds| after(&mut step, seconds));
        assert_eq!(signs, [false, false, true, false, false, true, true]);
        step = Step {
            signed: begun,
            is_vouched_for: false,
        };
        assert!(!after(&mut step, 100));
    }

    #[test]
    fn whoever_reads_no_more_is_told_no_more() {
        let folder = tempfile::TempDir::new().unwrap();
        let path = folder.path().join("notify");
        let ear = UnixDatagram::bind(&path).unwrap();
        let status = [NotifyState::Status("all is well"), NotifyState::Watchdog];
        let tell = || send(path.as_os_str(), &status, Duration::from_millis(1));
        tell().unwrap();
        let mut heard = [0; 64];
        let length = ear.recv(&mut heard).unwrap();
        assert_eq!(&heard[..length], b"STATUS=all is well\nWATCHDOG=1\n");
        // However long the queue is that the system keeps for it.
        let refused = (0..100_000).find_map(|_| tell().err());
        assert_eq!(refused.unwrap().kind(), io::ErrorKind::WouldBlock);
    }

    #[test]
    fn a_name_without_a_file_is_found() {
        let name = format!("dawnledger-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(&name).unwrap();
        let ear = UnixDatagram::bind_addr(&address).unwrap();
        let path = format!("@{name}");
        send(OsStr::new(&path), &[NotifyState::Ready], PATIENCE).unwrap();
        let mut heard = [0; 64];
        let length = ear.recv(&mut heard).unwrap();
        assert_eq!(&heard[..length], b"READY=1\n");
    }
}
