//! Looks about for what is worth telling at once, and has it told.
//!
//! It does not decide what that is: the alarm does.

use jiff::{SignedDuration, Timestamp};

use super::engine::Engine;
use super::hooks::Hooks;
use super::{Mode, digest, space};
use crate::facts::{Occasion, Settings};
use crate::night::{self, Alarm};

/// Between two looks at the disks and the captures.
const LOOK: SignedDuration = SignedDuration::from_secs(60);

/// Whoever tells.
pub struct Herald {
    hooks: Hooks,
    /// When it last looked.
    looked: Timestamp,
}

impl Herald {
    /// Gets the hooks ready. `once` has none: who calls it is there and sees how it ends.
    pub fn new(settings: &Settings, mode: Mode) -> Self {
        let hooks = match mode {
            Mode::Run => &*settings.alarms.hooks,
            Mode::Once => &[],
        };
        Self {
            hooks: Hooks::start(hooks, &settings.output),
            looked: Timestamp::MIN,
        }
    }

    /// Looks about if it is time, and tells what has come up.
    pub fn attend(&mut self, settings: &Settings, alarm: &mut Alarm, now: Timestamp) {
        if now.duration_since(self.looked).abs() >= LOOK {
            self.looked = now;
            alarm.look(now);
            alarm.space(&space::spaces(settings), now);
        }
        for event in alarm.events() {
            let occasion = event.occasion();
            // The others have a line of their own where they come up.
            if matches!(occasion, Occasion::Stalled | Occasion::DiskLow) {
                tracing::warn!("{}: {}", occasion.word(), event.text());
            }
            self.hooks.tell(&event);
        }
    }

    /// No work is left: nights whose logs were closed meanwhile are as done as they will be.
    pub fn nights(&mut self, engine: &mut Engine, now: Timestamp) {
        for night in engine.teller.closed() {
            match digest(&engine.settings, night) {
                Ok((log, digest)) => engine.alarm.closed(&night::summary(&log), digest, now),
                Err(error) => tracing::warn!("{error}"),
            }
        }
        self.attend(&engine.settings, &mut engine.alarm, now);
    }
}
