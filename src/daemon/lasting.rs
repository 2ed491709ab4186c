//! What lasts from one loop to the next, and what is said while there is none: that a disk is waited
//! for is told as the loop tells it, once, to the log, the hooks, the service manager, and in the
//! state folder where that takes it.

use jiff::Timestamp;

use super::herald::Herald;
use super::locks::{self, Lock};
use super::status::{Board, Seen};
use super::turn::RETRY;
use super::{DaemonError, Mode};
use crate::facts::Settings;
use crate::night::{Alarm, Cause};
use crate::publish::Disk;

/// What a loop goes on with.
pub struct Lasting {
    /// Since when the process runs.
    pub started: Timestamp,
    /// What was told, and is not told again.
    pub alarm: Alarm,
    /// Whoever is told.
    pub herald: Herald,
    /// What is waited for.
    pub trouble: Option<String>,
    /// There while no loop has one.
    board: Option<Board>,
}

impl Lasting {
    /// The process has just begun. Must be called within the runtime, as hooks must.
    pub fn new(settings: &Settings, mode: Mode, now: Timestamp) -> Self {
        let alarm = Alarm::new(settings.site.clone(), settings.alarms.clone());
        Self::of(now, alarm, Herald::new(settings, mode), None)
    }

    /// What a loop leaves.
    pub fn of(started: Timestamp, alarm: Alarm, herald: Herald, trouble: Option<String>) -> Self {
        Self {
            started,
            alarm,
            herald,
            trouble,
            board: None,
        }
    }

    /// Nothing can be opened for now: says so. While the lock is held, where it could be had, whoever
    /// asks finds the daemon at work.
    pub fn wait(
        &mut self,
        settings: &Settings,
        disk: &Disk,
        error: &DaemonError,
        now: Timestamp,
    ) -> Option<Lock> {
        let held = locks::take(&settings.state).ok();
        let open = || Board::open(disk.clone(), &settings.state, Mode::Run, now);
        let board = self.board.get_or_insert_with(open);
        board.since(self.started);
        say(error, &mut self.trouble, board, &mut self.alarm, now);
        if held.is_some() {
            board.look(Seen::default(), now);
        }
        self.herald.attend(settings, &mut self.alarm, now);
        held
    }

    /// The process ends without having opened anything.
    pub fn ended(&mut self, settings: &Settings, why: &str, now: Timestamp) {
        if let (Some(board), Ok(_held)) = (&mut self.board, locks::take(&settings.state)) {
            board.ended(why, now);
        }
    }
}

/// Something is waited for. `before` is what was waited for until now: a disk that stays full for a
/// week is no reason for a line every few seconds.
pub fn say(
    error: &DaemonError,
    before: &mut Option<String>,
    board: &mut Board,
    alarm: &mut Alarm,
    now: Timestamp,
) {
    let text = error.to_string();
    if before.as_ref() != Some(&text) {
        tracing::error!("{text}; trying again every {} s", RETRY.as_secs());
    }
    board.doing(format!("waiting: {text}"), now);
    alarm.failed(Cause::Disk, &text, now);
    *before = Some(text);
}
