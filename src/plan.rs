//! The planner: what there is and what the profiles ask for, turned into what to make, what waits
//! and why. Pure, and the heart of the house.
//!
//! It works like an incremental build. Each wanted product has a fingerprint of everything that
//! determines its bytes ([`Recipe`]). On file: nothing to do. Missing: a task. An input that is
//! not there: a wait with its reason. Nothing here depends on the order in which files came; the
//! clock only decides whether a set that may still grow is left alone a little longer.
//!
//! Raw files that have vanished stay in the snapshot. A master made from them cannot be made
//! again, so it is kept and goes on serving; a set is planned anew only from frames that are
//! there, and not at all while a kept master covers them.
//!
//! It does not know pixels, folders or the time of day.

mod black;
mod cast;
mod cluster;
mod darks;
mod explain;
mod lights;
mod masters;
mod matching;
mod memory;
mod names;
mod rig;
mod sensor;
mod sets;
mod shoot;
mod supplied;
mod tonight;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use jiff::Timestamp;

pub use explain::explain;
pub use matching::describe;
pub use memory::Memory;
pub use supplied::supplied_faults;

use rig::{Given, Rig};
use sets::Sets;

#[cfg(doc)]
use crate::facts::Recipe;
use crate::facts::{
    ByEntry, CalibrationState, Content, Digest, DigestMap, DigestSet, Fingerprint, Kind,
    LightState, Made, Plan, Settings, Snapshot, Task, ToMeasure, Wait,
};
use crate::measure;

/// How long the planner leaves a set alone that may still grow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Patience {
    /// Until it has been quiet for as long as its profile says; this is the time now.
    Until(Timestamp),
    /// Not at all: everything that will come is there.
    None,
}

/// Plans everything.
pub fn plan(snapshot: &Snapshot, settings: &Settings, patience: Patience) -> Plan {
    plan_with(snapshot, settings, patience, &mut Memory::default())
}

/// [`plan`], with what `memory` has of earlier plans.
pub fn plan_with(
    snapshot: &Snapshot,
    settings: &Settings,
    patience: Patience,
    memory: &mut Memory,
) -> Plan {
    memory.turn(&settings.profiles);
    let memory = &*memory;
    let entries = snapshot.entries.len();
    let mut plan = Plan {
        lights: ByEntry::with_room(entries),
        calibration: ByEntry::with_room(entries),
        ..Plan::default()
    };
    let (casts, originals) = cast::cast(snapshot, settings, &mut plan);
    let remakable = Remakable::of(snapshot, settings, originals, &casts, &plan);
    let mut needs = shoot::Needs::default();
    let given = Given {
        snapshot,
        settings,
        patience,
        remakable: &remakable,
    };
    for cast in casts {
        let sets = Sets::of(&cast, memory);
        let mut rig = Rig::new(given, &cast, &sets, &mut plan, memory);
        rig.sensors();
        rig.judge_darks();
        rig.masters(&mut needs);
        rig.lights(&mut needs);
    }
    plan.to_shoot = needs.into_lists(&settings.profiles);
    plan.tasks.sort_by_cached_key(order);
    (plan.superseded, plan.to_measure) = rayon::join(
        || superseded(snapshot, &plan, &remakable),
        || to_measure(snapshot, settings, &plan),
    );
    plan
}

/// Lights that stand on file and that the present methods have not measured, by name.
fn to_measure(snapshot: &Snapshot, settings: &Settings, plan: &Plan) -> Vec<ToMeasure> {
    let others: DigestSet<_> = snapshot.made.not_measured_by(measure::METHODS).collect();
    if others.is_empty() {
        return Vec::new();
    }
    let lights = plan.lights.iter();
    let calibrated =
        lights.filter_map(|(index, state)| Some((&snapshot.entries[index], state.product()?)));
    let mut lights: Vec<ToMeasure> = calibrated
        .filter(|(_, print)| others.contains(print))
        .filter_map(|(entry, print)| {
            let made = snapshot.made.get(print)?;
            let Content::Frame { frame, .. } = &entry.content else {
                return None;
            };
            Some(ToMeasure {
                fingerprint: *print,
                product: made.product.clone(),
                night: settings.site.night_of(entry.moment()),
                camera: frame.camera.clone(),
                masters: made.masters.clone(),
            })
        })
        .collect();
    lights.sort_by(|a, b| a.product.cmp(&b.product));
    lights
}

/// Contents that are there and claimed by a current profile: what is made from these alone could be
/// made again, or has no claim to stay.
struct Remakable<'a> {
    /// The entry that stands for each content, there or vanished.
    entries: cast::ByContent<'a>,
    /// By the entry that stands for a content.
    there: Vec<bool>,
}

