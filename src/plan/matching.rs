//! Which master serves which frame, and what disqualified the others.
//!
//! [`Want::failure`] is the only place that decides whether a candidate qualifies; `explain` and
//! the reasons in the log print what it returned, so that they cannot disagree with the choice.

use std::cmp::Ordering;
use std::fmt;

use jiff::Timestamp;
use jiff::civil::Date;

use super::cluster::angle_between;
use crate::facts::{
    Camera, Celsius, Degrees, Fingerprint, Frame, Kind, MasterFacts, NearMiss, Profile, Seconds,
    Site,
};

/// How far a candidate is.
#[derive(Clone, Debug, PartialEq)]
pub enum Readiness {
    /// On file, or will be.
    Sure,
    /// Its set is too small.
    TooFew {
        /// Usable frames.
        have: usize,
        /// The profile's minimum.
        need: usize,
    },
    /// Its set has enough frames but it cannot be made.
    Barred(String),
}

/// A master that may serve.
#[derive(Clone, Debug)]
pub struct Offer {
    /// The fingerprint of its recipe.
    pub fingerprint: Fingerprint,
    /// What it is.
    pub facts: MasterFacts,
    /// How far it is.
    pub readiness: Readiness,
}

/// What a frame asks of a master.
pub struct Want<'a> {
    /// Acceptable kinds.
    pub kinds: &'a [Kind],
    /// Hard keys of the frame it shall serve.
    pub camera: &'a Camera,
    /// Wanted exposure and allowed fraction; absent where any exposure serves.
    pub exposure: Option<(Seconds, f64)>,
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

/// Why a candidate does not qualify, in the order in which it is checked: a later case is a nearer
/// miss.
#[derive(Clone, Debug, PartialEq)]
enum Failure {
    HardKey {
        key: &'static str,
        theirs: String,
        wanted: String,
    },
    Filter {
        theirs: String,
        wanted: String,
    },
    Optics {
        theirs: String,
        wanted: String,
    },
    Rotator {
        theirs: Option<Degrees>,
        wanted: Option<Degrees>,
        limit: f64,
    },
    Exposure {
        theirs: Seconds,
        wanted: Seconds,
        limit: f64,
    },
    Temperature {
        theirs: Option<Celsius>,
        wanted: Option<Celsius>,
        limit: f64,
    },
    Window {
        nights: i32,
        before: i32,
        after: i32,
    },
    Train {
        date: String,
    },
    TooFew {
        have: usize,
        need: usize,
    },
    Barred(String),
    /// Qualified, but another is better.
    Farther(String),
}

impl Failure {
    fn nearness(&self) -> u8 {
        match self {
            Self::HardKey { .. } => 0,
            Self::Filter { .. } => 1,
            Self::Optics { .. } => 2,
            Self::Rotator { .. } => 3,
            Self::Exposure { .. } => 4,
            Self::Temperature { .. } => 5,
            Self::Window { .. } => 6,
            Self::Train { .. } => 7,
            Self::TooFew { .. } => 8,
            Self::Barred(_) => 9,
            Self::Farther(_) => 10,
        }
    }
}

fn or_absent<T: fmt::Display>(value: &Option<T>) -> String {
    value.as_ref().map_or("absent".to_owned(), T::to_string)
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::HardKey {
                key,
                theirs,
                wanted,
            } => write!(f, "{key} is {theirs}, wanted {wanted}"),
            Self::Filter { theirs, wanted } => write!(f, "filter is {theirs}, wanted {wanted}"),
            Self::Optics { theirs, wanted } => write!(f, "optics are {theirs}, wanted {wanted}"),
            Self::Rotator {
                theirs,
                wanted,
                limit,
            } => write!(
                f,
                "rotator angle is {}, wanted {} within {limit} deg",
                or_absent(theirs),
                or_absent(wanted)
            ),
            Self::Exposure {
                theirs,
                wanted,
                limit,
            } => {
                write!(
                    f,
                    "exposure is {theirs}, wanted {wanted} within {}",
                    Percent(*limit)
                )
            }
            Self::Temperature {
                theirs,
                wanted,
                limit,
            } => write!(
                f,
                "temperature is {}, wanted {} within {limit} C",
                or_absent(theirs),
                or_absent(wanted)
            ),
            Self::Window {
                nights,
                before,
                after,
            } => {
                let (count, side) = (nights.abs(), if *nights < 0 { "before" } else { "after" });
                write!(
                    f,
                    "taken {count} nights {side}, the limits are {before} before and {after} after"
                )
            }
            Self::Train { date } => write!(f, "the optical train changed on {date} in between"),
            Self::TooFew { have, need } => {
                write!(
                    f,
                    "has {have} usable frames, the profile asks for at least {need}"
                )
            }
            Self::Barred(reason) => write!(f, "cannot be made: {reason}"),
            Self::Farther(how) => f.write_str(how),
        }
    }
}

struct Percent(f64);

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} %", (self.0 * 1e6).round() / 1e4)
    }
}

