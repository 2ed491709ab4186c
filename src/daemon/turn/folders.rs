//! When folders are scanned, and what becomes of hints.

use std::collections::BTreeSet;
use std::time::Duration;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::{TICK, Turn};
use crate::daemon::{DaemonError, Mode};
use crate::facts::WatchMode;
use crate::watch::Hint;

/// A folder that is hinted at is scanned this much later, so that a burst makes one scan.
const BURST: SignedDuration = SignedDuration::from_millis(300);

impl Turn {
    /// Scans the folders that are due. True where every folder was scanned in this step.
    pub(super) fn scan(&mut self, now: Timestamp) -> Result<bool, DaemonError> {
        if let Some(watcher) = &mut self.watcher {
            // No event tells of a disk that was unmounted, or mounted over a folder.
            let long_ago = now.duration_since(self.rooted).abs() >= TICK;
            if long_ago || self.scans.values().any(|at| *at <= now) {
                self.rooted = now;
                watcher.check_roots();
            }
        }
        let due: Vec<usize> = self
            .scans
            .iter()
            .filter(|(_, at)| **at <= now)
            .map(|(index, _)| *index)
            .collect();
        let before = self.engine.generation();
        for index in &due {
            self.engine.scan(*index, now)?;
            let next = now
                .saturating_add(self.interval(*index))
                .unwrap_or(Timestamp::MAX);
            self.scans.insert(*index, next);
        }
        self.stale |= self.engine.generation() != before;
        Ok(due.len() == self.scans.len())
    }

    fn interval(&self, index: usize) -> Duration {
        let settings = &self.engine.settings;
        match settings.watch.get(index).map(|watch| watch.mode) {
            Some(WatchMode::Polling(interval)) => interval,
            _ if self.mode == Mode::Once => settings.scan_interval,
            _ => match &self.watcher {
                Some(watcher) if watcher.is_watching(index) => settings.scan_interval,
                _ => settings.scan_interval.min(TICK.unsigned_abs()),
            },
        }
    }

    pub(in crate::daemon) fn follow(
        &mut self,
        hints: Vec<Hint>,
        now: Timestamp,
    ) -> Result<(), DaemonError> {
        let before = self.engine.generation();
        let soon = now.saturating_add(BURST).unwrap_or(now);
        let mut sooner = |index: &usize, then: Timestamp| {
            if let Some(at) = self.scans.get_mut(index) {
                *at = (*at).min(then);
            }
        };
        let followed = self.engine.follow(hints, now, |index| sooner(&index, soon));
        if followed.is_err() {
            // Scans make up for hints that were lost.
            (0..self.engine.settings.watch.len()).for_each(|index| sooner(&index, now));
            return followed;
        }
        self.stale |= self.engine.generation() != before;
        Ok(())
    }

    /// Nights that end now: short files are taken as they are, folders scanned, logs closed.
    pub(super) fn close_nights(&mut self, now: Timestamp) {
        if self.mode == Mode::Once {
            return;
        }
        let settings = self.engine.settings.clone();
        let closing = self.engine.teller.closing(&settings, now);
        let teller = &self.engine.teller;
        let over: BTreeSet<Date> = self
            .engine
            .settle
            .shorts()
            .map(|(_, changed)| settings.site.night_of(changed))
            .filter(|&night| teller.is_over(night, &settings, now))
            .collect();
        let short = self
            .engine
            .overdue(|changed| over.contains(&settings.site.night_of(changed)));
        self.requests.extend(short);
        for night in closing {
            tracing::info!(%night, "the night is over");
            self.scans.values_mut().for_each(|at| *at = (*at).min(now));
        }
    }
}
