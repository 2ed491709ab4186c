//! Supplied masters among those that may serve, and what speaks against one.
//!
//! A supplied master is on file as soon as it is named. It has no time, so that no window and no
//! change of the optical train concerns it: who names it takes that upon themselves.

use std::collections::BTreeSet;

use super::cast::cast;
use super::matching::{Offer, Readiness};
use super::memory::Memory;
use super::rig::{Given, Rig};
use super::sets::Sets;
use super::{Patience, Remakable};
use crate::combine::median;
use crate::facts::{
    Camera, Digest, Kind, Made, MasterState, Plan, PlannedMaster, Recipe, Settings, Snapshot,
    Supplied, SuppliedMaster,
};

/// Below this level of the sensor's bias frames, ADU, there is nothing to tell a master by.
const LEAST_PEDESTAL: f64 = 16.0;

/// A master that holds its bias has at least this part of the level of the sensor's bias frames. One
/// whose bias has been removed has next to nothing of it.
const LEAST_PART: f64 = 0.5;

/// A bias master has at most so many times their level: one in other units has 4 or 16 times as much.
const MOST_TIMES: f64 = 2.0;

/// What is wrong with the supplied masters, by themselves or beside the rig's frames: as sentences.
pub fn supplied_faults(snapshot: &Snapshot, settings: &Settings) -> Vec<String> {
    let mut plan = Plan::default();
    let (casts, originals) = cast(snapshot, settings, &mut plan);
    let given = Given {
        snapshot,
        settings,
        patience: Patience::None,
        remakable: &Remakable::of(snapshot, settings, originals, &casts, &plan),
    };
    let memory = Memory::default();
    let sets = Sets::default();
    let faults = casts
        .iter()
        .flat_map(|cast| Rig::new(given, cast, &sets, &mut plan, &memory).faults());
    faults.collect()
}

/// The supplied masters that a recipe needs, and where they lie.
pub(super) fn behind(snapshot: &Snapshot, recipe: &Recipe) -> Vec<Supplied> {
    let masters = recipe.masters().into_iter();
    let found = masters.filter_map(|used| snapshot.supplied(&used.fingerprint));
    found.map(|(supplied, _)| supplied.clone()).collect()
}

/// Are all supplied masters there that a product was made with, down to the bias beneath its flat?
/// What the profile now states of them does not matter: like any other setting, it can be set back.
pub(super) fn all_there(snapshot: &Snapshot, made: &Made) -> bool {
    made.masters.iter().all(|used| {
        if used.is_supplied() {
            let masters = snapshot.supplied.iter().flat_map(|found| &found.master);
            return masters
                .map(SuppliedMaster::word)
                .any(|word| *word == *used.product);
        }
        let master = snapshot.made.get(&used.fingerprint);
        master.is_none_or(|master| all_there(snapshot, master))
    })
}

