//! What follows where a rig's camera holds its black level: a bias, or a dark of another exposure, then
//! lies at another level than what it would be taken off.
//!
//! Lights take darks of their own exposure alone, and flats flat-darks: where the profile's rule leaves
//! that open, it does no longer. A rule `never` is the imager's word and stands; the log says what
//! speaks against it. What was found of one set of darks holds for the frames that the set could
//! serve, whatever their exposure, and of several sets the nearest in time tells.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use super::cast::Member;
use super::darks::timed;
use super::matching::Offers;
use super::rig::Rig;
use crate::facts::{Camera, Estimate, Fingerprint, Kind, MasterFacts};
use crate::judge::{BlackLevel, Contradiction, black_level};
use crate::measure::sensor::photon_transfer;

/// What is said where frames are asked for because of it.
pub const WHY: &str = "the camera holds its black level";

/// What is known of a camera's black level.
#[derive(Default)]
pub struct Blacks {
    /// Sets of darks that say something of it. They match as a dark of any exposure does.
    telling: Offers<'static>,
    /// What speaks for its being held, of those where anything does.
    held: BTreeMap<Fingerprint, Contradiction>,
}

impl<'a> Rig<'a, '_> {
    /// Finds what measured darks say of it.
    pub(super) fn blacks(&mut self) {
        let site = &self.given.settings.site;
        let mut blacks = Blacks::default();
        for (offer, last) in timed(&self.sensors.darks) {
            let Some(signal) = self.dark_signal(offer.fingerprint) else {
                continue;
            };
            let found = black_level(signal, self.gain_for(&offer.facts, last));
            if let Some(BlackLevel::Held(contradiction)) = found {
                blacks.held.insert(offer.fingerprint, contradiction);
            }
            if found.is_some() {
                blacks.telling.admit(offer.clone(), site);
            }
        }
        self.sensors.blacks = blacks;
    }

    /// Electrons per ADU at the gain of darks whose last frame is of that moment.
    fn gain_for(&self, darks: &MasterFacts, last: Timestamp) -> Option<Estimate> {
        let bias = self.wish(&[Kind::Bias], &darks.camera, last);
        let transfer = self.sensors.transfers.choose(&bias)?;
        let found = photon_transfer(self.transfer(transfer.fingerprint)?)?;
        Some(found.electrons_per_adu)
    }

    /// What says that a camera held its black level at a moment.
    pub(super) fn held_black(
        &self,
        camera: &Arc<Camera>,
        moment: Timestamp,
    ) -> Option<(Fingerprint, Contradiction)> {
        let Blacks { telling, held } = &self.sensors.blacks;
        // Hardly any does, and every light asks.
        if held.is_empty() {
            return None;
        }
        let nearest = telling.choose(&self.wish(&[Kind::Dark], camera, moment))?;
        let found = held.get(&nearest.fingerprint)?;
        Some((nearest.fingerprint, *found))
    }

    /// The same of a light.
    pub(super) fn holds_black(&self, light: &Member<'a>) -> bool {
        self.held_black(&light.frame.camera, light.moment).is_some()
    }

    /// Says of whom it holds: of the darks' own nights, and of those of the lights it concerns.
    pub(super) fn tell_blacks(&mut self) {
        let Blacks { telling, held } = &self.sensors.blacks;
        let site = &self.given.settings.site;
        let own = held.keys().filter_map(|&key| {
            let last = telling.get(&key)?.facts.last?;
            Some((site.night_of(last), key))
        });
        let lights = self.cast.lights.iter().filter_map(|light| {
            let (key, _) = self.held_black(&light.frame.camera, light.moment)?;
            Some((light.night, key))
        });
        let concerned: BTreeSet<(Date, Fingerprint)> = own.chain(lights).collect();
        let warnings: Vec<(Date, String)> = concerned
            .into_iter()
            .filter_map(|(night, key)| {
                let (contradiction, exposure) =
                    (held.get(&key)?, telling.get(&key)?.facts.exposure);
                let follows = self.what_follows();
                Some((
                    night,
                    format!("darks of {exposure} {contradiction}: {WHY}; {follows}"),
                ))
            })
            .collect();
        for (night, words) in warnings {
            self.warn(night, &words);
        }
    }

    /// For the lights and for the flats.
    fn what_follows(&self) -> String {
        let lights = match self.wants(Kind::Dark) {
            true => "lights take darks of their own exposure only",
            false => "lights want darks of their own exposure, the profile's rule is `never`",
        };
        let flats = match self.wants(Kind::FlatDark) {
            true => "flats take flat-darks only",
            false => "flats want flat-darks, the profile's rule is `never`",
        };
        format!("{lights}, {flats}")
    }
}
