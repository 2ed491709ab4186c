//! When is a file done? A state machine over looks at files that are not taken in yet.
//!
//! A file is done when its writer closed it or renamed it into place, or when its size and times
//! have stayed the same for the settle time. Before a file is handed out it is looked at once
//! more, so that a file that grew since nobody looked is never taken for a quiet one. A file
//! whose header promises more than is there stays *arriving* until its stamp changes or
//! [`Settle::finish`] takes what is there as final.
//!
//! Time is wall-clock time handed in by the caller. When the clock is set back, the waiting done
//! so far still counts; when it leaps forward, files settle early, which the further look and
//! the header's own size make harmless.
//!
//! Memory is held for files not yet taken in, never for those that are. This room does not know
//! what was taken in before: its caller reports only looks that differ from the catalogue's.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use crate::facts::{FileId, Look, Stamp};

/// What is said of a file whose writer may still be at work.
const GROWING: &str = "still being written";

/// Where a file stands.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Stage {
    /// Will be done at this time if nothing changes until then.
    Waiting(Timestamp),
    /// Handed out; its taker has not answered yet.
    HandedOut,
    /// Its header promises more than is there.
    Short(String),
    /// It could not be read, as the note says: to be tried again at this time.
    PutOff(Timestamp, String),
}

impl Stage {
    /// When it is to be handed out, where that is known.
    fn at(&self) -> Option<Timestamp> {
        match self {
            Self::Waiting(at) | Self::PutOff(at, _) => Some(*at),
            Self::HandedOut | Self::Short(_) => None,
        }
    }
}

#[derive(Clone, Debug)]
struct Known {
    stamp: Stamp,
    stage: Stage,
}

/// Files on their way in.
#[derive(Clone, Debug)]
pub struct Settle {
    quiet: SignedDuration,
    clock: Timestamp,
    files: BTreeMap<FileId, Known>,
}

impl Settle {
    /// Nothing known yet. A file is done when it has not changed for `settle`.
    pub fn new(settle: Duration) -> Self {
        Self {
            quiet: SignedDuration::try_from(settle).unwrap_or(SignedDuration::MAX),
            clock: Timestamp::MIN,
            files: BTreeMap::new(),
        }
    }

    /// A scan or an event looked at a file.
    pub fn look(&mut self, look: Look, now: Timestamp) {
        let at = after(self.tick(now), self.quiet);
        match self.files.get_mut(&look.file) {
            Some(known) if known.stamp == look.stamp => {}
            Some(known) => {
                known.stamp = look.stamp;
                known.stage = Stage::Waiting(at);
            }
            None => self.wait(look, at),
        }
    }

    /// The writer closed a file or renamed it into place: no need to wait. What is known to be
    /// short, or is handed out already, stays so unless it changed.
    pub fn closed(&mut self, look: Look, now: Timestamp) {
        let now = self.tick(now);
        match self.files.get(&look.file) {
            Some(known)
                if known.stamp == look.stamp && !matches!(known.stage, Stage::Waiting(_)) => {}
            _ => self.wait(look, now),
        }
    }

    /// A file is not there any more: it never counted.
    pub fn vanished(&mut self, file: &FileId) {
        self.files.remove(file);
    }

    /// The files that are done, by identity. Each is looked at once more through `again`: nothing
    /// means it vanished, another stamp means it settles again. What is handed out is not handed
    /// out again until it changes, or is [put back](Self::put_back).
    pub fn due(
        &mut self,
        now: Timestamp,
        mut again: impl FnMut(&FileId) -> Option<Stamp>,
    ) -> Vec<Look> {
        let now = self.tick(now);
        let later = after(now, self.quiet);
        let mut done = Vec::new();
        self.files.retain(|file, known| {
            if known.stage.at().is_none_or(|at| now < at) {
                return true;
            }
            match again(file) {
                None => return false,
                Some(stamp) if stamp == known.stamp => {
                    known.stage = Stage::HandedOut;
                    done.push(Look {
                        file: file.clone(),
                        stamp,
                    });
                }
                Some(stamp) => {
                    known.stamp = stamp;
                    known.stage = Stage::Waiting(later);
                }
            }
            true
        });
        done
    }

    /// A file was taken in as it was at `stamp`: forget it, unless it has changed since.
    pub fn taken(&mut self, file: &FileId, stamp: &Stamp) {
        if self
            .files
            .get(file)
            .is_some_and(|known| known.stamp == *stamp)
        {
            self.files.remove(file);
        }
    }

