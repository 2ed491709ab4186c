//! Candidates that were not taken, the nearest miss first, and what disqualified each.
//!
//! It decides nothing: the reasons are those of [`Want::failure`], and of two that fail alike the one
//! that the choice would prefer comes first.

use super::failure::Failure;
use super::{Offer, Offers, Readiness, Want, describe};
use crate::facts::{Fingerprint, NearMiss};
use jiff::SignedDuration;

/// How many are told of where nothing qualifies.
const TOLD: usize = 3;

const HALF_A_DAY: SignedDuration = SignedDuration::from_hours(12);

/// What there is instead of a master.
#[derive(Clone, Debug)]
pub struct Misses {
    /// The candidate that would serve if only its set could be made.
    pub almost: Option<Fingerprint>,
    /// The nearest, and what disqualified each.
    pub nearest: Vec<NearMiss>,
}

impl Misses {
    /// Of a want that nothing qualifies for. What is nearest in time counts from the middle of the night:
    /// all that one night's frames lack is told alike.
    pub(super) fn of(offers: &Offers<'_>, want: &Want<'_>) -> Self {
        let noon = want.site.noon_of(want.site.night_of(want.moment));
        let midnight = noon.saturating_add(HALF_A_DAY).unwrap_or(noon);
        let want = &Want {
            moment: midnight,
            ..*want
        };
        let ranked = want.ranked(offers, None);
        let almost = ranked
            .first()
            .filter(|(_, failure)| matches!(failure, Failure::TooFew { .. } | Failure::Barred(_)));
        Self {
            almost: almost.map(|(offer, _)| offer.fingerprint),
            nearest: ranked
                .iter()
                .take(TOLD)
                .map(|miss| want.told(miss))
                .collect(),
        }
    }
}

impl Want<'_> {
    /// Candidates that are not taken, the nearest miss first.
    fn ranked<'o, 's>(
        &self,
        offers: &'o Offers<'s>,
        chosen: Option<&Offer<'s>>,
    ) -> Vec<(&'o Offer<'s>, Failure)> {
        let mut misses: Vec<(&Offer<'s>, Failure)> = offers
            .iter()
            .filter(|offer| self.kinds.contains(&offer.facts.kind))
            .filter(|offer| chosen.is_none_or(|chosen| chosen.fingerprint != offer.fingerprint))
            .map(|offer| {
                let farther = || Failure::Farther(self.why_farther(offer, chosen));
                (offer, self.failure(offer).unwrap_or_else(farther))
            })
            .collect();
        misses.sort_by(|a, b| {
            b.1.nearness()
                .cmp(&a.1.nearness())
                .then_with(|| self.compare(a.0, b.0))
        });
        misses
    }

    /// Candidates that are not taken and what disqualified each, the nearest first.
    pub fn misses(&self, offers: &Offers<'_>) -> Vec<NearMiss> {
        let ranked = self.ranked(offers, offers.choose(self));
        ranked.iter().map(|miss| self.told(miss)).collect()
    }

    fn told(&self, (offer, failure): &(&Offer<'_>, Failure)) -> NearMiss {
        NearMiss {
            candidate: describe(&offer.facts, self.site),
            fails: failure.to_string(),
        }
    }

    fn why_farther(&self, offer: &Offer<'_>, chosen: Option<&Offer<'_>>) -> String {
        let Some(chosen) = chosen else {
            return "not taken".to_owned();
        };
        if self.scaling(offer) > self.scaling(chosen) {
            let factor = |offer: &Offer<'_>| self.scale(&offer.facts).unwrap_or(1.0);
            format!(
                "qualifies, but would be scaled by {:.4}, the chosen one by {:.4}",
                factor(offer),
                factor(chosen)
            )
        } else if offer.readiness == Readiness::Later && chosen.supplied.is_some() {
            "qualifies, but is not made yet, and the supplied one is there".to_owned()
        } else if offer.supplied.is_some() && chosen.supplied.is_none() {
            "qualifies, but the chosen one was made here".to_owned()
        } else if self.temperature_away(offer) > self.temperature_away(chosen) {
            format!(
                "qualifies, but its temperature is {:.2} C off, the chosen one's {:.2} C",
                self.temperature_away(offer),
                self.temperature_away(chosen)
            )
        } else if self.exposure_away(offer) > self.exposure_away(chosen) {
            format!(
                "qualifies, but its exposure is {} s off, the chosen one's {} s",
                self.exposure_away(offer),
                self.exposure_away(chosen)
            )
        } else if offer.supplied.is_some() {
            "qualifies as well as the chosen one, which is supplied too".to_owned()
        } else {
            "qualifies, but the chosen one is nearer in time".to_owned()
        }
    }
}
