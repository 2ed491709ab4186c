//! What a service manager hears: ready, status, still alive; nothing where there is none. And what
//! it says, as anybody may: signals.

use std::time::Duration;

use sd_notify::NotifyState;
use tokio::signal::unix::{Signal, SignalKind, signal};

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
    terminate: Signal,
    interrupt: Signal,
    hangup: Signal,
}

impl Ears {
    /// From now on no signal of these ends the process by itself.
    pub fn new() -> Result<Self, DaemonError> {
        let listen = |kind| signal(kind).map_err(|error| DaemonError::Worker(error.to_string()));
        Ok(Self {
            terminate: listen(SignalKind::terminate())?,
            interrupt: listen(SignalKind::interrupt())?,
            hangup: listen(SignalKind::hangup())?,
        })
    }

    /// Waits for the next word.
    pub async fn hear(&mut self) -> Word {
        tokio::select! {
            biased;
            _ = self.terminate.recv() => Word::Stop,
            _ = self.interrupt.recv() => Word::Stop,
            _ = self.hangup.recv() => Word::Reread,
        }
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
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!("the service manager could not be told: {error}");
    }
}