impl<'a> Rig<'a, '_> {
    /// Offers the rig's supplied masters of a kind.
    pub(super) fn supplied(&mut self, kind: Kind) {
        for master in self.of_kind(kind).filter_map(|(_, found)| found.ok()) {
            let planned = PlannedMaster {
                fingerprint: master.fingerprint,
                product: master.word().into(),
                facts: master.facts.clone(),
                method: "supplied".into(),
                members: Vec::new(),
                left_out: Vec::new(),
                masters: Vec::new(),
                state: MasterState::Made,
            };
            self.plan.masters.insert(master.fingerprint, planned);
            let offer = Offer {
                fingerprint: master.fingerprint,
                facts: master.facts.clone(),
                readiness: match self.misfit(master) {
                    Some(reason) => Readiness::Unfit(reason),
                    None => Readiness::Sure,
                },
                supplied: Some(master),
            };
            self.offers.admit(offer, &self.given.settings.site);
        }
    }

    /// The product of a light, made with a supplied master that is away, while one that the profile
    /// names cannot be read: it is likely to be back, and the product cannot be made again till then.
    pub(super) fn without_its_master(&self, light: &Digest) -> Option<&'a Made> {
        let named = |supplied: &&Supplied| *supplied.rig == *self.profile().name;
        let mut named = self.given.snapshot.supplied.iter().filter(named);
        let away = named.any(|supplied| supplied.master.is_err());
        let made = &self.given.snapshot.made;
        let mut products = made.each(made.lights_of(light));
        products.find(|made| away && !all_there(self.given.snapshot, made))
    }

    /// The rig's supplied masters of a kind, with why they cannot be used at all.
    fn of_kind(
        &self,
        kind: Kind,
    ) -> impl Iterator<Item = (&'a Supplied, Result<&'a SuppliedMaster, &'a String>)> + use<'a>
    {
        let rig = &self.profile().name;
        let ours = move |supplied: &&Supplied| *supplied.rig == **rig && supplied.kind == kind;
        let found = self.given.snapshot.supplied.iter().filter(ours);
        found.map(|supplied| (supplied, supplied.master.as_ref()))
    }

    /// What is wrong with the rig's supplied masters, as sentences.
    pub(super) fn faults(&self) -> Vec<String> {
        let kinds = Kind::CALIBRATION.into_iter();
        kinds.flat_map(|kind| self.faults_of(kind)).collect()
    }

    /// The same for one kind.
    pub(super) fn faults_of(&self, kind: Kind) -> Vec<String> {
        let fault = |(supplied, found): (&Supplied, Result<&SuppliedMaster, &String>)| {
            let reason = match found {
                Err(reason) => reason.clone(),
                Ok(master) => self.misfit(master)?,
            };
            let path = supplied.path.display();
            Some(format!("the supplied {kind} {path} is not used: {reason}"))
        };
        self.of_kind(kind).filter_map(fault).collect()
    }

    /// What shows beside the rig's frames that a master does not belong to them.
    fn misfit(&self, master: &SuppliedMaster) -> Option<String> {
        let frames = || {
            self.cast
                .calibration
                .values()
                .flatten()
                .chain(&self.cast.lights)
        };
        let own = &master.facts.camera;
        let size = |camera: &Camera| (camera.width, camera.height);
        let sizes: BTreeSet<(u32, u32)> = frames().map(|frame| size(&frame.frame.camera)).collect();
        if !sizes.is_empty() && !sizes.contains(&size(own)) {
            let words = |(width, height): (u32, u32)| format!("{width}x{height}");
            let theirs: Vec<String> = sizes.into_iter().map(words).collect();
            return Some(format!(
                "it is {} pixels, the rig's frames {}",
                words(size(own)),
                theirs.join(", ")
            ));
        }
        if master.facts.kind == Kind::Flat {
            return None;
        }
        let bias = frames().filter(|frame| frame.frame.kind == Kind::Bias);
        let alike = bias.filter(|frame| master.filled(&frame.frame.camera) == *frame.frame.camera);
        let mut levels: Vec<f64> = alike.map(|frame| frame.sample.level()).collect();
        if levels.is_empty() && master.facts.kind != Kind::Bias {
            let supplied = self.of_kind(Kind::Bias).filter_map(|(_, found)| found.ok());
            let alike =
                supplied.filter(|bias| master.filled(&bias.filled(own)) == bias.filled(own));
            levels = alike.map(|bias| bias.level).collect();
        }
        let pedestal = median(&mut levels)?;
        let level = master.level;
        if pedestal < LEAST_PEDESTAL {
            return None;
        }
        if level < LEAST_PART * pedestal {
            return Some(format!(
                "its level is {level:.1} ADU, that of the sensor's bias {pedestal:.1}: its bias has been \
                 removed, or it is in other units; want a master that holds its bias"
            ));
        }
        if master.facts.kind == Kind::Bias && level > MOST_TIMES * pedestal {
            return Some(format!(
                "its level is {level:.1} ADU, that of the sensor's bias frames {pedestal:.1}: it is in other \
                 units"
            ));
        }
        None
    }
}
