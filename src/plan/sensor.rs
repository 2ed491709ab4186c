//! Which frames are measured for what they say of a rig's sensor.
//!
//! Photon transfer takes two bias frames and up to [`LEVELS`] pairs of flats of one night; dark signal
//! takes two bias frames and two darks of one set. Of a set its earliest frames that are not left
//! out are taken, so that a set that grows stays known; where they have gone before they were
//! measured, the earliest that are there. Which measure holds for a light is found as masters are: hard keys, gain
//! among them, exposure and temperature of darks, the library's window of nights, and capture time
//! alone. So the outcome depends neither on the order in which frames came nor on when.
//!
//! It does not know pixels, nor what follows from the figures.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use rayon::prelude::*;

use super::black::BlackLevels;
use super::cast::Member;
use super::matching::{Offer, Offers, Readiness, Want};
use super::rig::Rig;
use super::sets;
use crate::facts::{
    ByEntry, Camera, DarkSignal, Digest, Exposed, Fingerprint, Input, Kind, MasterFacts, Sample,
    SensorFigures, SensorTask, Transfer, Wait,
};

/// Pairs of flats that are measured, of levels spread over those there are.
const LEVELS: usize = 4;

/// What is known of a rig's sensor.
#[derive(Default)]
pub struct Sensors {
    /// Photon transfer by gain and night. They match as a bias does.
    pub(super) transfers: Offers<'static>,
    /// Dark signal by set. They match as a dark does.
    pub(super) darks: Offers<'static>,
    /// What stands in the way of those that are not known yet.
    pub(super) unknown: BTreeMap<Fingerprint, Unknown>,
    /// Whether its camera holds its black level.
    pub(super) black_levels: BlackLevels,
    /// Whether darks are needed, for lights that have that in common.
    pub(super) verdicts: Vec<super::darks::Group>,
    /// The verdict of each light, by its place in the snapshot's entries.
    pub(super) of_light: ByEntry<u32>,
}

/// Why frames that could be measured are not.
#[derive(Clone, Debug)]
pub enum Unknown {
    /// It will come.
    Waits(Wait),
    /// It cannot be measured.
    Failed(String),
}

/// Frames by start: the survivors of one set, or what was taken of several.
type Set<'s, 'a> = &'s [Member<'a>];

/// Sets of bias frames, as something to choose from and as frames.
#[derive(Default)]
struct Biases<'s, 'a> {
    offers: Offers<'static>,
    sets: BTreeMap<Fingerprint, Set<'s, 'a>>,
}

/// What there is to be known of a sensor from some frames.
struct Measure {
    offer: Offer<'static>,
    /// Why it is not known yet.
    unknown: Option<Unknown>,
    /// What is to be measured for it now.
    task: Option<SensorTask>,
}

impl<'a, 'p> Rig<'a, 'p> {
    /// Finds what can be measured, and asks for what was not yet.
    pub(super) fn sensors(&mut self) {
        let site = &self.given.settings.site;
        let mut bias = Biases::default();
        for (set, facts) in self.survivors(Kind::Bias) {
            if let Some(offer) = offer(facts.clone(), set) {
                bias.sets.insert(offer.fingerprint, set);
                bias.offers.admit(offer, site);
            }
        }
        let mut flats: BTreeMap<(Arc<Camera>, Date), Vec<Set<'p, 'a>>> = BTreeMap::new();
        for (set, _) in self.survivors(Kind::Flat) {
            if let Some(last) = set.last() {
                let key = (last.frame.camera.clone(), site.night_of(last.moment));
                flats.entry(key).or_default().push(set);
            }
        }
        let flats: Vec<Vec<Set<'p, 'a>>> = flats.into_values().collect();
        let darks: Vec<(Set<'p, 'a>, &MasterFacts)> = self.survivors(Kind::Dark).collect();
        let rig = &*self;
        let of_flats = flats.par_iter().map(|sets| {
            let members = sets.concat();
            let build = |bias: Set<'_, 'a>, only_there: bool| {
                let sets: Vec<_> = sets.iter().map(|set| there(set, only_there)).collect();
                task(bias, Exposed::Flats(levels(&sets)?), &members)
            };
            let offer = offer(sets::facts(Kind::Bias, &members)?, &members)?;
            rig.measure(offer, Kind::Flat, &members, &bias, build)
        });
        let of_flats: Vec<Option<Measure>> = of_flats.collect();
        let of_darks = darks.par_iter().map(|&(set, facts)| {
            let build = |bias: Set<'_, 'a>, only_there: bool| {
                task(bias, Exposed::Darks(pair(&there(set, only_there))?), set)
            };
            rig.measure(offer(facts.clone(), set)?, Kind::Dark, set, &bias, build)
        });
        let of_darks: Vec<Option<Measure>> = of_darks.collect();
        for measure in of_flats.into_iter().flatten() {
            let offer = self.take_measure(measure);
            self.sensors.transfers.admit(offer, site);
        }
        for measure in of_darks.into_iter().flatten() {
            let offer = self.take_measure(measure);
            self.sensors.darks.admit(offer, site);
        }
    }