    /// A file handed out was found short of what its header promises, as `note` says: it is
    /// arriving until it changes. `stamp` is what it looked like then; if it has changed since it
    /// settles as it is.
    pub fn short(&mut self, file: &FileId, stamp: &Stamp, note: String) {
        if let Some(known) = self.files.get_mut(file)
            && known.stamp == *stamp
        {
            known.stage = Stage::Short(note);
        }
    }

    /// A file handed out changed meanwhile: it settles once more.
    pub fn put_back(&mut self, file: &FileId, now: Timestamp) {
        let at = after(self.tick(now), self.quiet);
        if let Some(known) = self.files.get_mut(file)
            && known.stage == Stage::HandedOut
        {
            known.stage = Stage::Waiting(at);
        }
    }

    /// A file handed out could not be read, as `note` says, perhaps only this time: it is handed
    /// out again at `until`, or when it changes.
    pub fn put_off(&mut self, file: &FileId, note: String, until: Timestamp) {
        if let Some(known) = self.files.get_mut(file)
            && known.stage == Stage::HandedOut
        {
            known.stage = Stage::PutOff(until, note);
        }
    }

    /// Hands out everything known that is not handed out already, settled or not, short or not:
    /// what is there is final. For a run over what lies there now, so what was put off stays so:
    /// trying it at once and for ever would be no end.
    pub fn finish(&mut self) -> Vec<Look> {
        self.hand_out(|known| matches!(known.stage, Stage::Waiting(_) | Stage::Short(_)))
    }

    /// Hands out the files that are short of what their headers promise and whose last change is
    /// so long ago, by `over`, that no more will come.
    pub fn overdue(&mut self, over: impl Fn(&Stamp) -> bool) -> Vec<Look> {
        self.hand_out(|known| matches!(known.stage, Stage::Short(_)) && over(&known.stamp))
    }

    fn hand_out(&mut self, which: impl Fn(&Known) -> bool) -> Vec<Look> {
        self.files
            .iter_mut()
            .filter(|(_, known)| which(known))
            .map(|(file, known)| {
                known.stage = Stage::HandedOut;
                Look {
                    file: file.clone(),
                    stamp: known.stamp,
                }
            })
            .collect()
    }

    /// When each short file last changed, by its own clock.
    pub fn shorts(&self) -> impl Iterator<Item = (&FileId, Timestamp)> {
        self.files
            .iter()
            .filter_map(|(file, known)| match known.stage {
                Stage::Short(_) => {
                    let changed = i128::from(known.stamp.mtime_ns);
                    Some((file, Timestamp::from_nanosecond(changed).ok()?))
                }
                _ => None,
            })
    }

    /// Files not taken in yet, by identity, with what is known of each.
    pub fn arriving(&self) -> impl Iterator<Item = (&FileId, &str)> {
        self.files.iter().map(|(file, known)| match &known.stage {
            Stage::Short(note) | Stage::PutOff(_, note) => (file, note.as_str()),
            Stage::Waiting(_) | Stage::HandedOut => (file, GROWING),
        })
    }

    /// When [`Settle::due`] is worth asking again.
    pub fn next_due(&self) -> Option<Timestamp> {
        self.files
            .values()
            .filter_map(|known| known.stage.at())
            .min()
    }

    /// How many files wait to be tried again because they could not be read.
    pub fn put_off_count(&self) -> usize {
        let put_off = |known: &&Known| matches!(known.stage, Stage::PutOff(..));
        self.files.values().filter(put_off).count()
    }

    fn wait(&mut self, look: Look, at: Timestamp) {
        let stage = Stage::Waiting(at);
        let stamp = look.stamp;
        self.files.insert(look.file, Known { stamp, stage });
    }

    /// Notes the time. A clock that was set back takes all appointments with it.
    fn tick(&mut self, now: Timestamp) -> Timestamp {
        if now < self.clock {
            let jump = self.clock.duration_since(now);
            for known in self.files.values_mut() {
                if let Stage::Waiting(at) | Stage::PutOff(at, _) = &mut known.stage {
                    *at = at.saturating_sub(jump).unwrap_or(now);
                }
            }
        }
        self.clock = now;
        now
    }
}

fn after(now: Timestamp, wait: SignedDuration) -> Timestamp {
    now.saturating_add(wait).unwrap_or(Timestamp::MAX)
}

#[cfg(test)]
mod tests;
