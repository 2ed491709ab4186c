//! What must be shot: unmet needs, gathered over the lights and sets that wait for them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::civil::Date;

use super::cluster::{angle_clusters, clusters, middle_angle};
use super::sets::{middle, split};
use crate::facts::{Celsius, Degrees, Profile, Shoot, Tolerance};

/// Needs of all rigs, by night.
#[derive(Default)]
pub struct Needs {
    found: BTreeMap<Date, BTreeMap<Shoot, Waiting>>,
}

/// Who waits for one need.
#[derive(Clone, Default)]
pub struct Waiting {
    lights: usize,
    targets: BTreeSet<String>,
    sets: BTreeSet<String>,
}

impl Waiting {
    /// One light of a target.
    pub fn light(target: Option<&str>) -> Self {
        let targets = target.iter().map(|target| (*target).to_owned()).collect();
        Self {
            lights: 1,
            targets,
            sets: BTreeSet::new(),
        }
    }

    /// One calibration set.
    pub fn set(words: String) -> Self {
        Self {
            lights: 0,
            targets: BTreeSet::new(),
            sets: BTreeSet::from([words]),
        }
    }

    fn take(&mut self, other: Self) {
        self.lights += other.lights;
        self.targets.extend(other.targets);
        self.sets.extend(other.sets);
    }

    fn words(&self) -> String {
        let mut words = Vec::new();
        if self.lights > 0 {
            let noun = if self.lights == 1 { "light" } else { "lights" };
            let mut text = format!("{} {noun}", self.lights);
            if !self.targets.is_empty() {
                let targets: Vec<&str> = self.targets.iter().map(String::as_str).collect();
                text += &format!(" of {}", targets.join(", "));
            }
            words.push(text);
        }
        if !self.sets.is_empty() {
            let sets: Vec<&str> = self.sets.iter().map(String::as_str).collect();
            words.push(format!("the masters {}", sets.join(", ")));
        }
        let verb = if self.lights == 1 && self.sets.is_empty() {
            "waits"
        } else {
            "wait"
        };
        format!("{} {verb} for it", words.join(" and "))
    }
}

impl Needs {
    /// Notes a need of a night. Equal needs are merged.
    pub fn add(&mut self, night: Date, shoot: Shoot, waiting: Waiting) {
        let known = self
            .found
            .entry(night)
            .or_default()
            .entry(shoot)
            .or_default();
        known.take(waiting);
    }

    /// The lists, first things first: what more lights wait for comes before what fewer do. Needs
    /// of a rig that its tolerances cannot tell apart (a rotator never stops at quite the same
    /// angle) are one, with the values in their middle.
    pub fn into_lists(self, profiles: &[Arc<Profile>]) -> BTreeMap<Date, Vec<Shoot>> {
        let list = |needs: BTreeMap<Shoot, Waiting>| {
            let mut alike: BTreeMap<Shoot, Vec<(Shoot, Waiting)>> = BTreeMap::new();
            for (shoot, waiting) in needs {
                let key = Shoot {
                    exposure: None,
                    temperature: None,
                    rotator: None,
                    why: String::new(),
                    ..shoot.clone()
                };
                alike.entry(key).or_default().push((shoot, waiting));
            }
            let mut needs: Vec<(Shoot, Waiting)> = Vec::new();
            for (key, group) in alike {
                match profiles.iter().find(|profile| profile.name == key.rig) {
                    Some(profile) => needs.extend(merged(group, &profile.tolerance)),
                    None => needs.extend(group),
                }
            }
            // The sort is stable: equals stay in the order of rig, kind, filter, exposure.
            needs.sort_by_key(|(_, waiting)| std::cmp::Reverse(waiting.lights));
            let worded = |(shoot, waiting): (Shoot, Waiting)| {
                let note = if shoot.why.is_empty() { "" } else { "; " };
                let why = format!("{}{note}{}", waiting.words(), shoot.why);
                Shoot { why, ..shoot }
            };
            needs.into_iter().map(worded).collect()
        };
        self.found
            .into_iter()
            .map(|(night, needs)| (night, list(needs)))
            .collect()
    }
}

/// Joins needs whose exposure, temperature and angle lie within the tolerances.
fn merged(group: Vec<(Shoot, Waiting)>, tolerance: &Tolerance) -> Vec<(Shoot, Waiting)> {
    let spread = 2.0 * (1.0 + tolerance.exposure_fraction).ln();
    let logarithm = |(shoot, _): &(Shoot, Waiting)| shoot.exposure.map(|e| e.get().max(1e-9).ln());
    split(group, logarithm, |values| clusters(values, spread))
        .into_iter()
        .flat_map(|group| {
            let celsius = |(shoot, _): &(Shoot, Waiting)| shoot.temperature.map(Celsius::get);
            split(group, celsius, |values| {
                clusters(values, 2.0 * tolerance.temperature_c)
            })
        })
        .flat_map(|group| {
            let degrees = |(shoot, _): &(Shoot, Waiting)| shoot.rotator.map(Degrees::get);
            split(group, degrees, |values| {
                angle_clusters(values, 2.0 * tolerance.rotator_deg)
            })
        })
        .filter_map(join)
        .collect()
}

fn join(group: Vec<(Shoot, Waiting)>) -> Option<(Shoot, Waiting)> {
    let angles: Vec<f64> = group
        .iter()
        .filter_map(|(shoot, _)| shoot.rotator.map(Degrees::get))
        .collect();
    let shoots = || group.iter().map(|(shoot, _)| shoot);
    let rotator =
        middle_angle(&angles).and_then(|angle| Degrees::new((angle * 10.0).round() / 10.0));
    let shoot = Shoot {
        exposure: middle(shoots().filter_map(|shoot| shoot.exposure)),
        temperature: middle(shoots().filter_map(|shoot| shoot.temperature)),
        rotator,
        why: shoots()
            .map(|shoot| shoot.why.clone())
            .max()
            .unwrap_or_default(),
        ..group.first()?.0.clone()
    };
    let mut waiting = Waiting::default();
    for (_, other) in group {
        waiting.take(other);
    }
    Some((shoot, waiting))
}
