//! Which master serves which frame, and what disqualified the others.
//!
//! [`Want::failure`] is the only place that decides whether a candidate qualifies; `explain` and
//! the reasons in the log print what it returned, so that they cannot disagree with the choice.

mod failure;
mod misses;
mod offers;

use std::cmp::Ordering;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use failure::{Failure, or_absent};
pub use offers::{Offers, Shortlist};

use super::cluster::angle_between;
use crate::facts::{
    Camera, Celsius, Fingerprint, Frame, Kind, MasterFacts, Profile, Seconds, Site, SuppliedMaster,
};

/// How far a candidate is.
#[derive(Clone, Debug, PartialEq)]
pub enum Readiness {
    /// On file, or in line to be made.
    Sure,
    /// Will be made for the first time, once it need not wait any longer.
    Later,
    /// Its set is too small.
    TooFew {
        /// Usable frames.
        have: usize,
        /// The profile's minimum.
        need: usize,
    },
    /// Its set has enough frames but it cannot be made.
    Barred(String),
    /// A supplied one that cannot be what it is said to be.
    Unfit(String),
}

/// A master that may serve.
#[derive(Clone, Debug)]
pub struct Offer<'a> {
    /// The fingerprint of its recipe.
    pub fingerprint: Fingerprint,
    /// What it is.
    pub facts: MasterFacts,
    /// How far it is.
    pub readiness: Readiness,
    /// What is known of it where it was not made here.
    pub supplied: Option<&'a SuppliedMaster>,
}

/// What a frame asks of a master.
pub struct Want<'a> {
    /// Acceptable kinds.
    pub kinds: &'static [Kind],
    /// Hard keys of the frame it shall serve.
    pub camera: &'a Arc<Camera>,
    /// Wanted exposure and allowed fraction; absent where any exposure serves.
    pub exposure: Option<(Seconds, f64)>,
    /// A dark of another exposure serves too, scaled, where none of the wanted exposure does.
    pub scaled: bool,
    /// Wanted temperature and tolerance; absent where any temperature serves.
    pub temperature: Option<(Option<Celsius>, f64)>,
    /// For flats: the light.
    pub flat_for: Option<&'a Frame>,
    /// When the frame was taken.
    pub moment: Timestamp,
    /// The rig's profile.
    pub profile: &'a Profile,
    /// For naming nights.
    pub site: &'a Site,
}