impl<'a> Remakable<'a> {
    fn of(
        snapshot: &Snapshot,
        settings: &Settings,
        originals: cast::ByContent<'a>,
        casts: &[cast::Cast<'_>],
        plan: &Plan,
    ) -> Self {
        let mut there = vec![false; snapshot.entries.len()];
        let members = casts
            .iter()
            .flat_map(|cast| cast.calibration.values().flatten().chain(&cast.lights));
        for member in members.filter(|member| member.entry.present) {
            there[member.index] = true;
        }
        for digest in refused_but_there(snapshot, settings, plan) {
            if let Some(&original) = originals.get(&digest) {
                there[original] = true;
            }
        }
        Self {
            entries: originals,
            there,
        }
    }

    fn contains(&self, digest: &Digest) -> bool {
        self.entries
            .get(digest)
            .is_some_and(|&original| self.there[original])
    }
}

/// Frames that are there but take no part (a copy, a short shot, unusable): a product that was
/// once made from one of them has no claim to stay. A rig without a profile is another matter: it
/// has retired, and its products with honour.
fn refused_but_there(snapshot: &Snapshot, settings: &Settings, plan: &Plan) -> Vec<Digest> {
    let out = |index: usize| match &snapshot.entries[index] {
        entry if !entry.present => None,
        entry => match &entry.content {
            Content::Frame { digest, frame, .. } => {
                cast::owner(settings, &frame.rig, &frame.camera.name).map(|_| *digest)
            }
            _ => None,
        },
    };
    let lights = plan
        .lights
        .iter()
        .filter(|(_, state)| matches!(state, LightState::Refused(_) | LightState::Ignored(_)));
    lights.filter_map(|(index, _)| out(index)).collect()
}

/// Masters first, in the order in which they depend on each other; lights by name, which is by
/// target, filter and time.
fn order(task: &Task) -> (u8, String) {
    use crate::facts::Recipe::{Light, Line, Master};
    let rank = match &task.recipe {
        Master(recipe) => match recipe.method.facts.kind {
            Kind::Bias => 0,
            Kind::FlatDark => 1,
            Kind::Dark => 2,
            Kind::Flat | Kind::Light => 3,
        },
        Light(_) => 4,
        Line(_) => 5,
    };
    (rank, task.product.clone())
}

/// Products on file that are not wanted and may go: all of their raws are there, nothing on file
/// leans on them, and either another product on file stands for what they show, or they could be
/// made again to the byte, their masters included.
fn superseded(snapshot: &Snapshot, plan: &Plan, remakable: &Remakable<'_>) -> Vec<Fingerprint> {
    let masters = plan.masters.keys();
    let masters = masters.filter(|print| snapshot.made.contains(print));
    let lines = plan.lines.values().flat_map(BTreeMap::values);
    let lights = plan.lights.values().filter_map(LightState::product);
    let wanted = masters.chain(lines).chain(lights);
    // Each is wanted once, by its set or by its only frame, and all are on file.
    if wanted.clone().count() == snapshot.made.len() {
        debug_assert_eq!(
            wanted.copied().collect::<DigestSet<_>>().len(),
            snapshot.made.len()
        );
        return Vec::new();
    }
    let mut stays = DigestSet::with_capacity_and_hasher(snapshot.made.len(), Default::default());
    stays.extend(wanted);
    let mut others = Others {
        snapshot,
        plan,
        remakable,
        standing: None,
        known: DigestMap::default(),
    };
    let (mut open, mut may_go) = (Vec::new(), Vec::new());
    for made in snapshot.made.iter() {
        let stays = stays.contains(&made.fingerprint) || !others.disposable(made);
        (if stays { &mut open } else { &mut may_go }).push(made);
    }
    if may_go.is_empty() {
        return Vec::new();
    }
    // What a staying product was made with stays too, down to the bias beneath the flat.
    while let Some(made) = open.pop() {
        for used in &made.masters {
            if stays.insert(used.fingerprint) {
                open.extend(snapshot.made.get(&used.fingerprint));
            }
        }
    }
    let keys = may_go.into_iter().map(|made| made.fingerprint);
    keys.filter(|key| !stays.contains(key)).collect()
}

/// Products that the plan does not ask for, while it is found out which of them may go.
struct Others<'a> {
    snapshot: &'a Snapshot,
    plan: &'a Plan,
    remakable: &'a Remakable<'a>,
    /// Contents that a product on file stands for, and which; once it is asked for.
    standing: Option<DigestMap<Digest, Fingerprint>>,
    /// What can be made again: a master serves many lights.
    known: DigestMap<Fingerprint, bool>,
}

impl Others<'_> {
    fn disposable(&mut self, made: &Made) -> bool {
        let there = |digest| self.remakable.contains(digest);
        made.inputs.iter().all(there) && (self.replaced(made) || self.remakes(made))
    }

    /// Does another product on file stand for all that it shows?
    fn replaced(&mut self, made: &Made) -> bool {
        let (snapshot, plan) = (self.snapshot, self.plan);
        let standing = self
            .standing
            .get_or_insert_with(|| standing(snapshot, plan));
        made.inputs.iter().all(|digest| {
            let other = standing.get(digest);
            other.is_some_and(|other| *other != made.fingerprint)
        })
    }

    /// Could it be made again to the byte: from raws that are there, with masters of which the same is
    /// true? Masters that are not on file were given up already, but supplied ones must be there.
    fn remakes(&mut self, made: &Made) -> bool {
        if let Some(&found) = self.known.get(&made.fingerprint) {
            return found;
        }
        let there = |digest| self.remakable.contains(digest);
        let found = made.inputs.iter().all(there)
            && supplied::all_there(self.snapshot, made)
            && made.masters.iter().all(|used| {
                let master = self.snapshot.made.get(&used.fingerprint);
                master.is_none_or(|master| self.remakes(master))
            });
        self.known.insert(made.fingerprint, found);
        found
    }
}

/// Contents that a product on file stands for, and which.
fn standing(snapshot: &Snapshot, plan: &Plan) -> DigestMap<Digest, Fingerprint> {
    let mut standing = DigestMap::default();
    for (index, entry) in snapshot.entries.iter().enumerate() {
        let Content::Frame { digest, .. } = &entry.content else {
            continue;
        };
        let light = plan.lights.get(index).and_then(LightState::product);
        let master = plan.calibration.get(index).and_then(|state| match state {
            CalibrationState::Used(fingerprint) => Some(fingerprint),
            _ => None,
        });
        standing.extend(
            light
                .into_iter()
                .chain(master)
                .map(|found| (*digest, *found)),
        );
    }
    standing
}

/// What a wait comes down to: the innermost reason.
fn root(wait: &Wait) -> &Wait {
    match wait {
        Wait::Master { because, .. } => root(because),
        other => other,
    }
}
