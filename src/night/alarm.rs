//! What is worth telling at once: a state machine over what the loop sees, with the clock as an
//! argument.
//!
//! Invariant: what lasts is told once. A disk that is low is told of again only after there was
//! clearly more room, a stalled capture only after a frame came, a failure only after its cause
//! gave peace for an hour, or is over. What fails again within the hour and goes on failing is told
//! of when the hour has passed: the last word is never that it works.
//!
//! It does not know who is told, or how.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::sun::is_dark;
use super::text::{bytes, clock, counted, span, utc};
use crate::facts::{Alarms, Frame, Kind, NightSummary, Occasion, Site, Space};

/// Value of the `schema` key.
const SCHEMA: &str = "dawnledger-event/1";

/// A cause of failures is told of again after it gave peace for so long.
const PEACE: SignedDuration = SignedDuration::from_hours(1);

/// So many lights of a rig in one night are a series whose end is noticed.
const SERIES: usize = 3;

/// A disk counts as recovered when it has so much more room than the limit: one that hovers about
/// it is told of once.
const RECOVERED: f64 = 1.1;

/// Something worth telling at once, in the shape in which it is told.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Event {
    schema: &'static str,
    #[serde(flatten)]
    what: What,
    site: String,
    night: String,
    time_utc: String,
    /// One line for a person.
    text: String,
}

impl Event {
    /// Which occasion it is.
    pub fn occasion(&self) -> Occasion {
        match self.what {
            What::NightClosed { .. } => Occasion::NightClosed,
            What::Stalled { .. } => Occasion::Stalled,
            What::Failed { .. } => Occasion::Failed,
            What::Recovered { .. } => Occasion::Recovered,
            What::DiskLow { .. } => Occasion::DiskLow,
        }
    }

    /// The document that a hook reads: JSON, each key on a line of its own, so that a shell script
    /// can pick one.
    #[allow(
        clippy::expect_used,
        reason = "structs of strings and finite numbers always serialise"
    )]
    pub fn document(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).expect("an event is plain data");
        text.push('\n');
        text
    }

    /// One line for a person.
    pub fn text(&self) -> &str {
        &self.text
    }
}

/// What happened, with what belongs to it.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum What {
    NightClosed {
        numbers: Numbers,
        digest: String,
    },
    Stalled {
        rig: String,
        last_frame_utc: String,
    },
    Failed {
        cause: &'static str,
    },
    Recovered {
        cause: &'static str,
    },
    DiskLow {
        folder: String,
        free_bytes: u64,
        limit_bytes: u64,
    },
}

/// A closed night in numbers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
struct Numbers {
    files: usize,
    lights: usize,
    calibrated: usize,
    kept: usize,
    set_aside: usize,
    waiting: usize,
    kept_s: f64,
    warnings: usize,
    to_shoot: usize,
}

/// What a failure is about: causes are told of independently of each other.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// Products could not be made.
    Product,
    /// Raw files could not be read.
    Raw,
    /// The disk could not be written.
    Disk,
    /// This watch folder is away.
    Folder(String),
}

impl Cause {
    fn word(&self) -> &'static str {
        match self {
            Self::Product => "product",
            Self::Raw => "raw-file",
            Self::Disk => "disk",
            Self::Folder(_) => "watch-folder",
        }
    }

    /// True where it is known when it is over.
    fn ends(&self) -> bool {
        matches!(self, Self::Disk | Self::Folder(_))
    }
}

/// How the capture of one rig goes tonight.
struct Capture {
    night: Date,
    lights: usize,
    /// When the last frame arrived, and how long it was exposed.
    last: Timestamp,
    exposure_s: f64,
    told: bool,
}

/// What is on watch.
pub struct Alarm {
    site: Site,
    limits: Alarms,
    captures: BTreeMap<String, Capture>,
    low: BTreeSet<u64>,
    /// When each cause was last told of, or raised since while it lasted.
    raised: BTreeMap<Cause, Timestamp>,
    /// Causes that were told of and are not over.
    lasting: BTreeSet<Cause>,
    events: Vec<Event>,
}

impl Alarm {
    /// All is well so far.
    pub fn new(site: Site, limits: Alarms) -> Self {
        Self {
            site,
            limits,
            captures: BTreeMap::new(),
            low: BTreeSet::new(),
            raised: BTreeMap::new(),
            lasting: BTreeSet::new(),
            events: Vec::new(),
        }
    }

    /// A frame arrived. Only what is captured on the night of its arrival says that a capture is
    /// going on: old frames may be copied at any time.
    pub fn frame(&mut self, frame: &Frame, arrived: Timestamp) {
        let night = self.site.night_of(arrived);
        if frame.start.map(|start| self.site.night_of(start)) != Some(night) {
            return;
        }
        let fresh = || Capture {
            night,
            lights: 0,
            last: Timestamp::MIN,
            exposure_s: 0.0,
            told: false,
        };
        let capture = self.captures.entry(frame.rig.to_string());
        let capture = capture.or_insert_with(fresh);
        if capture.night < night {
            *capture = fresh();
        }
        capture.lights += usize::from(frame.kind == Kind::Light);
        if arrived >= capture.last {
            capture.last = arrived;
            capture.exposure_s = frame.exposure.get();
            capture.told = false;
        }
    }

