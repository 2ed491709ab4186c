//! Masters that may serve, kept so that the best one for a frame is found among few.
//!
//! A library of years has thousands, and every light asks for two or three. Two facts keep that short.
//! Only masters of the window of nights can qualify, and those stand in order of their nights. And
//! of what one night's frames ask alike, all that qualified before the night come down to the latest
//! one, all after it to the earliest one: frames of the night can differ only in which of these two,
//! or of the night's own, is nearest to them.
//!
//! It decides nothing: [`Want::failure`] says what qualifies, [`Want::compare`] what is better.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::hash::{Hash, Hasher};
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use foldhash::fast::RandomState;

use super::misses::Misses;
use super::{Offer, Readiness, Want};
use crate::facts::{
    Camera, Celsius, Degrees, DigestMap, Fingerprint, Kind, MasterFacts, Optics, Seconds, Site,
};

/// Masters that may serve.
#[derive(Default)]
pub struct Offers<'a> {
    all: Vec<Offer<'a>>,
    places: DigestMap<Fingerprint, usize>,
    by_kind: BTreeMap<Kind, OfKind>,
    shortlists: Mutex<Shortlists>,
}

/// What was found for wants, as long as nothing was added that can change it.
#[derive(Default)]
struct Shortlists {
    kinds: BTreeSet<Kind>,
    found: HashMap<Class, Arc<Shortlist>, RandomState>,
}

/// Places of the few that can be the best; the nearest misses once they were asked for.
pub struct Shortlist {
    best: Vec<usize>,
    misses: OnceLock<Misses>,
}

/// Masters of one kind, by their places.
#[derive(Default)]
struct OfKind {
    /// By the night of their last frame.
    by_last: BTreeSet<(i32, usize)>,
    /// Most nights between a master's first and last frame.
    longest: i32,
    /// Supplied ones have no time.
    timeless: Vec<usize>,
}

/// All that a want asks but the moment within its night.
#[derive(PartialEq)]
struct Class {
    night: i32,
    kinds: &'static [Kind],
    camera: Arc<Camera>,
    exposure: Option<(Seconds, f64)>,
    scaled: bool,
    temperature: Option<(Option<Celsius>, f64)>,
    flat_for: Option<(Arc<str>, Arc<Optics>, Option<Degrees>)>,
}

impl Eq for Class {}

impl Hash for Class {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let bits = |value: Option<f64>| value.map(f64::to_bits);
        self.night.hash(state);
        self.kinds.hash(state);
        bits(self.exposure.map(|(exposure, _)| exposure.get())).hash(state);
        bits(self.temperature.and_then(|(wanted, _)| Some(wanted?.get()))).hash(state);
        self.flat_for.as_ref().map(|flat| &flat.0).hash(state);
    }
}

impl<'a> Offers<'a> {
    /// Adds one, in the place of an equal one.
    pub fn admit(&mut self, offer: Offer<'a>, site: &Site) {
        let kind = offer.facts.kind;
        let shortlists = self.shortlists.get_mut();
        let shortlists = shortlists.unwrap_or_else(PoisonError::into_inner);
        if shortlists.kinds.contains(&kind) {
            *shortlists = Shortlists::default();
        }
        if let Some(&place) = self.places.get(&offer.fingerprint) {
            self.all[place] = offer;
            return;
        }
        let place = self.all.len();
        let of_kind = self.by_kind.entry(kind).or_default();
        match nights(&offer.facts, site) {
            Some((first, last)) => {
                of_kind.by_last.insert((last, place));
                of_kind.longest = of_kind.longest.max(last - first);
            }
            None => of_kind.timeless.push(place),
        }
        self.places.insert(offer.fingerprint, place);
        self.all.push(offer);
    }

