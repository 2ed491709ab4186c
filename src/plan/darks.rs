//! Do a rig's lights need darks? The verdict, from what was measured of its sensor.
//!
//! Lights of one night for which the same darks, bias, flats and black level hold get one verdict. Among them every
//! target and filter is a stack; the most demanding stack decides. Under the rule `measured` the
//! verdict takes the place of the rule.

mod told;

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;
use rayon::prelude::*;

use super::cast::Member;
use super::matching::{Offer, Readiness, Want};
use super::rig::Rig;
use super::sensor::{Sensors, Unknown};
use super::sets;
use super::tonight::Tonight;
use crate::combine::median;
use crate::facts::{
    ByEntry, Camera, DarkVerdict, Fingerprint, Kind, Need, Rule, Seconds, Stack, Wait,
};
use crate::judge::{self, Sensor};
use crate::measure::sensor::photon_transfer;

/// Lights that share a verdict.
pub struct Group {
    /// Place of the earliest among the rig's lights.
    pub(super) first: usize,
    /// The verdict, or what it waits for.
    pub(super) verdict: Result<DarkVerdict, Wait>,
}

/// What lights share a verdict by.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Shared {
    night: Date,
    camera: Arc<Camera>,
    dark: Option<Fingerprint>,
    /// Only where there is no dark: one that is found has an exposure of its own.
    exposure: Option<Seconds>,
    transfer: Option<Fingerprint>,
    /// Darks that say that the camera holds its black level.
    held: Option<Fingerprint>,
}