    /// Something failed, or fails still.
    pub fn failed(&mut self, cause: Cause, text: &str, now: Timestamp) {
        let lasts = self.lasting.contains(&cause);
        let before = self.raised.get(&cause);
        // A clock that was set back may have left a time to come.
        let peace = before.is_none_or(|before| now.duration_since(*before).abs() >= PEACE);
        let told = peace && !(lasts && cause.ends());
        // What is not told does not put off its own telling.
        if lasts || told {
            self.raised.insert(cause.clone(), now);
        }
        if told {
            let what = What::Failed {
                cause: cause.word(),
            };
            self.push(what, text.to_owned(), now);
            self.lasting.insert(cause);
        }
    }

    /// What failed works again. Of a failure that was not told the end is not told either.
    pub fn recovered(&mut self, cause: &Cause, text: &str, now: Timestamp) {
        if self.lasting.remove(cause) {
            let cause = cause.word();
            self.push(What::Recovered { cause }, text.to_owned(), now);
        }
    }

    /// Goes on where another left off: what that one told is not told again.
    pub fn go_on(&mut self, before: Self) {
        self.captures.extend(before.captures);
        self.low = before.low;
        self.raised = before.raised;
        self.lasting = before.lasting;
        self.events.splice(..0, before.events);
    }

    /// This is free where our folders lie. Folders on one disk are one cause.
    pub fn space(&mut self, spaces: &[Space], now: Timestamp) {
        let limit = self.limits.disk_low;
        for space in spaces {
            if space.free_bytes as f64 >= limit as f64 * RECOVERED {
                self.low.remove(&space.disk);
            } else if space.free_bytes < limit && self.low.insert(space.disk) {
                let folder = space.folder.display().to_string();
                let text = format!(
                    "{} left at {folder}, the limit is {}",
                    bytes(space.free_bytes),
                    bytes(limit)
                );
                let what = What::DiskLow {
                    folder,
                    free_bytes: space.free_bytes,
                    limit_bytes: limit,
                };
                self.push(what, text, now);
            }
        }
    }

    /// The time has come to look whether captures still go on.
    pub fn look(&mut self, now: Timestamp) {
        let night = self.site.night_of(now);
        self.captures.retain(|_, capture| capture.night >= night);
        let patience = SignedDuration::try_from(self.limits.stalled).unwrap_or(PEACE);
        let site = &self.site;
        let mut stalled = Vec::new();
        for (rig, capture) in &mut self.captures {
            let exposure = SignedDuration::try_from_secs_f64(capture.exposure_s);
            let patience = patience.saturating_add(exposure.unwrap_or_default());
            let quiet = now.duration_since(capture.last);
            if capture.told || capture.lights < SERIES || quiet < patience || !is_dark(site, now) {
                continue;
            }
            capture.told = true;
            let text = format!(
                "no frame of {rig} for {}, though it is dark: the last came at {}",
                span(quiet.as_secs_f64()),
                clock(capture.last, &site.time_zone)
            );
            let what = What::Stalled {
                rig: rig.clone(),
                last_frame_utc: utc(capture.last),
            };
            stalled.push((what, text));
        }
        for (what, text) in stalled {
            self.push(what, text, now);
        }
    }

    /// A night's log was closed, and no work is left.
    pub fn closed(&mut self, summary: &NightSummary, digest: String, now: Timestamp) {
        let calibrated = summary.kept() + summary.set_aside();
        let numbers = Numbers {
            files: summary.ledger.seen,
            lights: summary.ledger.lights,
            calibrated,
            kept: summary.kept(),
            set_aside: summary.set_aside(),
            waiting: summary.waiting,
            kept_s: summary.kept_s(),
            warnings: summary.warnings,
            to_shoot: summary.to_shoot,
        };
        let mut text = format!(
            "night of {}: {}, {calibrated} calibrated, {} kept ({})",
            summary.night,
            counted(numbers.lights, "light"),
            numbers.kept,
            span(numbers.kept_s)
        );
        if numbers.waiting > 0 {
            text += &format!(", {} waiting", numbers.waiting);
        }
        if numbers.to_shoot > 0 {
            text += &format!("; {} to shoot", counted(numbers.to_shoot, "set"));
        }
        let night = summary.night.clone();
        let what = What::NightClosed { numbers, digest };
        self.push(what, text, now);
        if let Some(event) = self.events.last_mut() {
            event.night = night;
        }
    }

    /// What has come up since the last call.
    pub fn events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    fn push(&mut self, what: What, text: String, now: Timestamp) {
        self.events.push(Event {
            schema: SCHEMA,
            what,
            site: self.site.name.clone(),
            night: self.site.night_of(now).to_string(),
            time_utc: utc(now),
            text,
        });
    }
}