    fn take_measure(&mut self, measure: Measure) -> Offer<'static> {
        let Measure {
            offer,
            unknown,
            task,
        } = measure;
        if let Some(Unknown::Waits(Wait::Growing { until, .. })) = &unknown {
            self.wake(*until);
        }
        let unknown = unknown.map(|unknown| (offer.fingerprint, unknown));
        self.sensors.unknown.extend(unknown);
        self.plan.to_know.extend(task);
        offer
    }

    /// The sets of a kind without what is left out, those of at least two frames, and what each is.
    fn survivors(
        &self,
        kind: Kind,
    ) -> impl Iterator<Item = (Set<'p, 'a>, &'p MasterFacts)> + use<'a, 'p> {
        let sets = self.sets.of_kind(kind).iter();
        let sets = sets.filter_map(|set| Some((set.survivors(), set.facts.as_ref()?)));
        sets.filter(|(set, _)| set.len() > 1)
    }

    /// Finds the bias for frames and what was measured of both, or asks for it. Nothing where there
    /// is too little to measure.
    fn measure(
        &self,
        offer: Offer<'static>,
        kind: Kind,
        members: Set<'_, 'a>,
        bias: &Biases<'_, 'a>,
        build: impl Fn(Set<'_, 'a>, bool) -> Option<SensorTask>,
    ) -> Option<Measure> {
        let want = self.wish(&[Kind::Bias], &offer.facts.camera, offer.facts.last?);
        let bias = bias.sets.get(&bias.offers.choose(&want)?.fingerprint)?;
        let all = build(bias, false);
        let all = all.map(|task| (task.key(), task));
        let (key, task) = match all.filter(|(key, _)| self.is_known(*key)) {
            Some(known) => known,
            None => {
                let task = build(&there(bias, true), true)?;
                (task.key(), task)
            }
        };
        let unknown = if self.is_known(key) {
            None
        } else if let Some(failure) = self.given.snapshot.failed.get(&key) {
            Some(Unknown::Failed(failure.reason.clone()))
        } else if let Some(until) = self.rule(kind).and_then(|rule| self.growing(members, rule)) {
            Some(Unknown::Waits(Wait::Growing { kind, until }))
        } else {
            Some(Unknown::Waits(Wait::Sensor))
        };
        let asks = matches!(unknown, Some(Unknown::Waits(Wait::Sensor)));
        Some(Measure {
            offer: Offer {
                fingerprint: key,
                ..offer
            },
            unknown,
            task: asks.then_some(task),
        })
    }

    fn is_known(&self, key: Fingerprint) -> bool {
        self.given.snapshot.sensors.contains_key(&key)
    }

    /// What was measured of bias and flats.
    pub(super) fn transfer(&self, key: Fingerprint) -> Option<&'a Transfer> {
        match self.given.snapshot.sensors.get(&key)? {
            SensorFigures::Transfer(transfer) => Some(transfer),
            SensorFigures::Dark(_) => None,
        }
    }

    /// What was measured of bias and darks.
    pub(super) fn dark_signal(&self, key: Fingerprint) -> Option<&'a DarkSignal> {
        match self.given.snapshot.sensors.get(&key)? {
            SensorFigures::Dark(dark) => Some(dark),
            SensorFigures::Transfer(_) => None,
        }
    }

    /// What is like a bias for a camera at a moment.
    pub(super) fn wish<'m>(
        &'m self,
        kinds: &'static [Kind],
        camera: &'m Arc<Camera>,
        moment: Timestamp,
    ) -> Want<'m> {
        Want {
            kinds,
            camera,
            exposure: None,
            scaled: false,
            temperature: None,
            flat_for: None,
            moment,
            profile: self.profile(),
            site: &self.given.settings.site,
        }
    }
}

