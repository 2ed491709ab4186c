//! What lasts from one loop to the next, and what is said while there is none: that a disk is waited
//! for is told as the loop tells it, once, to the log, the hooks, the service manager, and in the
//! state folder where that takes it.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;

use jiff::Timestamp;

use super::herald::Herald;
use super::locks::{self, Lock};
use super::status::{Board, Seen};
use super::turn::{RETRY, Turn};
use super::{DaemonError, Mode, service};
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
    /// Folders of ours that were open. They are never made anew: where one is missing its disk is,
    /// and it would lie on the wrong one.
    opened: BTreeSet<PathBuf>,
    /// What to go back to where settings that were read again turn out to be of no use.
    before: Option<Arc<Settings>>,
    /// There while no loop has one.
    board: Option<Board>,
}

impl Lasting {
    /// The process has just begun. Must be called within the runtime, as hooks must.
    pub fn new(settings: &Settings, mode: Mode, now: Timestamp) -> Self {
        Self {
            started: now,
            alarm: Alarm::new(settings.site.clone(), settings.alarms.clone()),
            herald: Herald::new(settings, mode),
            trouble: None,
            opened: BTreeSet::new(),
            before: None,
            board: None,
        }
    }

    /// Folders that were open must be there.
    pub fn are_there(&self, settings: &Settings) -> Result<(), DaemonError> {
        let ours = [&settings.state, &settings.output].into_iter();
        let mut opened = ours.filter(|&path| self.opened.contains(path));
        opened.try_for_each(|path| locks::is_there(path))
    }

    /// The settings were read again. They stay where everything can be opened with them, at once or
    /// in time.
    pub fn change(&mut self, settings: &mut Arc<Settings>, fresh: Arc<Settings>) {
        tracing::info!("the settings are good, everything is opened anew with them");
        let before = std::mem::replace(settings, fresh);
        self.before.get_or_insert(before);
        self.turn_to(settings);
    }

    /// True where settings that were read again are now to be opened with.
    pub fn is_changed(&self) -> bool {
        self.before.is_some()
    }

    /// Back to the settings of before. False where there are none.
    pub fn change_back(&mut self, settings: &mut Arc<Settings>) -> bool {
        let Some(before) = self.before.take() else {
            return false;
        };
        *settings = before;
        self.turn_to(settings);
        true
    }

    fn turn_to(&mut self, settings: &Settings) {
        self.herald = Herald::new(settings, Mode::Run);
        self.board = None;
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
        let mut board = match &held {
            Some(_) => Some(self.board.get_or_insert_with(open)),
            None => None,
        };
        say(
            error,
            &mut self.trouble,
            board.as_deref_mut(),
            &mut self.alarm,
            now,
        );
        if let Some(board) = board {
            board.since(self.started);
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

/// From one loop to the next.
impl Turn {
    /// A catalogue that turned out damaged is of no use to the next loop, which begins another. Where
    /// it cannot be moved now, that one finds it damaged too.
    pub fn set_aside(&self, error: &DaemonError) {
        let DaemonError::Catalogue(damage) = error else {
            return;
        };
        if damage.is_damage()
            && let Err(error) = self.engine.set_catalogue_aside()
        {
            tracing::warn!("{error}");
        }
    }

    /// Ends; what lasts is for the next loop. What this one opened is given back.
    pub fn leave(self) -> Lasting {
        Lasting {
            started: self.board.started(),
            alarm: self.engine.alarm,
            herald: self.herald,
            trouble: self.trouble,
            opened: self.opened,
            before: None,
            board: None,
        }
    }

    /// Goes on with what another left, or with what was begun while there was none.
    pub fn go_on(&mut self, lasting: Lasting) {
        self.board.since(lasting.started);
        self.engine.alarm.go_on(lasting.alarm);
        self.herald = lasting.herald;
        self.trouble = lasting.trouble;
        self.opened.extend(lasting.opened);
    }
}

/// Something is waited for. There is a board where the state folder is locked. `before` is what was
/// waited for until now: a disk that stays full for a week is no reason for a line every few seconds.
pub fn say(
    error: &DaemonError,
    before: &mut Option<String>,
    board: Option<&mut Board>,
    alarm: &mut Alarm,
    now: Timestamp,
) {
    let text = error.to_string();
    if before.as_ref() != Some(&text) {
        tracing::error!("{text}; trying again every {} s", RETRY.as_secs());
    }
    let doing = format!("waiting: {text}");
    match board {
        Some(board) => board.doing(doing, now),
        None => service::status(&doing),
    }
    alarm.failed(Cause::Disk, &text, now);
    *before = Some(text);
}
