//! What must be shot: unmet needs, gathered over the lights and sets that wait for them.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use crate::facts::Shoot;

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
        known.lights += waiting.lights;
        known.targets.extend(waiting.targets);
        known.sets.extend(waiting.sets);
    }

    /// The lists, first things first: what more lights wait for comes before what fewer do.
    pub fn into_lists(self) -> BTreeMap<Date, Vec<Shoot>> {
        let list = |needs: BTreeMap<Shoot, Waiting>| {
            let mut needs: Vec<(Shoot, Waiting)> = needs.into_iter().collect();
            // The sort is stable: equals stay in the order of rig, kind, filter, exposure.
            needs.sort_by_key(|(_, waiting)| std::cmp::Reverse(waiting.lights));
            needs
                .into_iter()
                .map(|(shoot, waiting)| Shoot {
                    why: waiting.words(),
                    ..shoot
                })
                .collect()
        };
        self.found
            .into_iter()
            .map(|(night, needs)| (night, list(needs)))
            .collect()
    }
}
