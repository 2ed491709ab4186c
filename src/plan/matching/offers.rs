//! Masters that may serve, kept so that the best one for a frame is found among few.
//!
//! A library of years has thousands, and every light asks for two or three. Two facts keep that short.
//! Only masters of the window of nights can qualify, and those stand in order of their nights. And
//! of what one night's frames ask alike, all that qualified before the night come down to the latest
//! one, all after it to the earliest one: frames of the night can differ only in which of these two,
//! or of the night's own, is nearest to them.
//!
//! It decides nothing: [`Want::failure`] says what qualifies, [`Want::compare`] what is better.

use std::cell::{OnceCell, RefCell};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::hash::{Hash, Hasher};
use std::rc::Rc;
use std::sync::Arc;

use super::misses::Misses;
use super::{Offer, Readiness, Want};
use crate::facts::{
    Camera, Celsius, Degrees, Fingerprint, Kind, MasterFacts, Optics, Seconds, Site,
};

/// Masters that may serve.
#[derive(Default)]
pub struct Offers<'a> {
    all: Vec<Offer<'a>>,
    places: HashMap<Fingerprint, usize>,
    shelves: BTreeMap<Kind, Shelf>,
    shortlists: RefCell<Shortlists>,
}

/// What was found for wants, as long as nothing was added that can change it.
#[derive(Default)]
struct Shortlists {
    kinds: BTreeSet<Kind>,
    found: HashMap<Class, Rc<Shortlist>>,
}

/// Places of the few that can be the best; the nearest misses once they were asked for.
struct Shortlist {
    best: Vec<usize>,
    misses: OnceCell<Misses>,
}

/// Masters of one kind, by their places.
#[derive(Default)]
struct Shelf {
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
        if shortlists.kinds.contains(&kind) {
            *shortlists = Shortlists::default();
        }
        if let Some(&place) = self.places.get(&offer.fingerprint) {
            self.all[place] = offer;
            return;
        }
        let place = self.all.len();
        let shelf = self.shelves.entry(kind).or_default();
        match nights(&offer.facts, site) {
            Some((first, last)) => {
                shelf.by_last.insert((last, place));
                shelf.longest = shelf.longest.max(last - first);
            }
            None => shelf.timeless.push(place),
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
        let shortlist = self.shortlist(want);
        let offers = shortlist.best.iter().map(|&place| &self.all[place]);
        offers.min_by(|a, b| want.compare(a, b))
    }

    /// What there is instead, for a want that nothing qualifies for.
    pub fn instead(&self, want: &Want<'_>) -> Misses {
        let misses = || Misses::of(self, want);
        self.shortlist(want).misses.get_or_init(misses).clone()
    }

    fn shortlist(&self, want: &Want<'_>) -> Rc<Shortlist> {
        let class = want.class();
        let known = self.shortlists.borrow().found.get(&class).cloned();
        known.unwrap_or_else(|| {
            let found = Rc::new(Shortlist {
                best: self.few(want, class.night),
                misses: OnceCell::new(),
            });
            let mut shortlists = self.shortlists.borrow_mut();
            shortlists.kinds.extend(want.kinds);
            shortlists.found.insert(class, found.clone());
            found
        })
    }

    /// Those that can be the best for a frame of this night that asks for the same.
    fn few(&self, want: &Want<'_>, night: i32) -> Vec<usize> {
        let mut qualified: Vec<usize> = Vec::new();
        for kind in want.kinds {
            let Some(shelf) = self.shelves.get(kind) else {
                continue;
            };
            let (before, after) = want.profile.windows.of(*kind);
            let earliest = night.saturating_sub(before);
            let latest = night.saturating_add(after).saturating_add(shelf.longest);
            let range = (earliest, 0)..=(latest.max(earliest), usize::MAX);
            let timed = shelf.by_last.range(range).map(|&(_, place)| place);
            let places = timed.chain(shelf.timeless.iter().copied());
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
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use jiff::{SignedDuration, Timestamp};
    use proptest::prelude::*;

    use super::*;
    use crate::facts::{Frame, Profile};
    use crate::plan::tests::bench::{evening, frame, profile, settings};

    const KINDS: [&[Kind]; 3] = [&[Kind::Bias], &[Kind::Dark, Kind::FlatDark], &[Kind::Flat]];

    /// Hours after an evening, and how long its frames took.
    type Times = (i64, i64);

    fn hours(after: i64) -> Timestamp {
        evening("2026-09-05") + SignedDuration::from_hours(after)
    }

    fn offer(number: u8, kind: Kind, exposure: f64, celsius: f64, times: Times) -> Offer<'static> {
        let frame = frame(kind, hours(times.0));
        let mut facts = MasterFacts {
            kind,
            rig: frame.rig.clone(),
            camera: frame.camera.clone(),
            filter: frame.filter.clone(),
            exposure: Seconds::new(exposure).unwrap(),
            temperature: Celsius::new(celsius),
            optics: frame.optics.clone(),
            rotator: None,
            first: Some(hours(times.0)),
            last: Some(hours(times.0 + times.1)),
        };
        if kind == Kind::Flat && number.is_multiple_of(3) {
            facts.filter = "OIII".into();
        }
        Offer {
            fingerprint: Fingerprint::new([number; 32]),
            facts,
            readiness: match number % 7 {
                0 => Readiness::TooFew { have: 1, need: 3 },
                1 => Readiness::Later,
                _ => Readiness::Sure,
            },
            supplied: None,
        }
    }

    fn want<'a>(
        kinds: &'static [Kind],
        light: &'a Frame,
        profile: &'a Profile,
        site: &'a Site,
    ) -> Want<'a> {
        let dark = kinds.contains(&Kind::Dark);
        Want {
            kinds,
            camera: &light.camera,
            exposure: dark.then_some((light.exposure, 0.02)),
            scaled: dark,
            temperature: dark.then_some((light.temperature, 1.0)),
            flat_for: kinds.contains(&Kind::Flat).then_some(light),
            moment: light.start.unwrap(),
            profile,
            site,
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn the_best_of_the_few_is_the_best_of_all(
            masters in prop::collection::vec(
                (0usize..4, 0usize..3, 0usize..3, (-600i64..600, 0i64..60)),
                1..40,
            ),
            lights in prop::collection::vec(-300i64..300, 1..30),
        ) {
            let settings = settings(vec![profile("north", "Petrel*")]);
            let (profile, site) = (&*settings.profiles[0], &settings.site);
            let mut offers = Offers::default();
            for (number, (kind, exposure, celsius, times)) in masters.into_iter().enumerate() {
                let exposure = [300.0, 301.0, 600.0][exposure];
                let celsius = [-10.0, -9.5, -5.0][celsius];
                let kind = Kind::CALIBRATION[kind];
                offers.admit(offer(number as u8, kind, exposure, celsius, times), site);
                // Asked in between, so that what was remembered has to be forgotten.
                let light = frame(Kind::Light, hours(lights[number % lights.len()]));
                for kinds in KINDS {
                    let want = want(kinds, &light, profile, site);
                    let mut all: Vec<_> = offers.iter().collect();
                    all.retain(|offer| kinds.contains(&offer.facts.kind) && want.accepts(offer));
                    let best = all.into_iter().min_by(|a, b| want.compare(a, b));
                    let prints = |offer: &Offer<'_>| offer.fingerprint;
                    prop_assert_eq!(offers.choose(&want).map(prints), best.map(prints));
                }
            }
        }
    }
}