impl<'a> Rig<'a, '_> {
    /// Judges all lights, and notes what each night has to say of the sensor.
    pub(super) fn judge_darks(&mut self) {
        self.black_levels();
        let mut before = 0;
        let with_first = |lights: &'a [Member<'a>]| {
            let first = before;
            before += lights.len();
            (first, lights)
        };
        let nights: Vec<_> = self.cast.nights().map(with_first).collect();
        let rig = &*self;
        let groups = nights.into_par_iter();
        let groups = groups.flat_map_iter(|(first, lights)| rig.sharing(first, lights));
        let mut groups: Vec<(Shared, Vec<usize>)> = groups.collect();
        groups.sort_by(|(a, _), (b, _)| a.cmp(b));
        self.sensors.of_light = ByEntry::with_room(self.given.snapshot.entries.len());
        let mut states = BTreeMap::new();
        self.own_nights(&mut states);
        self.tell_black_levels();
        self.doubt_scaling();
        for (shared, places) in groups {
            let lights: Vec<&Member<'a>> = places.iter().map(|&at| &self.cast.lights[at]).collect();
            self.compare(&shared, lights[0]);
            let verdict = self.verdict(&shared, &lights);
            if self.is_measured()
                && let Ok(DarkVerdict {
                    need: Need::Unknown,
                    missing: Some(missing),
                    ..
                }) = &verdict
            {
                let warning = format!(
                    "whether lights of {} need darks is not known, so the dark rule `measured` acts as `required`: {missing}",
                    lights[0].frame.exposure
                );
                self.warn(shared.night, &warning);
            }
            let told = verdict.as_ref().ok();
            let told = told.filter(|verdict| verdict.need != Need::Unknown || self.is_measured());
            self.note(&mut states, shared, told.cloned());
            // Fewer than there are lights.
            let number = self.sensors.verdicts.len() as u32;
            let of_light = lights.iter().map(|light| (light.index, number));
            self.sensors.of_light.extend(of_light);
            self.sensors.verdicts.push(Group {
                first: places[0],
                verdict,
            });
        }
        self.tell(states);
    }

    /// The lights of one night by what they share a verdict by, as places among the rig's lights, of
    /// which the night's begin at `first`.
    fn sharing(&self, first: usize, lights: &'a [Member<'a>]) -> Vec<(Shared, Vec<usize>)> {
        let mut groups: Vec<(Shared, Vec<usize>)> = Vec::new();
        let mut shortlists = Tonight::default();
        let Sensors {
            darks, transfers, ..
        } = &self.sensors;
        for (place, light) in (first..).zip(lights) {
            let dark = self.dark_for(light);
            let bias = self.wish(&[Kind::Bias], &light.frame.camera, light.moment);
            let (of_darks, of_transfers) = shortlists.of(light, || {
                (darks.shortlist(&dark), transfers.shortlist(&bias))
            });
            let print = |offer: &Offer<'_>| offer.fingerprint;
            let dark = darks.choose_of(of_darks, &dark).map(print);
            let shared = Shared {
                night: light.night,
                camera: light.frame.camera.clone(),
                dark,
                exposure: dark.is_none().then_some(light.frame.exposure),
                transfer: transfers.choose_of(of_transfers, &bias).map(print),
                held: self
                    .held_black(&light.frame.camera, light.moment)
                    .map(|(key, _)| key),
            };
            match groups.iter_mut().find(|(known, _)| *known == shared) {
                Some((_, places)) => places.push(place),
                None => groups.push((shared, vec![place])),
            }
        }
        groups
    }

    fn is_measured(&self) -> bool {
        self.rule(Kind::Dark)
            .is_some_and(|rule| rule.rule == Rule::Measured)
    }

    /// A dark of the light's own exposure and temperature.
    fn dark_for<'m>(&'m self, light: &'m Member<'a>) -> Want<'m> {
        let [(_, dark), ..] = self.wishes(light);
        Want {
            scaled: false,
            ..dark
        }
    }

    /// Are darks wanted for this light?
    pub(super) fn wants_dark(&self, light: &Member<'a>) -> bool {
        let verdict = self
            .verdict_of(light)
            .and_then(|group| group.verdict.as_ref().ok());
        let spared = verdict.is_some_and(|verdict| verdict.need == Need::NotNeeded);
        self.wants(Kind::Dark) && !(self.is_measured() && spared)
    }

    /// What a light's verdict waits for, where its rule is decided by it.
    pub(super) fn awaits_verdict(&self, light: &Member<'a>) -> Option<Wait> {
        let group = self.verdict_of(light).filter(|_| self.is_measured())?;
        group.verdict.as_ref().err().cloned()
    }

    /// The verdict on a light.
    fn verdict_of(&self, light: &Member<'a>) -> Option<&Group> {
        let number = *self.sensors.of_light.get(light.index)?;
        self.sensors.verdicts.get(number as usize)
    }

    /// What is to be said of a light's verdict.
    pub(super) fn verdict_words(&self, light: &Member<'a>) -> Option<String> {
        match &self.verdict_of(light)?.verdict {
            Ok(verdict) if verdict.need == Need::Unknown && !self.is_measured() => None,
            Ok(verdict) => Some(verdict.to_string()),
            Err(wait) => self.is_measured().then(|| wait.to_string()),
        }
    }

    /// Why a set of darks is not wanted: the rule is `measured`, and none of the lights that it could
    /// serve needs it. One that could serve no light is made, in case some come.
    pub(super) fn spare_darks(&self, set: &[Member<'a>]) -> Option<String> {
        let facts = sets::facts(Kind::Dark, set).filter(|_| self.is_measured())?;
        let offer = Offer {
            fingerprint: Fingerprint::new([0; 32]),
            facts,
            readiness: Readiness::Sure,
            supplied: None,
        };
        let mut spare = None;
        for group in &self.sensors.verdicts {
            if !self
                .dark_for(&self.cast.lights[group.first])
                .accepts(&offer)
            {
                continue;
            }
            match &group.verdict {
                Ok(verdict) if verdict.need == Need::NotNeeded => {
                    spare = spare.or_else(|| Some(verdict.to_string()));
                }
                _ => return None,
            }
        }
        spare
    }

    fn verdict(&self, shared: &Shared, lights: &[&Member<'a>]) -> Result<DarkVerdict, Wait> {
        let held = shared.held.and(lights.first());
        let held = held.and_then(|light| self.held_black(&light.frame.camera, light.moment));
        let held = held.map(|(_, contradiction)| contradiction);
        // Where the camera holds its black level nothing more need be known.
        let unknown = |missing: String| DarkVerdict {
            need: if held.is_some() {
                Need::Needed
            } else {
                Need::Unknown
            },
            checks: Vec::new(),
            missing: Some(held.map_or(missing, |held| format!("darks {held}"))),
            dark_noise: None,
            stack: None,
        };
        let (Some(dark), Some(transfer)) = (shared.dark, shared.transfer) else {
            return Ok(unknown(self.missing(shared, lights[0])));
        };
        for key in [dark, transfer] {
            match self.sensors.unknown.get(&key) {
                Some(Unknown::Waits(wait)) if held.is_none() => return Err(wait.clone()),
                Some(Unknown::Waits(wait)) => return Ok(unknown(wait.to_string())),
                Some(Unknown::Failed(reason)) => return Ok(unknown(reason.clone())),
                None => {}
            }
        }
        let (Some(dark), Some(transfer)) = (self.dark_signal(dark), self.transfer(transfer)) else {
            return Ok(unknown("what was measured is of another kind".to_owned()));
        };
        let Some(gain) = photon_transfer(transfer) else {
            return Ok(unknown(
                "the flats are no noisier than the bias, so there is no gain".to_owned(),
            ));
        };
        let sensor = Sensor {
            gain: &gain,
            dark,
            darkest: transfer.darkest,
        };
        let verdicts = stacks(lights)
            .into_iter()
            .map(|stack| judge::need_of_darks(sensor, held, stack));
        Ok(judge::most_demanding(verdicts)
            .unwrap_or_else(|| unknown("there are no lights".to_owned())))
    }

    /// What would settle the question.
    fn missing(&self, shared: &Shared, light: &Member<'a>) -> String {
        let has = |kind| {
            self.cast.calibration.get(&kind).is_some_and(|members| {
                let mut own = members
                    .iter()
                    .filter(|member| member.frame.camera == shared.camera);
                own.nth(1).is_some()
            })
        };
        let mut wanted = Vec::new();
        if !has(Kind::Bias) {
            wanted.push("two bias".to_owned());
        }
        if shared.dark.is_none() {
            let at = light.frame.set_point.or(light.frame.temperature);
            let at = at.map_or(String::new(), |at| format!(" at {at:.0}"));
            wanted.push(format!("two dark ({}{at})", light.frame.exposure));
        }
        if shared.transfer.is_none() {
            wanted.push("two flat".to_owned());
        }
        let last = wanted.pop().unwrap_or_default();
        let list = match wanted.as_slice() {
            [] => last,
            rest => format!("{} and {last}", rest.join(", ")),
        };
        let gain = shared
            .camera
            .gain
            .map_or(String::new(), |gain| format!(" at gain {gain}"));
        format!("{list} frames{gain} settle it")
    }
}

/// Lights of one target and filter.
fn stacks(lights: &[&Member<'_>]) -> Vec<Stack> {
    let mut stacks: BTreeMap<_, Vec<&Member<'_>>> = BTreeMap::new();
    for light in lights {
        let key = (&light.frame.filter, &light.frame.target);
        stacks.entry(key).or_default().push(light);
    }
    // Of a colour sensor the darkest colour: there darks matter most.
    let darkest = |light: &&Member<'_>| {
        let levels = light.sample.planes.iter().map(|plane| plane.level);
        levels.min_by(f64::total_cmp).unwrap_or(0.0)
    };
    let stack = |lights: Vec<&Member<'_>>| {
        let mut levels: Vec<f64> = lights.iter().map(darkest).collect();
        let frame = lights.first()?.frame;
        Some(Stack {
            filter: frame.filter.clone(),
            target: frame.target.clone(),
            frames: lights.len(),
            sky_adu: median(&mut levels)?,
            dithered: is_dithered(&lights),
        })
    };
    stacks.into_values().filter_map(stack).collect()
}

/// Do the headers' pointings differ by more than a pixel?
fn is_dithered(lights: &[&Member<'_>]) -> bool {
    let Some(first) = lights.first() else {
        return false;
    };
    let (Some(scale), Some(from)) = (judge::pixel_scale(first.frame), first.frame.pointing) else {
        return false;
    };
    let away = |light: &&Member<'_>| {
        let to = light.frame.pointing?;
        Some(3600.0 * judge::separation_deg(from, to) / scale)
    };
    lights.iter().filter_map(away).any(|pixels| pixels > 1.0)
}
