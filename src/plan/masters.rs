//! A rig's sets become masters: what is judged, kept, waited for, made.

use std::borrow::Cow;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use rayon::prelude::*;

use super::cast::{Member, owner};
use super::matching::{Offer, Readiness, Want, describe};
use super::rig::{Pick, Rig};
use super::sets::Judged;
use super::shoot::{Needs, Waiting};
use super::{Patience, black, names, root, sets, supplied};
use crate::combine::by_count;
use crate::facts::{
    CalibrationState, Digest, Fingerprint, FrameRule, Kind, Made, MasterFacts, MasterMethod,
    MasterRecipe, MasterState, MasterUse, PlannedMaster, Recipe, Rule, Sample, Shoot, Task, Wait,
};

/// What becomes of a set, and what comes of that.
#[derive(Default)]
struct OfSet {
    /// What becomes of its frames, by their places in the snapshot.
    states: Vec<(usize, CalibrationState)>,
    master: Option<(PlannedMaster, Readiness)>,
    /// Most sets have neither this nor a lack.
    task: Option<Box<Task>>,
    /// What the master lacks, and the night that it is asked for.
    lack: Option<Box<(Date, Shoot)>>,
    /// When it will have been quiet for long enough.
    wake: Option<Timestamp>,
}

impl<'a> Rig<'a, '_> {
    /// Plans all masters, in the order in which they depend on each other.
    pub(super) fn masters(&mut self, needs: &mut Needs) {
        let on_file: Vec<&Made> = self.given.snapshot.made.masters().collect();
        for kind in Kind::CALIBRATION {
            let Some(rule) = self.rule(kind).filter(|rule| rule.rule != Rule::Never) else {
                for member in self.cast.calibration.get(&kind).into_iter().flatten() {
                    let spare =
                        format!("the profile {} wants no {kind} frames", self.profile().name);
                    self.plan
                        .calibration
                        .insert(member.index, CalibrationState::Spare(spare));
                }
                continue;
            };
            self.supplied(kind);
            let kept = self.keep(kind, &on_file);
            let sets = self.sets.of_kind(kind);
            let rig = &*self;
            let outcome = |set| rig.set(set, kind, rule, &kept);
            let outcomes: Vec<OfSet> = sets.par_iter().map(outcome).collect();
            for outcome in outcomes {
                self.take(outcome, needs);
            }
        }
    }

    fn take(&mut self, outcome: OfSet, needs: &mut Needs) {
        let OfSet {
            states,
            master,
            task,
            lack,
            wake,
        } = outcome;
        self.plan.calibration.extend(states);
        self.plan.tasks.extend(task.map(|task| *task));
        if let Some(until) = wake {
            self.wake(until);
        }
        if let Some((master, readiness)) = master {
            if let Some((night, shoot)) = lack.map(|lack| *lack) {
                let site = &self.given.settings.site;
                let waiting = Waiting::set(describe(&master.facts, site));
                self.lacking.insert(master.fingerprint, shoot.clone());
                needs.add(night, shoot, waiting);
            }
            self.admit(master, readiness);
        }
    }

    /// Masters on file that could not be made again, since not all of their raws are there.
    fn keep(&mut self, kind: Kind, on_file: &[&'a Made]) -> Vec<&'a Made> {
        let own = |facts: &MasterFacts| {
            owner(self.given.settings, &facts.rig, &facts.camera.name)
                .and_then(|place| self.given.settings.profiles.get(place))
                .is_some_and(|profile| profile.name == self.profile().name)
        };
        let remakable = self.given.remakable;
        let kept = |made: &&&Made| {
            let facts = made.facts.as_ref();
            facts.is_some_and(|facts| facts.kind == kind && own(facts))
                && !made.inputs.iter().all(|digest| remakable.contains(digest))
        };
        let kept: Vec<&Made> = on_file.par_iter().filter(kept).copied().collect();
        for made in &kept {
            let Some(facts) = &made.facts else { continue };
            let entries = &self.given.remakable.entries;
            let members = made
                .inputs
                .iter()
                .filter_map(|digest| entries.get(digest).copied());
            let master = PlannedMaster {
                fingerprint: made.fingerprint,
                product: made.product.as_str().into(),
                facts: facts.clone(),
                method: made.method.clone(),
                members: members.collect(),
                left_out: Vec::new(),
                masters: made.masters.clone(),
                state: MasterState::Made,
            };
            self.admit(master, Readiness::Sure);
        }
        kept
    }

    pub(super) fn admit(&mut self, master: PlannedMaster, readiness: Readiness) {
        let offer = Offer {
            fingerprint: master.fingerprint,
            facts: master.facts.clone(),
            readiness,
            supplied: None,
        };
        // A kept master may be planned a second time, when its whole set is still known.
        self.offers.admit(offer, &self.given.settings.site);
        self.plan.masters.insert(master.fingerprint, master);
    }

    /// What becomes of a set. None of its own kind plays a part in that.
    fn set(&self, set: &Judged<'a>, kind: Kind, rule: &FrameRule, kept: &[&Made]) -> OfSet {
        let mut outcome = OfSet {
            states: Vec::with_capacity(set.members.len()),
            ..OfSet::default()
        };
        if kind == Kind::Dark
            && let Some(reason) = self.spare_darks(&set.members)
        {
            let spare = |member: &Member<'_>| {
                let state = CalibrationState::Spare(reason.clone());
                (member.index, state)
            };
            outcome.states = set.members.iter().map(spare).collect();
            return outcome;
        }
        let mut left_out = Vec::new();
        for (member, reason) in set.members.iter().zip(&*set.reasons) {
            if let Some(reason) = reason {
                let state = CalibrationState::LeftOut(reason.clone());
                outcome.states.push((member.index, state));
                left_out.push((member.index, reason.clone()));
            }
        }
        let mut survivors = Cow::Borrowed(set.survivors());
        let mut facts = set.facts.clone();
        if survivors.iter().any(|member| !member.entry.present)
            && !self.is_made(facts.as_ref(), rule, &survivors)
        {
            let covered =
                |member: &Member<'_>| kept.iter().find(|made| made.inputs.contains(member.digest));
            let without = |member: &Member<'_>| {
                let state = match covered(member) {
                    Some(made) => CalibrationState::Used(made.fingerprint),
                    None => CalibrationState::Waiting(Box::new(Wait::Gone)),
                };
                (member.index, state)
            };
            let (there, gone): (Vec<Member<'_>>, Vec<Member<'_>>) = survivors
                .iter()
                .copied()
                .partition(|member| member.entry.present);
            if there.iter().all(|member| covered(member).is_some()) {
                outcome.states.extend(survivors.iter().map(without));
                return outcome;
            }
            outcome.states.extend(gone.iter().map(without));
            facts = sets::facts(kind, &there);
            survivors = there.into();
        }
        if let Some(facts) = facts {
            self.master(&survivors, facts, left_out, rule, &mut outcome);
        }
        outcome
    }

    fn is_made(
        &self,
        facts: Option<&MasterFacts>,
        rule: &FrameRule,
        survivors: &[Member<'a>],
    ) -> bool {
        let Some(facts) = facts else { return false };
        let subtract = match self.pedestal(facts, latest(survivors)) {
            Some(Pick::Found(used)) => Some(used),
            _ => None,
        };
        let method = self.method(facts.clone(), rule, survivors, subtract);
        let print = self.master_print(&method, survivors);
        self.given.snapshot.made.contains(&print)
    }

    fn method(
        &self,
        facts: MasterFacts,
        rule: &FrameRule,
        survivors: &[Member<'a>],
        subtract: Option<MasterUse>,
    ) -> MasterMethod {
        let samples = survivors.iter().map(|member| member.sample);
        let saturation = Sample::common_saturation(samples).unwrap_or(f64::MAX);
        MasterMethod {
            flat_level: (facts.kind == Kind::Flat).then_some(self.profile().flat_level),
            facts,
            combining: by_count::method(&rule.combining, survivors.len()),
            saturation,
            subtract,
        }
    }

    /// The fingerprint of the master that is made so.
    fn master_print(&self, method: &MasterMethod, survivors: &[Member<'a>]) -> Fingerprint {
        let work = || recipe(method.clone(), survivors).fingerprint();
        match survivors.first() {
            Some(first) => {
                let quick = method.quick(survivors.iter().map(|member| member.digest));
                self.memory.fingerprint(first.digest, quick, work)
            }
            None => work(),
        }
    }

    /// Plans the master of one set.
    fn master(
        &self,
        survivors: &[Member<'a>],
        facts: MasterFacts,
        left_out: Vec<(usize, String)>,
        rule: &FrameRule,
        outcome: &mut OfSet,
    ) {
        let kind = facts.kind;
        let (subtract, lacks) = match self.pedestal(&facts, latest(survivors)) {
            None => (None, None),
            Some(Pick::Found(used)) => (Some(used), None),
            Some(Pick::None(lack)) => (None, Some(lack)),
        };
        let method = self.method(facts, rule, survivors, subtract);
        let (facts, subtract) = (&method.facts, &method.subtract);
        let fingerprint = self.master_print(&method, survivors);
        let on_file = self.given.snapshot.made.get(&fingerprint);
        let product: Arc<str> = match on_file {
            Some(made) => made.product.as_str().into(),
            None => names::master(facts, fingerprint, &self.given.settings.site).into(),
        };
        let there = survivors.iter().all(|member| member.entry.present);
        let state = if on_file.is_some() {
            MasterState::Made
        } else if survivors.len() < rule.min_frames {
            let (have, need) = (survivors.len(), rule.min_frames);
            MasterState::Waiting(Wait::TooFew { kind, have, need })
        } else if let Some(lack) = &lacks {
            let night = self.given.settings.site.night_of(latest(survivors));
            let shoot = lack.shoot.as_deref();
            outcome.lack = shoot.map(|shoot| Box::new((night, shoot.clone())));
            MasterState::Waiting((*lack.wait).clone())
        } else if let Some(failure) = self.given.snapshot.failed.get(&fingerprint) {
            MasterState::Waiting(Wait::Failed(failure.reason.clone()))
        } else if let Some(until) = self.growing(survivors, rule) {
            outcome.wake = Some(until);
            MasterState::Waiting(Wait::Growing { kind, until })
        } else if let Some(wait) = subtract.as_ref().and_then(|used| self.pending(used)) {
            MasterState::Waiting(wait)
        } else if !there {
            MasterState::Waiting(Wait::Gone)
        } else {
            let recipe = recipe(method.clone(), survivors);
            outcome.task = Some(Box::new(Task {
                fingerprint,
                product: product.to_string(),
                supplied: supplied::behind(self.given.snapshot, &recipe),
                recipe,
            }));
            MasterState::Waiting(Wait::InLine)
        };
        // Where fewer of them are a master already, its lights have what they need.
        let stands = |member: &Member<'_>| self.standing(member.digest, kind).is_some();
        let readiness = match &state {
            MasterState::Waiting(Wait::TooFew { have, need, .. }) => Readiness::TooFew {
                have: *have,
                need: *need,
            },
            MasterState::Waiting(wait @ (Wait::NoMaster { .. } | Wait::Failed(_) | Wait::Gone)) => {
                Readiness::Barred(wait.to_string())
            }
            MasterState::Waiting(wait)
                if !matches!(root(wait), Wait::InLine) && !survivors.iter().any(stands) =>
            {
                Readiness::Later
            }
            _ => Readiness::Sure,
        };
        for member in survivors {
            let frame_state = match &state {
                MasterState::Made => CalibrationState::Used(fingerprint),
                // While a larger set waits, the frame's present master goes on standing for it.
                MasterState::Waiting(wait) => match self.standing(member.digest, kind) {
                    Some(made) if !matches!(wait, Wait::TooFew { .. } | Wait::NoMaster { .. }) => {
                        CalibrationState::Used(made.fingerprint)
                    }
                    _ => CalibrationState::Waiting(Box::new(wait.clone())),
                },
            };
            outcome.states.push((member.index, frame_state));
        }
        let master = PlannedMaster {
            fingerprint,
            product,
            method: on_file.map_or_else(|| method.line().into(), |made| made.method.clone()),
            members: survivors.iter().map(|member| member.index).collect(),
            left_out,
            facts: method.facts,
            masters: method.subtract.into_iter().collect(),
            state,
        };
        outcome.master = Some((master, readiness));
    }

    fn standing(&self, digest: &Digest, kind: Kind) -> Option<&'a Made> {
        let made = &self.given.snapshot.made;
        let mut masters = made.each(made.masters_of(digest));
        masters.find(|made| made.facts.as_ref().is_some_and(|facts| facts.kind == kind))
    }

    /// Until when a set is left alone.
    pub(super) fn growing(&self, survivors: &[Member<'a>], rule: &FrameRule) -> Option<Timestamp> {
        let Patience::Until(now) = self.given.patience else {
            return None;
        };
        let newest = survivors.iter().map(|member| member.entry.arrived).max()?;
        // A clock that was set back must not make a set wait for days.
        let until = newest.min(now).checked_add(rule.quiet).ok()?;
        (until > now).then_some(until)
    }

    /// What comes off the exposures of a flat; nothing for other kinds.
    fn pedestal(&self, facts: &MasterFacts, moment: Timestamp) -> Option<Pick> {
        if facts.kind != Kind::Flat {
            return None;
        }
        let want = |kinds: &'static [Kind], exposure: bool| Want {
            kinds,
            camera: &facts.camera,
            exposure: exposure.then_some((
                facts.exposure,
                self.profile().tolerance.flat_dark_exposure_fraction,
            )),
            scaled: false,
            temperature: None,
            flat_for: None,
            moment,
            profile: self.profile(),
            site: &self.given.settings.site,
        };
        let like = want(&[Kind::FlatDark, Kind::Dark], true);
        if self.wants(Kind::FlatDark) {
            let held = self.held_black(&facts.camera, moment).is_some();
            match self.pick(&like, Kind::FlatDark, None) {
                Pick::None(lack) if held => return Some(Pick::None(lack.because(black::WHY))),
                Pick::None(_) if !self.requires(Kind::FlatDark) => {}
                pick => return Some(pick),
            }
        }
        let bias = want(&[Kind::Bias], false);
        if self.wants(Kind::Bias) {
            match self.pick(&bias, Kind::Bias, None) {
                Pick::None(_) if !self.requires(Kind::Bias) => {}
                pick => return Some(pick),
            }
        }
        let asked = if self.wants(Kind::Bias) {
            Kind::Bias
        } else {
            Kind::FlatDark
        };
        let dark = want(&[Kind::Dark], true);
        Some(self.pick(&dark, asked, None))
    }
}

fn recipe(method: MasterMethod, survivors: &[Member<'_>]) -> Recipe {
    let inputs = survivors.iter().map(Member::input).collect();
    Recipe::Master(MasterRecipe { method, inputs })
}

/// The latest moment of a set's frames, of which there is one at least.
fn latest(members: &[Member<'_>]) -> Timestamp {
    let moments = members.iter().map(|member| member.moment);
    moments.max().unwrap_or(Timestamp::UNIX_EPOCH)
}
