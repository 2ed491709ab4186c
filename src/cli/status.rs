//! `status`: what the daemon does now, what waits and why, what comes next, what went wrong last.
//!
//! Whether a daemon is at work says its lock; what it does, its own word in the state folder; what
//! waits, the catalogue, which also answers while nothing runs. Nothing is changed.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::Path;

use anyhow::{Context, anyhow};
use jiff::{SignedDuration, Timestamp, ToSpan};

use super::{Failure, plan, settings};
use crate::daemon::{self, Status};
use crate::facts::{Content, Entry, Kind, LightState, Plan, Settings, Snapshot, Wait};
use crate::night;
use crate::plan::{Patience, plan as planned};

/// So many reasons to wait are listed.
const LISTED: usize = 12;

/// Prints how it stands. Exit 1 where no daemon is at work.
pub fn status(config: &Path) -> Result<(), Failure> {
    let settings = settings::read(config)?;
    let now = Timestamp::now();
    let (text, is_running) = text(&settings, now)?;
    print!("{text}");
    match is_running {
        true => Ok(()),
        false => Err(anyhow!("no daemon is at work").into()),
    }
}

/// The text, and whether a daemon is at work.
pub fn text(settings: &Settings, now: Timestamp) -> Result<(String, bool), Failure> {
    let state = &settings.state;
    if !state.is_dir() {
        let head = format!(
            "no word      the state folder {} is not there: no daemon has begun, or one waits for it, \
             and says so in its log\n",
            state.display()
        );
        return Ok((head, false));
    }
    let said = daemon::status(state)
        .with_context(|| format!("{}: could not read the status", state.display()))?;
    let at_work = daemon::is_at_work(state)?;
    let snapshot = plan::snapshot(settings)?;
    let plan = planned(&snapshot, settings, Patience::Until(now));
    let mut text = Text {
        settings,
        now,
        text: String::new(),
    };
    text.head(said.as_ref(), at_work);
    if let Some(said) = &said {
        text.work(said, at_work);
    }
    text.list(
        "waits",
        &waits(&snapshot, &plan, settings),
        "dawnledger plan",
    );
    let running = said.as_ref().filter(|said| at_work && said.ended.is_none());
    text.next(running, &snapshot);
    for space in daemon::spaces(settings) {
        let free = night::bytes(space.free_bytes);
        text.line(
            "free",
            &format!("{free} for {} in {}", space.role, space.folder.display()),
        );
    }
    text.troubles(said.as_ref());
    Ok((text.text, at_work))
}

/// The text as far as it is written: each line begins with a word on what it is about.
struct Text<'a> {
    settings: &'a Settings,
    now: Timestamp,
    text: String,
}

impl Text<'_> {
    fn line(&mut self, word: &str, text: &str) {
        let _ = writeln!(self.text, "{word:<12} {}", night::tame(text));
    }

    /// On a clock of the site, with the day where it is another.
    fn clock(&self, moment: Timestamp) -> String {
        let local =
            |moment: Timestamp| moment.to_zoned_datetime(self.settings.site.time_zone.clone());
        let (then, now) = (local(moment), local(self.now));
        let clock = then.strftime("%H:%M:%S");
        match then.date() == now.date() {
            true => clock.to_string(),
            false => format!("{} {clock}", then.date()),
        }
    }

    fn head(&mut self, said: Option<&Status>, at_work: bool) {
        let (word, text) = match (at_work, said) {
            (true, Some(said)) if said.ended.is_none() => {
                let since = self.clock(said.started_utc);
                (
                    "running",
                    format!("since {since}, version {}", said.version),
                )
            }
            (true, _) => (
                "at work",
                "without a word: `once` works on this folder, or a daemon is just starting or waits \
                 for room here"
                    .to_owned(),
            ),
            (false, None) => (
                "not running",
                "no daemon has left word in the state folder".to_owned(),
            ),
            (false, Some(said)) => match &said.ended {
                Some(ended) => {
                    let since = self.clock(ended.at_utc);
                    ("not running", format!("since {since}: {}", ended.why))
                }
                None => {
                    let heard = self.clock(said.written_utc);
                    let lost =
                        "it was killed or the power failed; a start mends what is unfinished";
                    ("not running", format!("last heard of at {heard}: {lost}"))
                }
            },
        };
        self.line(word, &text);
    }

    fn work(&mut self, said: &Status, at_work: bool) {
        let since = self.clock(said.since_utc);
        match (at_work, &said.ended) {
            (true, None) => self.line("now", &format!("{}, since {since}", said.doing)),
            (false, None) => self.line("last", &format!("{}, since {since}", said.doing)),
            (_, Some(_)) => return,
        }
        if said.seen.arriving > 0 {
            let files = night::counted(said.seen.arriving, "file");
            let first = said.seen.first_arriving.as_ref();
            let first = first.map_or(String::new(), |first| format!("; {first}"));
            self.line("arriving", &format!("{files}{first}"));
        }
        for away in &said.seen.away {
            self.line("away", away);
        }
    }

    fn list(&mut self, word: &str, texts: &[String], more: &str) {
        for text in texts.iter().take(LISTED) {
            self.line(word, text);
        }
        if let Some(rest) = texts.len().checked_sub(LISTED).filter(|rest| *rest > 0) {
            self.line(word, &format!("for {rest} more reasons: {more}"));
        }
    }

    /// What happens by itself, in order of time.
    fn next(&mut self, said: Option<&Status>, snapshot: &Snapshot) {
        let own = said.iter().flat_map(|said| &said.seen.next);
        let mut next: Vec<(Timestamp, String)> = own
            .map(|next| (next.at_utc, next.what.clone()))
            .chain(closings(snapshot, self.settings, self.now))
            .filter(|(at, _)| *at >= self.now)
            .collect();
        next.sort();
        for (at, what) in next {
            self.line("next", &format!("{} {what}", self.clock(at)));
        }
    }

    fn troubles(&mut self, said: Option<&Status>) {
        let troubles = said.map_or(&[][..], |said| &said.troubles);
        if troubles.is_empty() {
            return self.line("trouble", "none known");
        }
        for trouble in troubles {
            let word = if trouble.is_error { "error" } else { "warning" };
            self.line(
                word,
                &format!("{} {}", self.clock(trouble.at_utc), trouble.text),
            );
        }
    }
}