/// Frames as something to choose from. The fingerprint is that of the earliest one: it tells sets
/// apart.
fn offer(facts: MasterFacts, members: Set<'_, '_>) -> Option<Offer<'static>> {
    let first = members.first()?.digest;
    Some(Offer {
        fingerprint: Fingerprint::new(*first.bytes()),
        facts,
        readiness: Readiness::Sure,
        supplied: None,
    })
}

/// Sets with the start of their latest frame.
pub fn timed<'o>(
    offers: &'o Offers<'static>,
) -> impl Iterator<Item = (&'o Offer<'static>, Timestamp)> {
    offers
        .iter()
        .filter_map(|offer| Some((offer, offer.facts.last?)))
}

/// Members, or those that are there.
fn there<'s, 'a>(members: Set<'s, 'a>, only: bool) -> Cow<'s, [Member<'a>]> {
    let mut there = Cow::Borrowed(members);
    if only && members.iter().any(|member| !member.entry.present) {
        there.to_mut().retain(|member| member.entry.present);
    }
    there
}

fn pair(members: Set<'_, '_>) -> Option<[Input; 2]> {
    match members {
        [one, other, ..] => Some([one.input(), other.input()]),
        _ => None,
    }
}

/// Pairs of neighbours of the same set, of levels spread evenly over all such pairs.
fn levels(sets: &[Cow<'_, [Member<'_>]>]) -> Option<Vec<[Input; 2]>> {
    let level = |pair: Set<'_, '_>| pair.iter().map(|member| member.sample.level()).sum::<f64>();
    let pairs = sets.iter().flat_map(|set| set.chunks_exact(2));
    let mut pairs: Vec<(f64, Set<'_, '_>)> = pairs.map(|pair| (level(pair), pair)).collect();
    pairs.sort_by(|(a, one), (b, other)| a.total_cmp(b).then(one[0].digest.cmp(other[0].digest)));
    let last = pairs.len().checked_sub(1)?;
    let mut places: Vec<usize> = (0..LEVELS).map(|k| k * last / (LEVELS - 1)).collect();
    places.dedup();
    places
        .into_iter()
        .map(|place| pair(pairs[place].1))
        .collect()
}

/// Nothing without two bias frames.
fn task(bias: Set<'_, '_>, exposed: Exposed, members: Set<'_, '_>) -> Option<SensorTask> {
    let all = || bias.iter().chain(members);
    let bias_pair = pair(bias)?;
    // Of those that are measured alone, so that a set that grows stays known.
    let measured: Vec<Digest> = exposed
        .inputs()
        .chain(&bias_pair)
        .map(|input| input.digest)
        .collect();
    let samples = all().filter(|member| measured.contains(member.digest));
    let samples: Vec<&Sample> = samples.map(|member| member.sample).collect();
    let steps = samples.iter().filter_map(|sample| sample.step);
    let step = steps.min().map_or(0.0, f64::from);
    Some(SensorTask {
        camera: bias.first()?.frame.camera.clone(),
        saturation: Sample::common_saturation(samples.into_iter())?,
        // Frames of floating-point numbers have none.
        step,
        bias: bias_pair,
        exposed,
    })
}
