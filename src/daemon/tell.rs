//! Keeps the nights' logs current: composes those that may have changed and writes those that did.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use super::history::History;
use super::pages::Pages;
use super::{DaemonError, session};
use crate::catalogue::CatalogueError;
use crate::facts::{
    Conditions, Fingerprint, LightState, Measured, NightState, SensorEntry, Settings,
};
use crate::make::ToPicture;
use crate::night::{self, Known, Standing};
use crate::page::Preview;
use crate::publish::Disk;

/// What there is to tell.
pub struct Teller {
    all: bool,
    nights: BTreeSet<Date>,
    open: BTreeSet<Date>,
    /// Nights whose log on file changed from open to closed.
    closed: BTreeSet<Date>,
    last_arrival: Option<Timestamp>,
    /// How the lights of nights stand, and what that was worked out from.
    standings: BTreeMap<Date, (From, Arc<Standing>)>,
    pages: Pages,
    history: History,
}

/// Asked before each part of what may take long.
pub type GoOn<'a> = &'a dyn Fn() -> Result<(), DaemonError>;

/// The measured lights, what was usual before, what is known of the sensors.
type From = (
    BTreeMap<Fingerprint, u32>,
    Vec<Conditions>,
    Vec<SensorEntry>,
);

impl Teller {
    /// At the start any night may have changed.
    pub fn new() -> Self {
        Self {
            all: true,
            nights: BTreeSet::new(),
            open: BTreeSet::new(),
            closed: BTreeSet::new(),
            last_arrival: None,
            standings: BTreeMap::new(),
            pages: Pages::default(),
            history: History::default(),
        }
    }

    /// One night may have changed.
    pub fn night(&mut self, night: Date) {
        self.nights.insert(night);
    }

    /// Any night may have changed.
    pub fn all(&mut self) {
        self.all = true;
    }

    /// What is known of a file that is still arriving has changed: open nights name it.
    pub fn arriving(&mut self) {
        self.nights.extend(&self.open);
    }

    /// A file arrived.
    pub fn arrived(&mut self, at: Timestamp) {
        self.last_arrival = self.last_arrival.max(Some(at));
    }

    /// The clock was set back: nothing can have arrived later than now.
    pub fn set_back(&mut self, now: Timestamp) {
        self.last_arrival = self.last_arrival.map(|at| at.min(now));
    }

    /// Is there anything to tell?
    pub fn is_due(&self) -> bool {
        self.all || !self.nights.is_empty()
    }

    /// Is this night over?
    pub fn is_over(&self, night: Date, settings: &Settings, now: Timestamp) -> bool {
        night::is_over(
            night,
            &settings.site,
            &settings.close,
            now,
            self.last_arrival,
        )
    }

    /// Nights that were open when last told and are over now, each named once: they are to be told.
    pub fn closing(&mut self, settings: &Settings, now: Timestamp) -> Vec<Date> {
        let closing: Vec<Date> = self
            .open
            .iter()
            .copied()
            .filter(|&night| self.is_over(night, settings, now))
            .collect();
        for night in &closing {
            self.open.remove(night);
            self.nights.insert(*night);
        }
        closing
    }

    /// Nights whose log was closed since the last call. The log on file is the memory, so a night
    /// that ended while nothing ran counts too, and none counts twice.
    pub fn closed(&mut self) -> BTreeSet<Date> {
        std::mem::take(&mut self.closed)
    }

    /// Writes the logs that changed. `all_over`: no night is open. `measures` reads what was measured
    /// on lights. Where it may not go on, what is left stays due.
    pub fn tell(
        &mut self,
        known: &Known<'_>,
        disk: &Disk,
        now: Timestamp,
        all_over: bool,
        measures: impl Fn(Vec<Fingerprint>) -> Result<BTreeMap<Fingerprint, Measured>, CatalogueError>,
        go_on: GoOn<'_>,
    ) -> Result<(), DaemonError> {
        let Known {
            snapshot,
            plan,
            settings,
        } = *known;
        let mut nights = night::nights(snapshot, plan, settings);
        // A night that lost its last file has a log that still names it.
        for night in &self.nights {
            nights.entry(*night).or_default();
        }
        self.history
            .complete(&settings.output, |night| nights.contains_key(night), go_on)?;
        for (night, members) in nights {
            let waits =
                |index: &usize| matches!(plan.lights.get(*index), Some(LightState::Waiting(_)));
            if !self.all && !self.nights.contains(&night) && !members.iter().any(waits) {
                continue;
            }
            go_on()?;
            let over = all_over || self.is_over(night, settings, now);
            let state = if over {
                NightState::Closed
            } else {
                NightState::Open
            };
            let standing = self.standing(known, night, &members, &measures)?;
            let compose = |previous: Option<&crate::facts::SessionLog>| {
                night::compose(known, night, &members, state, &standing, previous)
            };
            let path = session(&settings.output, night);
            let on_file = fs::read_to_string(&path).unwrap_or_default();
            if members.is_empty() && on_file.is_empty() {
                continue;
            }
            let mut log = compose(None);
            let mut text = night::yaml(&log);
            let mut closes = false;
            // Only where the text differs can there be entries that only the old log knows.
            if text != on_file
                && let Ok(previous) = night::parse(&on_file)
            {
                log = compose(Some(&previous));
                text = night::yaml(&log);
                closes = over && previous.state == NightState::Open;
            }
            let is_new = text != on_file;
            if is_new {
                disk.publish(&path, text.as_bytes())?;
            }
            if closes {
                self.closed.insert(night);
            }
            self.pages.note(&settings.output, night, &log, is_new);
            if self.history.note(night, &log) && !self.all {
                for other in self.history.beside(night).into_iter().flatten() {
                    self.pages.again(&settings.output, other);
                }
            }
            if over {
                self.open.remove(&night);
            } else {
                self.open.insert(night);
            }
        }
        self.history.write(settings, disk)?;
        self.all = false;
        self.nights.clear();
        Ok(())
    }

    /// Writes the pages that are due; gives the pictures that the next one waits for.
    pub fn pages(
        &mut self,
        settings: &Settings,
        disk: &Disk,
        go_on: GoOn<'_>,
    ) -> Result<Vec<ToPicture>, DaemonError> {
        self.pages.write(settings, disk, &self.history, go_on)?;
        Ok(self.pages.wanted())
    }

    /// A picture was made, or cannot be.
    pub fn picture(&mut self, product: String, picture: Option<Preview>) {
        self.pages.picture(product, picture);
    }

    /// How the lights of a night stand, worked out anew only where they or what is usual have changed.
    fn standing(
        &mut self,
        known: &Known<'_>,
        night: Date,
        members: &[usize],
        measures: &impl Fn(Vec<Fingerprint>) -> Result<BTreeMap<Fingerprint, Measured>, CatalogueError>,
    ) -> Result<Arc<Standing>, DaemonError> {
        let lights = night::lights_of(known, members);
        let usual = night::usual_before(self.history.before(night));
        let sensors = night::sensors(known.snapshot, known.plan, night);
        let from = (lights, usual, sensors);
        if let Some((before, standing)) = self.standings.get(&night)
            && *before == from
        {
            return Ok(standing.clone());
        }
        let (lights, usual, sensors) = &from;
        let measured = measures(lights.keys().copied().collect())?;
        let standing = night::standing(known, members, &measured, usual, sensors);
        let standing = Arc::new(standing);
        self.standings.insert(night, (from, standing.clone()));
        Ok(standing)
    }
}
