//! The last warnings and errors of this process, kept beside the log for whoever asks how it goes.
//!
//! Invariant: a flood of warnings pushes no error out.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

use super::event::Said;

/// So many warnings, and so many errors, are kept.
const KEPT: usize = 10;

/// What was logged as a warning or an error.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Trouble {
    /// When.
    pub at_utc: Timestamp,
    /// An error, not only a warning.
    pub is_error: bool,
    /// The line.
    pub text: String,
}

static KNOWN: Mutex<VecDeque<Trouble>> = Mutex::new(VecDeque::new());

/// Listens to the log.
pub struct Troubles;

impl<S: Subscriber> Layer<S> for Troubles {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let level = *event.metadata().level();
        if level <= Level::WARN {
            let trouble = Trouble {
                at_utc: Timestamp::now(),
                is_error: level == Level::ERROR,
                text: Said::by(event).line(),
            };
            keep(&mut known(), trouble);
        }
    }
}

/// What is known, the earliest first.
pub fn troubles() -> Vec<Trouble> {
    known().iter().cloned().collect()
}

/// Troubles of an earlier process, which are not forgotten with it. Those of this one stay.
pub fn remember(earlier: Vec<Trouble>) {
    let mut known = known();
    let since = std::mem::take(&mut *known);
    let earlier = earlier
        .into_iter()
        .filter(|trouble| !since.contains(trouble));
    let earlier: Vec<Trouble> = earlier.collect();
    earlier
        .into_iter()
        .for_each(|trouble| keep(&mut known, trouble));
    since
        .into_iter()
        .for_each(|trouble| keep(&mut known, trouble));
}

fn keep(known: &mut VecDeque<Trouble>, trouble: Trouble) {
    let alike = |other: &Trouble| other.is_error == trouble.is_error;
    if known.iter().filter(|other| alike(other)).count() >= KEPT {
        let oldest = known.iter().position(alike);
        oldest.and_then(|at| known.remove(at));
    }
    known.push_back(trouble);
}

fn known() -> MutexGuard<'static, VecDeque<Trouble>> {
    KNOWN.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_warnings_pushes_no_error_out() {
        let mut known = VecDeque::new();
        for number in 0..100 {
            let trouble = Trouble {
                at_utc: Timestamp::UNIX_EPOCH,
                is_error: number == 3,
                text: number.to_string(),
            };
            keep(&mut known, trouble);
        }
        let texts: Vec<&str> = known.iter().map(|trouble| &*trouble.text).collect();
        assert_eq!(
            texts,
            [
                "3", "90", "91", "92", "93", "94", "95", "96", "97", "98", "99"
            ]
        );
    }
}
