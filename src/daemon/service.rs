//! What a service manager hears: ready, status, still alive. Nothing where there is none.

use std::time::Duration;

use sd_notify::NotifyState;

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
