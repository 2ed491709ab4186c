//! What each night has to say of a rig's sensor, and what is stated of it wrongly.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::civil::Date;

use super::Shared;
use crate::facts::{Camera, DarkSet, DarkVerdict, Estimate, Fingerprint, Kind, SensorState};
use crate::judge;
use crate::measure::sensor::{PhotonTransfer, photon_transfer};
use crate::plan::cast::Member;
use crate::plan::matching::{Offer, Offers};
use crate::plan::rig::Rig;
use crate::plan::sensor::timed;

/// What is stated of a sensor may differ by this part from what is measured, beside the error.
const STATED: f64 = 0.1;

/// Where a state stands.
pub(super) type Place = (Date, Arc<Camera>, Option<DarkSet>);

impl<'a> Rig<'a, '_> {
    /// What was measured on each night's own frames.
    pub(super) fn own_nights(&self, states: &mut BTreeMap<Place, SensorState>) {
        let site = &self.given.settings.site;
        for (offer, last) in timed(&self.sensors.transfers) {
            let shared = Shared {
                night: site.night_of(last),
                camera: offer.facts.camera.clone(),
                dark: None,
                exposure: None,
                transfer: Some(offer.fingerprint),
                held: None,
            };
            self.note(states, shared, None);
        }
        for (offer, last) in timed(&self.sensors.darks) {
            let bias = self.wish(&[Kind::Bias], &offer.facts.camera, last);
            let transfers = &self.sensors.transfers;
            let shared = Shared {
                night: site.night_of(last),
                camera: offer.facts.camera.clone(),
                dark: Some(offer.fingerprint),
                exposure: None,
                transfer: transfers.choose(&bias).map(|offer| offer.fingerprint),
                held: None,
            };
            self.note(states, shared, None);
        }
    }

    /// Notes what is known, once for each night, camera and set of darks.
    pub(super) fn note(
        &self,
        states: &mut BTreeMap<Place, SensorState>,
        shared: Shared,
        verdict: Option<DarkVerdict>,
    ) {
        let known = |key: &Fingerprint| self.given.snapshot.sensors.contains_key(key);
        let site = &self.given.settings.site;
        let find = |offers: &Offers<'static>, key: Option<Fingerprint>| {
            let found = offers.get(&key.filter(&known)?);
            found.cloned()
        };
        let dark = find(&self.sensors.darks, shared.dark);
        let night_of = |offer: &Offer<'_>| offer.facts.last.map(|last| site.night_of(last));
        let dark = dark.and_then(|offer| {
            Some(DarkSet {
                key: offer.fingerprint,
                night: night_of(&offer)?,
                exposure: offer.facts.exposure,
                temperature: offer.facts.temperature,
            })
        });
        let transfer = find(&self.sensors.transfers, shared.transfer);
        let transfer = transfer.and_then(|offer| Some((offer.fingerprint, night_of(&offer)?)));
        if dark.is_none() && transfer.is_none() && verdict.is_none() {
            return;
        }
        let place = (shared.night, shared.camera.clone(), dark);
        let state = states.entry(place).or_insert_with(|| SensorState {
            night: shared.night,
            rig: self.profile().name.clone(),
            camera: shared.camera.clone(),
            transfer,
            dark,
            verdict: None,
        });
        state.transfer = state.transfer.or(transfer);
        let verdicts = state.verdict.take().into_iter().chain(verdict);
        state.verdict = judge::most_demanding(verdicts);
    }

    /// Hands the states over. Where a night has darks of a camera, they say all that flats alone would.
    pub(super) fn tell(&mut self, mut states: BTreeMap<Place, SensorState>) {
        let with_darks: BTreeSet<(Date, Arc<Camera>)> = states
            .keys()
            .filter(|(_, _, dark)| dark.is_some())
            .map(|(night, camera, _)| (*night, camera.clone()))
            .collect();
        states.retain(|(night, camera, dark), state| {
            let alone = dark.is_none() && state.verdict.is_none();
            !(alone && with_darks.contains(&(*night, camera.clone())))
        });
        self.plan.sensors.extend(states.into_values());
    }

    /// Says where a profile calls its sensor a CCD without glow and its darks glow: on the darks' own
    /// nights, and on those of the lights that they would be scaled for.
    pub(super) fn doubt_scaling(&mut self) {
        if !self.rule(Kind::Dark).is_some_and(|rule| rule.scaled) {
            return;
        }
        let darks = &self.sensors.darks;
        let own = timed(darks)
            .map(|(offer, last)| (self.given.settings.site.night_of(last), offer.fingerprint));
        let serving = self.cast.lights.iter().filter_map(|light| {
            let [(_, wish), ..] = self.wishes(light);
            let dark = darks.choose(&wish)?;
            // One of the light's own exposure serves as it is.
            wish.scale(&dark.facts)?;
            Some((light.night, dark.fingerprint))
        });
        let mut concerned: BTreeMap<Fingerprint, BTreeSet<Date>> = BTreeMap::new();
        for (night, key) in own.chain(serving) {
            concerned.entry(key).or_default().insert(night);
        }
        let mut found = BTreeSet::new();
        for (key, nights) in concerned {
            let offer = darks.get(&key);
            let glow = self.dark_signal(key).and_then(judge::glow);
            let (Some(offer), Some(glow)) = (offer, glow) else {
                continue;
            };
            let exposure = offer.facts.exposure;
            let words = format!(
                "the profile says `ccd-without-glow`, but darks of {exposure} {glow}: \
                 want `scaling` left out, and darks of the lights' own exposure"
            );
            found.extend(nights.iter().map(|&night| (night, words.clone())));
        }
        for (night, words) in found {
            self.warn(night, &words);
        }
    }

    /// Holds what headers and the profile state of a sensor against what is measured.
    pub(super) fn compare(&mut self, shared: &Shared, light: &Member<'a>) {
        let Some(found) = shared
            .transfer
            .and_then(|key| photon_transfer(self.transfer(key)?))
        else {
            return;
        };
        let transfer = shared.transfer.and_then(|key| self.transfer(key));
        let step = transfer.map_or(1.0, |transfer| transfer.step);
        let gain = shared
            .camera
            .gain
            .map_or(String::new(), |gain| format!(" at gain {gain}"));
        let PhotonTransfer {
            electrons_per_adu,
            read_noise_e,
            full,
            ..
        } = found;
        let mut warnings = Vec::new();
        let mut stated = |who: &str, said: f64, found: Estimate, unit: &str| {
            if (said - found.value).abs() > STATED * found.value + found.error {
                let ratio = if said > found.value {
                    said / found.value
                } else {
                    found.value / said
                };
                let steps = if unit == "electrons per ADU"
                    && step > 1.5
                    && (ratio / step - 1.0).abs() < STATED
                {
                    format!("; the ratio is the converter's step of {step} ADU")
                } else {
                    String::new()
                };
                warnings.push(format!(
                    "{who} {said} {unit}{gain}, flats and bias say {:.4} +- {:.4}{steps}",
                    found.value, found.error
                ));
            }
        };
        if let Some(said) = light.frame.electrons_per_adu {
            stated(
                "lights' headers say",
                said,
                electrons_per_adu,
                "electrons per ADU",
            );
        }
        if let Some(sensor) = self.profile().sensor {
            let who = "the profile's `sensor` says";
            stated(
                who,
                sensor.electrons_per_adu,
                electrons_per_adu,
                "electrons per ADU",
            );
            stated(
                who,
                sensor.read_noise_e,
                read_noise_e,
                "electrons of read noise",
            );
        }
        let apart = full.filter(|[grows, fallen]| *fallen > (1.0 + STATED) * grows);
        let bias = transfer.and_then(|transfer| transfer.bias.first());
        let bias = bias.map_or(0.0, |pair| pair.level);
        let stated = self.profile().saturation_adu;
        let silent = |fallen: f64| stated.is_some_and(|stated| stated <= bias + fallen);
        if let Some([grows, fallen]) = apart.filter(|&[_, fallen]| !silent(fallen)) {
            warnings.push(format!(
                "the noise of flats{gain} grows up to {grows:.0} ADU above the bias and has fallen at \
                 {fallen:.0}: the sensor is full between them, want `saturation_adu` in the profile"
            ));
        }
        for warning in warnings {
            self.warn(shared.night, &warning);
        }
    }
}
