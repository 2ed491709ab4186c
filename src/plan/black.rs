//! What follows where a rig's camera holds its black level: a bias, or a dark of another exposure, then
//! lies at another level than what it would be taken off.
//!
//! Lights and flats take darks of their own exposure alone: where the profile's rule leaves that open, it
//! does no longer. A rule `never` is the imager's word and stands; the log says what speaks against it.
//! Sets of darks that say anything are chosen from as masters are, whatever their exposure and
//! temperature: hard keys, the library's window, the latest before a frame, else the earliest after it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use super::cast::Member;
use super::matching::Offers;
use super::rig::Rig;
use super::sensor::timed;
use crate::facts::{Camera, Estimate, Fingerprint, Kind, MasterFacts};
use crate::judge::{BlackLevel, Contradiction, black_level};
use crate::measure::sensor::photon_transfer;

/// What is said where frames are asked for because of it.
pub const WHY: &str = "the camera holds its black level";

/// A scatter between bias frames of less than half a step is one of rounding, which the level decides.
const STEPS: f64 = 0.5;

/// What is known of a camera's black level.
#[derive(Default)]
pub struct BlackLevels {
    /// Sets of darks that say something of it.
    telling: Offers<'static>,
    /// What speaks for its being held, of those where anything does.
    held: BTreeMap<Fingerprint, Contradiction>,
}

impl<'a> Rig<'a, '_> {
    /// Finds what measured darks say of it.
    pub(super) fn black_levels(&mut self) {
        let site = &self.given.settings.site;
        let mut found = BlackLevels::default();
        for (offer, last) in timed(&self.sensors.darks) {
            let Some(signal) = self.dark_signal(offer.fingerprint) else {
                continue;
            };
            let says = black_level(signal, self.gain_for(&offer.facts, last));
            if let Some(BlackLevel::Held(contradiction)) = says {
                found.held.insert(offer.fingerprint, contradiction);
            }
            if says.is_some() {
                found.telling.admit(offer.clone(), site);
            }
        }
        self.sensors.black_levels = found;
    }

    /// Electrons per ADU at the gain of darks whose last frame is of that moment, where noise tells charge.
    fn gain_for(&self, darks: &MasterFacts, last: Timestamp) -> Option<Estimate> {
        let bias = self.wish(&[Kind::Bias], &darks.camera, last);
        let transfer = self.sensors.transfers.choose(&bias)?;
        let transfer = self.transfer(transfer.fingerprint)?;
        let found = photon_transfer(transfer)?;
        (found.noise_adu >= STEPS * transfer.step).then_some(found.electrons_per_adu)
    }

    /// The darks that say of a camera that it held its black level at a moment.
    pub(super) fn held_black(
        &self,
        camera: &Arc<Camera>,
        moment: Timestamp,
    ) -> Option<(Fingerprint, Contradiction)> {
        let BlackLevels { telling, held } = &self.sensors.black_levels;
        // Hardly any does, and every light asks.
        if held.is_empty() {
            return None;
        }
        let chosen = telling.choose(&self.wish(&[Kind::Dark], camera, moment))?;
        let found = held.get(&chosen.fingerprint)?;
        Some((chosen.fingerprint, *found))
    }

    /// Did a light's camera hold its black level?
    pub(super) fn holds_black(&self, light: &Member<'a>) -> bool {
        self.held_black(&light.frame.camera, light.moment).is_some()
    }

    /// Says it on the nights of such darks, and what follows on those of the lights and flats that go by them.
    pub(super) fn tell_black_levels(&mut self) {
        let BlackLevels { telling, held } = &self.sensors.black_levels;
        let site = &self.given.settings.site;
        let own = held.keys().filter_map(|&key| {
            let last = telling.get(&key)?.facts.last?;
            Some((site.night_of(last), key))
        });
        let lights = self
            .cast
            .lights
            .iter()
            .map(|light| (&light.frame.camera, light.moment));
        let flats = self.sets.of_kind(Kind::Flat).iter();
        let flats = flats.filter_map(|set| {
            let facts = set.facts.as_ref()?;
            Some((&facts.camera, facts.last?))
        });
        let concerned = lights.chain(flats).filter_map(|(camera, moment)| {
            let (key, _) = self.held_black(camera, moment)?;
            Some((site.night_of(moment), key))
        });
        let concerned: BTreeSet<(Date, Fingerprint)> = concerned.collect();
        let all: BTreeSet<(Date, Fingerprint)> = own.chain(concerned.iter().copied()).collect();
        let words = |&(night, key): &(Date, Fingerprint)| {
            let (contradiction, offer) = (held.get(&key)?, telling.get(&key)?);
            let exposure = offer.facts.exposure;
            let follows = match concerned.contains(&(night, key)) {
                true => format!("; {}", self.what_follows()),
                false => String::new(),
            };
            let words = format!("darks of {exposure} {contradiction}: {WHY}{follows}");
            Some((night, words))
        };
        let warnings: Vec<(Date, String)> = all.iter().filter_map(words).collect();
        for (night, words) in warnings {
            self.warn(night, &words);
        }
    }

    fn what_follows(&self) -> &'static str {
        match (self.wants(Kind::Dark), self.wants(Kind::FlatDark)) {
            (true, true) => "lights and flats take darks of their own exposure only",
            (true, false) => {
                "lights take darks of their own exposure only; flats want flat-darks, but the \
                 profile's rule is `never`"
            }
            (false, true) => {
                "flats take flat-darks only; lights want darks of their own exposure, but the \
                 profile's rule is `never`"
            }
            (false, false) => {
                "lights and flats want darks of their own exposure, but the profile's rules are `never`"
            }
        }
    }
}