    /// All of them, in the order in which they were added.
    pub fn iter(&self) -> impl Iterator<Item = &Offer<'a>> {
        self.all.iter()
    }

    /// The one of this fingerprint.
    pub fn get(&self, fingerprint: &Fingerprint) -> Option<&Offer<'a>> {
        self.places.get(fingerprint).map(|&place| &self.all[place])
    }

    /// The best qualified candidate: one made here before a supplied one. But where there is a
    /// supplied one, nothing waits for a set that may still grow.
    pub fn choose(&self, want: &Want<'_>) -> Option<&Offer<'a>> {
        self.choose_of(&self.shortlist(want), want)
    }

    /// [`Offers::choose`], where the shortlist of such wants is at hand.
    pub fn choose_of(&self, shortlist: &Shortlist, want: &Want<'_>) -> Option<&Offer<'a>> {
        let offers = shortlist.best.iter().map(|&place| &self.all[place]);
        offers.min_by(|a, b| want.compare(a, b))
    }

    /// What there is instead, for a want that nothing qualifies for.
    pub fn instead(&self, want: &Want<'_>) -> Misses {
        let misses = || Misses::of(self, want);
        self.shortlist(want).misses.get_or_init(misses).clone()
    }

    /// The few that can be the best for wants that ask for the same in the same night, as long as
    /// nothing is admitted.
    pub fn shortlist(&self, want: &Want<'_>) -> Arc<Shortlist> {
        let class = want.class();
        let shortlists = || {
            self.shortlists
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
        };
        let known = shortlists().found.get(&class).cloned();
        // Nobody waits for who looks for them: two that look at once find the same.
        known.unwrap_or_else(|| {
            let found = Arc::new(Shortlist {
                best: self.few(want, class.night),
                misses: OnceLock::new(),
            });
            let mut shortlists = shortlists();
            shortlists.kinds.extend(want.kinds);
            shortlists.found.entry(class).or_insert(found).clone()
        })
    }

    /// Those that can be the best for a frame of this night that asks for the same.
    fn few(&self, want: &Want<'_>, night: i32) -> Vec<usize> {
        let mut qualified: Vec<usize> = Vec::new();
        for kind in want.kinds {
            let Some(of_kind) = self.by_kind.get(kind) else {
                continue;
            };
            let (before, after) = want.profile.windows.of(*kind);
            let earliest = night.saturating_sub(before);
            let latest = night.saturating_add(after).saturating_add(of_kind.longest);
            let nights = earliest..=latest.max(earliest);
            // Nothing but time tells those apart that a bias or a flat is chosen from.
            let only_time = want.exposure.is_none() && want.temperature.is_none();
            if only_time && want.kinds.len() == 1 && of_kind.timeless.is_empty() {
                self.nearest(of_kind, want, night, nights, &mut qualified);
                continue;
            }
            let range = (*nights.start(), 0)..=(*nights.end(), usize::MAX);
            let timed = of_kind.by_last.range(range).map(|&(_, place)| place);
            let places = timed.chain(of_kind.timeless.iter().copied());
            qualified.extend(places.filter(|&place| want.accepts(&self.all[place])));
        }
        let offer = |place: &usize| &self.all[*place];
        if qualified
            .iter()
            .map(offer)
            .any(|offer| offer.supplied.is_some())
        {
            qualified.retain(|place| offer(place).readiness == Readiness::Sure);
        }
        let best = qualified
            .iter()
            .map(offer)
            .min_by(|a, b| want.compare_but_time(a, b));
        let Some(best) = best else { return qualified };
        qualified.retain(|place| want.compare_but_time(offer(place), best).is_eq());
        let (mut latest_before, mut earliest_after) = (None, None);
        let mut few = Vec::new();
        for place in qualified {
            let offer = &self.all[place];
            match nights(&offer.facts, want.site) {
                Some((_, last)) if last < night => {
                    let key = (Reverse(offer.facts.last), offer.fingerprint);
                    keep_least(&mut latest_before, key, place);
                }
                Some((first, _)) if first > night => {
                    keep_least(
                        &mut earliest_after,
                        (offer.facts.first, offer.fingerprint),
                        place,
                    );
                }
                _ => few.push(place),
            }
        }
        few.extend(latest_before.map(|(_, place)| place));
        few.extend(earliest_after.map(|(_, place)| place));
        few
    }
}

impl Offers<'_> {
    /// Of one kind, adds those that are accepted, but none behind which there is a nearer one on either
    /// side of the night.
    fn nearest(
        &self,
        of_kind: &OfKind,
        want: &Want<'_>,
        night: i32,
        window: RangeInclusive<i32>,
        qualified: &mut Vec<usize>,
    ) {
        let accepted = |place: &usize| want.accepts(&self.all[*place]);
        let mut latest = *window.start();
        let before = of_kind.by_last.range((latest, 0)..(night.max(latest), 0));
        for &(last, place) in before.rev() {
            if last < latest {
                break;
            }
            if accepted(&place) {
                latest = last;
                qualified.push(place);
            }
        }
        // Where the earliest begins that is wholly after the night.
        let mut first = *window.end();
        let after = (night.max(latest), 0)..=(first, usize::MAX);
        for &(last, place) in of_kind.by_last.range(after) {
            if last.saturating_sub(of_kind.longest) > first {
                break;
            }
            if accepted(&place) {
                let begun = nights(&self.all[place].facts, want.site).map(|(begun, _)| begun);
                first = begun
                    .filter(|&begun| begun > night)
                    .map_or(first, |begun| first.min(begun));
                qualified.push(place);
            }
        }
    }
}

impl Want<'_> {
    fn class(&self) -> Class {
        Class {
            night: self.site.night_number(self.moment),
            kinds: self.kinds,
            camera: self.camera.clone(),
            exposure: self.exposure,
            scaled: self.scaled,
            temperature: self.temperature,
            flat_for: self.flat_for.map(|light| {
                let (filter, optics) = (light.filter.clone(), light.optics.clone());
                (filter, optics, light.rotator)
            }),
        }
    }
}

/// The nights of a master's first and last frame.
fn nights(facts: &MasterFacts, site: &Site) -> Option<(i32, i32)> {
    let night = |moment| site.night_number(moment);
    Some((night(facts.first?), night(facts.last?)))
}

fn keep_least<K: Ord>(best: &mut Option<(K, usize)>, key: K, place: usize) {
    if best.as_ref().is_none_or(|(least, _)| key < *least) {
        *best = Some((key, place));
    }
}

#[cfg(test)]
mod tests;