impl Want<'_> {
    /// The first rule that a candidate fails, none where it qualifies.
    fn failure(&self, offer: &Offer<'_>) -> Option<Failure> {
        let facts = &offer.facts;
        let readout = self.flat_for.is_none();
        let filled;
        let camera = match offer.supplied {
            Some(supplied) => {
                filled = supplied.filled(self.camera);
                &filled
            }
            None => &*facts.camera,
        };
        if !std::ptr::eq(camera, &**self.camera)
            && *camera != **self.camera
            && let Some((key, theirs, wanted)) = camera.difference(self.camera, readout)
        {
            return Some(Failure::HardKey {
                key,
                theirs,
                wanted,
            });
        }
        if let Some(light) = self.flat_for
            && let Some(failure) = self.flat_failure(offer, light)
        {
            return Some(failure);
        }
        if let Some((wanted, limit)) = self.exposure
            && !self.exposure_fits(facts)
            && self.scale(facts).is_none()
        {
            return Some(Failure::Exposure {
                theirs: facts.exposure,
                wanted,
                limit,
            });
        }
        if let Some((wanted, limit)) = self.temperature {
            let theirs = facts.temperature;
            let fits = match (theirs, wanted) {
                (Some(a), Some(b)) => (a.get() - b.get()).abs() <= limit + 1e-9,
                (None, None) => true,
                (None, Some(_)) => offer.supplied.is_some(),
                _ => false,
            };
            if !fits {
                return Some(Failure::Temperature {
                    theirs,
                    wanted,
                    limit,
                });
            }
        }
        let (before, after) = self.profile.windows.of(facts.kind);
        let nights = self.nights_to(facts);
        if nights < -before || nights > after {
            return Some(Failure::Window {
                nights,
                before,
                after,
            });
        }
        if self.flat_for.is_some()
            && let Some(date) = self.train_change(facts)
        {
            return Some(Failure::Train {
                date: date.to_string(),
            });
        }
        match &offer.readiness {
            Readiness::Sure | Readiness::Later => None,
            Readiness::TooFew { have, need } => Some(Failure::TooFew {
                have: *have,
                need: *need,
            }),
            Readiness::Barred(reason) => Some(Failure::Barred(reason.clone())),
            Readiness::Unfit(reason) => Some(Failure::Unfit(reason.clone())),
        }
    }

    /// Would this candidate do?
    pub fn accepts(&self, offer: &Offer) -> bool {
        self.failure(offer).is_none()
    }

    fn exposure_fits(&self, facts: &MasterFacts) -> bool {
        self.exposure.is_none_or(|(wanted, fraction)| {
            let away = (facts.exposure.get() - wanted.get()).abs();
            away <= fraction * wanted.get() + 1e-9
        })
    }

    /// The factor by which a dark of another exposure is scaled; none where its exposure fits, or
    /// where it cannot be scaled.
    pub fn scale(&self, facts: &MasterFacts) -> Option<f64> {
        let (wanted, _) = self.exposure?;
        let possible = self.scaled && facts.exposure.get() > 0.0;
        (possible && !self.exposure_fits(facts)).then(|| wanted.get() / facts.exposure.get())
    }

    /// What needs no scaling comes first, then what is scaled down, the nearest exposure first:
    /// scaling up multiplies a dark's noise.
    fn scaling(&self, offer: &Offer<'_>) -> (u8, Option<Seconds>) {
        match self.scale(&offer.facts) {
            None => (0, None),
            Some(k) if k <= 1.0 => (1, Seconds::new(self.exposure_away(offer))),
            Some(_) => (2, Seconds::new(self.exposure_away(offer))),
        }
    }

    fn flat_failure(&self, offer: &Offer<'_>, light: &Frame) -> Option<Failure> {
        let facts = &offer.facts;
        if facts.filter != light.filter {
            return Some(Failure::Filter {
                theirs: facts.filter.to_string(),
                wanted: light.filter.to_string(),
            });
        }
        // Panel flats are often taken with the telescope driver off: what is absent on one side
        // cannot contradict.
        let (a, b) = (&facts.optics, &light.optics);
        let contradict = |x: &Option<_>, y: &Option<_>| x.is_some() && y.is_some() && x != y;
        if contradict(&a.telescope, &b.telescope)
            || (a.focal_length_mm.is_some()
                && b.focal_length_mm.is_some()
                && a.focal_length_mm != b.focal_length_mm)
        {
            let words = |optics: &crate::facts::Optics| {
                format!(
                    "{} {} mm",
                    or_absent(&optics.telescope),
                    or_absent(&optics.focal_length_mm)
                )
            };
            return Some(Failure::Optics {
                theirs: words(a),
                wanted: words(b),
            });
        }
        let limit = self.profile.tolerance.rotator_deg;
        let fits = match (facts.rotator, light.rotator) {
            (Some(a), Some(b)) => angle_between(a.get(), b.get()) <= limit + 1e-9,
            (None, None) => true,
            (None, Some(_)) => offer.supplied.is_some(),
            _ => false,
        };
        (!fits).then_some(Failure::Rotator {
            theirs: facts.rotator,
            wanted: light.rotator,
            limit,
        })
    }

    /// Nights from the frame to the master's nearest end: negative where the master is older, 0 for
    /// one without a time.
    fn nights_to(&self, facts: &MasterFacts) -> i32 {
        let night = self.site.night_number(self.moment);
        let away = |moment: Option<Timestamp>| {
            moment.map_or(0, |moment| self.site.night_number(moment) - night)
        };
        let (first, last) = (away(facts.first), away(facts.last));
        if first > 0 { first } else { last.min(0) }
    }

    fn train_change(&self, facts: &MasterFacts) -> Option<Date> {
        if self.profile.train_changes.is_empty() {
            return None;
        }
        let here = self.site.night_of(self.moment);
        let there = self.site.night_of(facts.last?);
        let (early, late) = (here.min(there), here.max(there));
        self.profile
            .train_changes
            .iter()
            .copied()
            .find(|&date| early < date && date <= late)
    }

    /// Which of two qualified candidates is better comes first.
    fn compare(&self, a: &Offer<'_>, b: &Offer<'_>) -> Ordering {
        let time = |offer: &Offer<'_>| {
            let facts = &offer.facts;
            let (first, last) = (
                facts.first.unwrap_or(self.moment),
                facts.last.unwrap_or(self.moment),
            );
            let away = if first > self.moment {
                first.duration_since(self.moment)
            } else if last < self.moment {
                self.moment.duration_since(last)
            } else {
                jiff::SignedDuration::ZERO
            };
            let later = last > self.moment;
            // Flats hold for their time on either side. A library's earlier master comes first, so
            // that later ones do not change what was chosen.
            match self.flat_for {
                Some(_) => (false, away, later),
                None => (later, away, false),
            }
        };
        self.compare_but_time(a, b)
            .then_with(|| time(a).cmp(&time(b)))
            .then_with(|| a.fingerprint.cmp(&b.fingerprint))
    }

    /// The same without regard to when they were taken.
    fn compare_but_time(&self, a: &Offer<'_>, b: &Offer<'_>) -> Ordering {
        let made_here = a.supplied.is_some().cmp(&b.supplied.is_some());
        if self.flat_for.is_some() {
            return made_here;
        }
        let temperature = |offer| self.temperature_away(offer);
        let exposure = |offer| self.exposure_away(offer);
        self.scaling(a)
            .cmp(&self.scaling(b))
            .then(made_here)
            .then_with(|| temperature(a).total_cmp(&temperature(b)))
            .then_with(|| exposure(a).total_cmp(&exposure(b)))
    }

    fn temperature_away(&self, offer: &Offer<'_>) -> f64 {
        match (self.temperature, offer.facts.temperature) {
            (Some((Some(wanted), _)), Some(theirs)) => (wanted.get() - theirs.get()).abs(),
            _ => 0.0,
        }
    }

    fn exposure_away(&self, offer: &Offer<'_>) -> f64 {
        self.exposure.map_or(0.0, |(wanted, _)| {
            (wanted.get() - offer.facts.exposure.get()).abs()
        })
    }

    /// What would match, in words.
    pub fn words(&self) -> String {
        let mut words = Vec::new();
        if let Some(light) = self.flat_for {
            words.push(format!("filter {}", light.filter));
            if let Some(rotator) = light.rotator {
                words.push(format!("rotator {rotator:.0}"));
            }
        }
        if let Some((exposure, _)) = self.exposure {
            let other = if self.scaled {
                " or another to be scaled"
            } else {
                ""
            };
            words.push(format!("{exposure}{other}"));
        }
        if let Some((Some(temperature), _)) = self.temperature {
            words.push(temperature.to_string());
        }
        if self.flat_for.is_none() {
            words.extend(self.camera.gain.map(|gain| format!("gain {gain}")));
            words.extend(self.camera.offset.map(|offset| format!("offset {offset}")));
        }
        words.push(format!("{}x{}", self.camera.width, self.camera.height));
        if self.camera.binning != (1, 1) {
            words.push(format!(
                "binning {}x{}",
                self.camera.binning.0, self.camera.binning.1
            ));
        }
        words.join(", ")
    }
}

/// A master in words.
pub fn describe(facts: &MasterFacts, site: &Site) -> String {
    let mut words = vec![facts.kind.to_string()];
    if facts.kind == Kind::Flat {
        words.push(facts.filter.to_string());
    } else {
        words.push(facts.exposure.to_string());
        words.extend(facts.temperature.map(|t| t.to_string()));
    }
    words.push(match facts.last {
        Some(last) => format!("of {}", site.night_of(last)),
        None => "(supplied)".to_owned(),
    });
    words.join(" ")
}