impl Want<'_> {
    /// The first rule that a candidate fails, none where it qualifies.
    fn failure(&self, offer: &Offer) -> Option<Failure> {
        let facts = &offer.facts;
        let readout = self.flat_for.is_none();
        if *facts.camera != *self.camera
            && let Some((key, theirs, wanted)) = facts.camera.difference(self.camera, readout)
        {
            return Some(Failure::HardKey {
                key,
                theirs,
                wanted,
            });
        }
        if let Some(light) = self.flat_for
            && let Some(failure) = self.flat_failure(facts, light)
        {
            return Some(failure);
        }
        if let Some((wanted, fraction)) = self.exposure {
            let theirs = facts.exposure;
            if (theirs.get() - wanted.get()).abs() > fraction * wanted.get() + 1e-9 {
                return Some(Failure::Exposure {
                    theirs,
                    wanted,
                    limit: fraction,
                });
            }
        }
        if let Some((wanted, limit)) = self.temperature {
            let theirs = facts.temperature;
            let fits = match (theirs, wanted) {
                (Some(a), Some(b)) => (a.get() - b.get()).abs() <= limit + 1e-9,
                (None, None) => true,
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
        let windows = &self.profile.windows;
        let (before, after) = match facts.kind {
            Kind::Flat => (windows.flat_before, windows.flat_after),
            _ => (windows.library_before, windows.library_after),
        };
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
            Readiness::Sure => None,
            Readiness::TooFew { have, need } => Some(Failure::TooFew {
                have: *have,
                need: *need,
            }),
            Readiness::Barred(reason) => Some(Failure::Barred(reason.clone())),
        }
    }

    fn flat_failure(&self, facts: &MasterFacts, light: &Frame) -> Option<Failure> {
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
            _ => false,
        };
        (!fits).then_some(Failure::Rotator {
            theirs: facts.rotator,
            wanted: light.rotator,
            limit,
        })
    }

    /// Nights from the frame to the master's nearest end: negative where the master is older.
    fn nights_to(&self, facts: &MasterFacts) -> i32 {
        let night = self.site.night_of(self.moment);
        let first = days_between(night, self.site.night_of(facts.first));
        let last = days_between(night, self.site.night_of(facts.last));
        if first > 0 { first } else { last.min(0) }
    }

    fn train_change(&self, facts: &MasterFacts) -> Option<Date> {
        let here = self.site.night_of(self.moment);
        let there = self.site.night_of(facts.last);
        let (early, late) = (here.min(there), here.max(there));
        self.profile
            .train_changes
            .iter()
            .copied()
            .find(|&date| early < date && date <= late)
    }

    /// Which of two qualified candidates is better comes first.
    fn compare(&self, a: &Offer, b: &Offer) -> Ordering {
        let rank = |offer: &Offer| {
            let facts = &offer.facts;
            let later = facts.last > self.moment;
            let away = if facts.first > self.moment {
                facts.first.duration_since(self.moment)
            } else if facts.last < self.moment {
                self.moment.duration_since(facts.last)
            } else {
                jiff::SignedDuration::ZERO
            };
            (later, away)
        };
        let ((a_later, a_away), (b_later, b_away)) = (rank(a), rank(b));
        if self.flat_for.is_some() {
            return (a_away, a_later, a.fingerprint).cmp(&(b_away, b_later, b.fingerprint));
        }
        self.temperature_away(a)
            .total_cmp(&self.temperature_away(b))
            .then(self.exposure_away(a).total_cmp(&self.exposure_away(b)))
            .then((a_later, a_away, a.fingerprint).cmp(&(b_later, b_away, b.fingerprint)))
    }

    fn temperature_away(&self, offer: &Offer) -> f64 {
        match (self.temperature, offer.facts.temperature) {
            (Some((Some(wanted), _)), Some(theirs)) => (wanted.get() - theirs.get()).abs(),
            _ => 0.0,
        }
    }

    fn exposure_away(&self, offer: &Offer) -> f64 {
        self.exposure.map_or(0.0, |(wanted, _)| {
            (wanted.get() - offer.facts.exposure.get()).abs()
        })
    }

    /// The best qualified candidate.
    pub fn choose<'o>(&self, offers: &'o [Offer]) -> Option<&'o Offer> {
        offers
            .iter()
            .filter(|offer| self.kinds.contains(&offer.facts.kind))
            .filter(|offer| self.failure(offer).is_none())
            .min_by(|a, b| self.compare(a, b))
    }

    /// Candidates that are not taken, the nearest miss first.
    fn ranked<'o>(&self, offers: &'o [Offer]) -> Vec<(&'o Offer, Failure)> {
        let chosen = self.choose(offers);
        let mut misses: Vec<(&Offer, Failure)> = offers
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
    pub fn misses(&self, offers: &[Offer]) -> Vec<NearMiss> {
        self.ranked(offers)
            .into_iter()
            .map(|(offer, failure)| NearMiss {
                candidate: describe(&offer.facts, self.site),
                fails: failure.to_string(),
            })
            .collect()
    }

    /// The candidate that would serve if only its set could be made.
    pub fn almost<'o>(&self, offers: &'o [Offer]) -> Option<&'o Offer> {
        let (offer, failure) = self.ranked(offers).into_iter().next()?;
        matches!(failure, Failure::TooFew { .. } | Failure::Barred(_)).then_some(offer)
    }

    fn why_farther(&self, offer: &Offer, chosen: Option<&Offer>) -> String {
        let Some(chosen) = chosen else {
            return "not taken".to_owned();
        };
        if self.temperature_away(offer) > self.temperature_away(chosen) {
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
        } else {
            "qualifies, but the chosen one is nearer in time".to_owned()
        }
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
            words.push(exposure.to_string());
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
    words.push(format!("of {}", site.night_of(facts.last)));
    words.join(" ")
}

/// Days from `from` to `to`.
pub fn days_between(from: Date, to: Date) -> i32 {
    let day = |date: Date| {
        date.to_zoned_datetime(jiff::tz::TimeZone::UTC)
            .map_or(0, |zoned| zoned.timestamp().as_second().div_euclid(86_400))
    };
    i32::try_from(day(to) - day(from)).unwrap_or(i32::MAX)
}
