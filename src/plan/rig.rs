//! One rig while it is being planned: what it knows, and how a master is chosen. `masters` and
//! `lights` do the planning.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::cast::Cast;
use super::matching::{Offer, Offers, Readiness, Want};
use super::memory::Memory;
use super::sensor::Sensors;
use super::sets::Sets;
use super::{Patience, Remakable, root};
use crate::facts::{
    Celsius, Fingerprint, FrameRule, Kind, MasterState, MasterUse, Plan, Profile, Recipe, Rule,
    Settings, Shoot, Snapshot, Wait,
};

/// What all rigs are planned from.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    pub(super) snapshot: &'a Snapshot,
    pub(super) settings: &'a Settings,
    pub(super) patience: Patience,
    pub(super) remakable: &'a Remakable<'a>,
}

/// One rig while it is being planned.
pub struct Rig<'a, 'p> {
    pub(super) given: Given<'a>,
    pub(super) cast: &'a Cast<'a>,
    pub(super) sets: &'p Sets<'a>,
    pub(super) plan: &'p mut Plan,
    pub(super) memory: &'p Memory,
    /// Masters that may serve, as far as they are known yet.
    pub(super) offers: Offers<'a>,
    /// What is known of its sensor.
    pub(super) sensors: Sensors,
    /// What a set that cannot be made lacks.
    pub(super) lacking: BTreeMap<Fingerprint, Shoot>,
}

/// A choice of master, or why there is none.
pub enum Pick {
    /// This one.
    Found(MasterUse),
    /// None, and why.
    None(Lack),
}

/// Why there is no master, and what to shoot for it.
#[derive(Clone)]
pub struct Lack {
    pub(super) wait: Box<Wait>,
    pub(super) shoot: Option<Box<Shoot>>,
}

impl Lack {
    /// The same with a word on why it is asked for, where there is none yet.
    pub(super) fn because(mut self, why: &str) -> Self {
        if let Some(shoot) = self.shoot.as_mut().filter(|shoot| shoot.why.is_empty()) {
            why.clone_into(&mut shoot.why);
        }
        self
    }
}

impl<'a, 'p> Rig<'a, 'p> {
    pub(super) fn new(
        given: Given<'a>,
        cast: &'a Cast<'a>,
        sets: &'p Sets<'a>,
        plan: &'p mut Plan,
        memory: &'p Memory,
    ) -> Self {
        Self {
            given,
            cast,
            sets,
            plan,
            memory,
            offers: Offers::default(),
            sensors: Sensors::default(),
            lacking: BTreeMap::new(),
        }
    }

    pub(super) fn profile(&self) -> &'a Profile {
        self.cast.profile
    }

    pub(super) fn rule(&self, kind: Kind) -> Option<&'a FrameRule> {
        self.profile().calibration.of(kind)
    }

    pub(super) fn wants(&self, kind: Kind) -> bool {
        self.rule(kind).is_some_and(|rule| rule.rule != Rule::Never)
    }

    pub(super) fn requires(&self, kind: Kind) -> bool {
        self.rule(kind).is_some_and(|rule| rule.rule.is_required())
    }

    /// The plan is to be looked at again then, or earlier.
    pub(super) fn wake(&mut self, until: Timestamp) {
        self.plan.wake = Some(self.plan.wake.map_or(until, |wake| wake.min(until)));
    }

    /// Why a chosen master is not there yet.
    pub(super) fn pending(&self, used: &MasterUse) -> Option<Wait> {
        match &self.plan.masters.get(&used.fingerprint)?.state {
            MasterState::Made => None,
            MasterState::Waiting(wait) => Some(Wait::Master {
                kind: used.kind,
                because: Box::new(root(wait).clone()),
            }),
        }
    }

    /// What the first of a recipe's masters waits for that are not there yet.
    pub(super) fn first_pending(&self, recipe: &Recipe) -> Option<Wait> {
        recipe
            .masters()
            .into_iter()
            .find_map(|used| self.pending(used))
    }

    /// Chooses a master; where there is none, says what to shoot: frames of kind `asked`.
    pub(super) fn pick(&self, want: &Want<'_>, asked: Kind, at: Option<Celsius>) -> Pick {
        if let Some(offer) = self.offers.choose(want)
            && let Some(master) = self.plan.masters.get(&offer.fingerprint)
        {
            return Pick::Found(MasterUse {
                kind: offer.facts.kind,
                fingerprint: offer.fingerprint,
                product: master.product.clone(),
                scale: want.scale(&offer.facts),
            });
        }
        let need = self.rule(asked).map_or(0, |rule| rule.min_frames);
        let flat = want.flat_for;
        let misses = self.offers.instead(want);
        let almost = misses.almost.and_then(|found| self.offers.get(&found));
        let shoot = match almost {
            Some(Offer {
                readiness: Readiness::Barred(_),
                fingerprint,
                ..
            }) => self.lacking.get(fingerprint).cloned(),
            almost => {
                let own = almost.is_some_and(|offer| want.scale(&offer.facts).is_none());
                // Those that are there serve only together with more of the same session.
                let why = match (almost.map(|offer| &offer.readiness), self.rule(asked)) {
                    (Some(Readiness::TooFew { have, need }), Some(rule)) if own => format!(
                        "{have} of {need} are there, {} more within {} h of them do too",
                        need - have,
                        rule.run_gap.as_secs() / 3600
                    ),
                    _ => String::new(),
                };
                Some(Shoot {
                    rig: self.profile().name.clone(),
                    kind: asked,
                    filter: flat.map(|light| light.filter.to_string()),
                    exposure: want.exposure.map(|(exposure, _)| exposure),
                    temperature: at,
                    gain: want.camera.gain,
                    offset: want.camera.offset,
                    rotator: flat.and_then(|light| light.rotator),
                    count: need.max(1),
                    why,
                })
            }
        };
        let wait = Wait::NoMaster {
            kind: asked,
            wanted: want.words(),
            misses: misses.nearest,
        };
        Pick::None(Lack {
            wait: Box::new(wait),
            shoot: shoot.map(Box::new),
        })
    }
}
