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

mod cast;
mod cluster;
mod darks;
mod explain;
mod lights;
mod masters;
mod matching;
mod names;
mod rig;
mod sensor;
mod sets;
mod shoot;
mod supplied;

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

pub use explain::explain;
pub use matching::describe;
pub use supplied::supplied_faults;

#[cfg(doc)]
use crate::facts::Recipe;
use crate::facts::{
    CalibrationState, Content, Digest, Fingerprint, Kind, LightState, Made, Plan, Settings,
    Snapshot, Task, ToMeasure, Wait, line_of,
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

/// Products on file by the raw contents that went into them.
struct OnFile<'a> {
    lights: BTreeMap<Digest, Vec<&'a Made>>,
    masters: BTreeMap<Digest, Vec<&'a Made>>,
    /// Planes of single lines.
    lines: BTreeMap<Digest, Vec<&'a Made>>,
    /// The entry that stands for each content, there or vanished.
    entries: BTreeMap<Digest, usize>,
}

impl<'a> OnFile<'a> {
    fn of(snapshot: &'a Snapshot) -> Self {
        let mut found = Self {
            lights: BTreeMap::new(),
            masters: BTreeMap::new(),
            lines: BTreeMap::new(),
            entries: cast::originals(snapshot),
        };
        for made in snapshot.made.values() {
            let place = if made.facts.is_some() {
                &mut found.masters
            } else if line_of(&made.method).is_some() {
                &mut found.lines
            } else {
                &mut found.lights
            };
            for digest in &made.inputs {
                place.entry(*digest).or_default().push(made);
            }
        }
        found
    }
}

/// Plans everything.
pub fn plan(snapshot: &Snapshot, settings: &Settings, patience: Patience) -> Plan {
    let mut plan = Plan::default();
    let on_file = OnFile::of(snapshot);
    let casts = cast::cast(snapshot, settings, &on_file, &mut plan);
    let remakable = remakable(snapshot, settings, &casts, &plan);
    let mut needs = shoot::Needs::default();
    for cast in casts {
        let mut rig = rig::Rig::new(
            snapshot, settings, patience, &on_file, &remakable, &cast, &mut plan,
        );
        rig.sensors();
        rig.judge_darks();
        rig.masters(&mut needs);
        rig.lights(&mut needs);
    }
    plan.to_shoot = needs.into_lists(&settings.profiles);
    plan.superseded = superseded(snapshot, &plan, &remakable);
    plan.tasks.sort_by_key(order);
    plan.to_measure = to_measure(snapshot, settings, &plan);
    plan
}

/// Lights that stand on file and that the present methods have not measured, by name.
fn to_measure(snapshot: &Snapshot, settings: &Settings, plan: &Plan) -> Vec<ToMeasure> {
    let calibrated = plan.lights.iter().filter_map(|(index, state)| match state {
        LightState::Calibrated(fingerprint) => Some((&snapshot.entries[*index], fingerprint)),
        _ => None,
    });
    let mut lights: Vec<ToMeasure> = calibrated
        .filter(|(_, print)| snapshot.measured.get(print) != Some(&measure::METHODS))
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
fn remakable(
    snapshot: &Snapshot,
    settings: &Settings,
    casts: &[cast::Cast<'_>],
    plan: &Plan,
) -> BTreeSet<Digest> {
    let members = casts
        .iter()
        .flat_map(|cast| cast.calibration.values().flatten().chain(&cast.lights))
        .filter(|member| member.entry.present)
        .map(|member| member.digest);
    members
        .chain(refused_but_there(snapshot, settings, plan))
        .collect()
}

/// Frames that are there but take no part (a copy, a short shot, unusable): a product that was
/// once made from one of them has no claim to stay. A rig without a profile is another matter: it
/// has retired, and its products with honour.
fn refused_but_there(snapshot: &Snapshot, settings: &Settings, plan: &Plan) -> Vec<Digest> {
    let out = |index: &usize| match &snapshot.entries[*index] {
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
        Master(recipe) => match recipe.facts.kind {
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
fn superseded(snapshot: &Snapshot, plan: &Plan, remakable: &BTreeSet<Digest>) -> Vec<Fingerprint> {
    let mut stays: BTreeSet<Fingerprint> = plan.masters.keys().copied().collect();
    stays.extend(plan.lines.values().flat_map(BTreeMap::values));
    // Contents that a product on file stands for, and which.
    let mut standing: BTreeMap<Digest, Fingerprint> = BTreeMap::new();
    for (index, entry) in snapshot.entries.iter().enumerate() {
        let Content::Frame { digest, .. } = &entry.content else {
            continue;
        };
        if let Some(LightState::Calibrated(fingerprint)) = plan.lights.get(&index) {
            stays.insert(*fingerprint);
            standing.insert(*digest, *fingerprint);
        }
        if let Some(CalibrationState::Used(fingerprint)) = plan.calibration.get(&index) {
            standing.insert(*digest, *fingerprint);
        }
    }
    let replaced = |made: &Made| {
        made.inputs.iter().all(|digest| {
            standing
                .get(digest)
                .is_some_and(|other| *other != made.fingerprint)
        })
    };
    let mut known = BTreeMap::new();
    let mut disposable = |made: &Made| {
        made.inputs.iter().all(|digest| remakable.contains(digest))
            && (replaced(made) || remakes(snapshot, remakable, made, &mut known))
    };
    stays.extend(
        snapshot
            .made
            .values()
            .filter(|made| !disposable(made))
            .map(|made| made.fingerprint),
    );
    // What a staying product was made with stays too, down to the bias beneath the flat.
    let mut open: Vec<Fingerprint> = stays.iter().copied().collect();
    while let Some(fingerprint) = open.pop() {
        for used in snapshot
            .made
            .get(&fingerprint)
            .into_iter()
            .flat_map(|made| &made.masters)
        {
            if stays.insert(used.fingerprint) {
                open.push(used.fingerprint);
            }
        }
    }
    snapshot
        .made
        .keys()
        .filter(|fingerprint| !stays.contains(fingerprint))
        .copied()
        .collect()
}

/// Could a product be made again to the byte: from raws that are there, with masters of which the
/// same is true? Masters that are not on file were given up already, but supplied ones must be there.
/// What was found is noted in `known`: a master serves many lights.
fn remakes(
    snapshot: &Snapshot,
    remakable: &BTreeSet<Digest>,
    made: &Made,
    known: &mut BTreeMap<Fingerprint, bool>,
) -> bool {
    if let Some(&found) = known.get(&made.fingerprint) {
        return found;
    }
    let found = made.inputs.iter().all(|digest| remakable.contains(digest))
        && supplied::all_there(snapshot, made)
        && made.masters.iter().all(|used| {
            let master = snapshot.made.get(&used.fingerprint);
            master.is_none_or(|master| remakes(snapshot, remakable, master, known))
        });
    known.insert(made.fingerprint, found);
    found
}

/// What a wait comes down to: the innermost reason.
fn root(wait: &Wait) -> &Wait {
    match wait {
        Wait::Master { because, .. } => root(because),
        other => other,
    }
}
