//! One rig while it is being planned: what it knows, and how a master is chosen. `masters` and
//! `lights` do the planning.

use std::collections::{BTreeMap, BTreeSet};

use super::cast::Cast;
use super::matching::{Offer, Readiness, Want};
use super::sensor::Sensors;
use super::{OnFile, Patience, root};
use crate::facts::{
    Celsius, Digest, Fingerprint, FrameRule, Kind, MasterState, MasterUse, Plan, Profile, Rule,
    Settings, Shoot, Snapshot, Wait,
};

/// One rig while it is being planned.
pub struct Rig<'a, 'p> {
    pub(super) snapshot: &'a Snapshot,
    pub(super) settings: &'a Settings,
    pub(super) patience: Patience,
    pub(super) on_file: &'a OnFile<'a>,
    pub(super) remakable: &'a BTreeSet<Digest>,
    pub(super) cast: &'a Cast<'a>,
    pub(super) plan: &'p mut Plan,
    /// Masters that may serve, as far as they are known yet.
    pub(super) offers: Vec<Offer<'a>>,
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

impl<'a, 'p> Rig<'a, 'p> {
    pub(super) fn new(
        snapshot: &'a Snapshot,
        settings: &'a Settings,
        patience: Patience,
        on_file: &'a OnFile<'a>,
        remakable: &'a BTreeSet<Digest>,
        cast: &'a Cast<'a>,
        plan: &'p mut Plan,
    ) -> Self {
        let (offers, lacking) = (Vec::new(), BTreeMap::new());
        let sensors = Sensors::default();
        Self {
            snapshot,
            settings,
            patience,
            on_file,
            remakable,
            cast,
            plan,
            offers,
            sensors,
            lacking,
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

    /// Chooses a master; where there is none, says what to shoot: frames of kind `asked`.
    pub(super) fn pick(&self, want: &Want<'_>, asked: Kind, at: Option<Celsius>) -> Pick {
        if let Some(offer) = want.choose(&self.offers)
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
        let shoot = match want.almost(&self.offers) {
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
        let mut misses = want.misses(&self.offers);
        misses.truncate(3);
        let wait = Wait::NoMaster {
            kind: asked,
            wanted: want.words(),
            misses,
        };
        Pick::None(Lack {
            wait: Box::new(wait),
            shoot: shoot.map(Box::new),
        })
    }
}