/// Nights that are still open, and when each closes if nothing more comes.
fn closings(snapshot: &Snapshot, settings: &Settings, now: Timestamp) -> Vec<(Timestamp, String)> {
    let site = &settings.site;
    let arrived = |entry: &Entry| match entry.content {
        Content::Ignored(_) => None,
        _ => Some(entry.arrived),
    };
    let quiet = SignedDuration::try_from(settings.close.quiet).unwrap_or(SignedDuration::MAX);
    let last = snapshot.entries.iter().filter_map(arrived).max();
    let is_quiet = last.and_then(|last| last.checked_add(quiet).ok());
    let nights = snapshot
        .entries
        .iter()
        .map(|entry| site.night_of(entry.moment()));
    let nights: BTreeSet<_> = nights.collect();
    let closing = nights.into_iter().map(|night| {
        let at = night::closes_at(night, site, &settings.close);
        let at = at.max(is_quiet.unwrap_or(Timestamp::MIN));
        (
            at,
            format!("the night of {night} closes, unless more comes"),
        )
    });
    closing.filter(|(at, _)| *at > now).collect()
}

/// What waits, with the reason and the last night whose frames would still serve.
fn waits(snapshot: &Snapshot, plan: &Plan, settings: &Settings) -> Vec<String> {
    let mut lights: BTreeMap<_, usize> = BTreeMap::new();
    for (index, state) in plan.lights.iter() {
        if let (LightState::Waiting(wait), Some(entry)) = (state, snapshot.entries.get(index))
            && let Content::Frame { frame, .. } = &entry.content
        {
            let night = settings.site.night_of(entry.moment());
            let after = wanted(wait).and_then(|kind| {
                let (_, after) = settings.profile(&frame.rig)?.windows.of(kind);
                Some(after)
            });
            *lights
                .entry((night, frame.rig.to_string(), wait.to_string(), after))
                .or_default() += 1;
        }
    }
    let lights = lights
        .into_iter()
        .rev()
        .map(|((night, rig, why, after), count)| {
            let last = after.and_then(|nights| night.checked_add(nights.days()).ok());
            let until = last.map_or(String::new(), |last| {
                format!("; frames up to the night of {last} serve")
            });
            let lights = night::counted(count, "light");
            format!("{lights} of {rig}, {night}: {why}{until}")
        });
    lights.chain(plan::sets(plan, settings)).collect()
}

/// The kind of frame whose lack makes wait.
fn wanted(wait: &Wait) -> Option<Kind> {
    match wait {
        Wait::TooFew { kind, .. } | Wait::NoMaster { kind, .. } => Some(*kind),
        Wait::Master { because, .. } => wanted(because),
        _ => None,
    }
}
