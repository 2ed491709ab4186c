//! Snapshot + plan -> one night's log.
//!
//! Invariants: every file of the night stands in exactly one list; entries are ordered by moment,
//! then watch folder, then path; sums run in sorted order; the same arguments give the same log,
//! and a log composed with itself as `previous` is unchanged.
//!
//! Entries of an earlier log whose file the catalogue has never heard of (it was rebuilt after the raws
//! had gone to storage) are kept as they were, and with them the masters they name. Such an
//! entry without a start time has lost its moment: it comes after those that have one.
//!
//! It does not decide what becomes of a frame: that is the plan's.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use jiff::civil::Date;

use super::text::{rounded, utc};
use super::warnings::warnings;
use crate::facts::{
    CalibrationEntry, CalibrationState, Content, Count, Digest, Entry, Fingerprint, Frame, Kind,
    Ledger, LightEntry, LightState, Made, MasterEntry, Measures, NightState, PlainEntry, Plan,
    SCHEMA, SessionLog, Settings, Shoot, ShootEntry, Snapshot, UsedMasters,
};

/// Said of a frame that the plan passes over, so that it is accounted for all the same.
const UNPLANNED: &str = "not looked at by the planner yet";
/// Said of a light whose product the plan counts on and the snapshot does not have.
const NO_PRODUCT: &str = "its product is not on file";

/// The nights that have any file.
pub fn nights(snapshot: &Snapshot, settings: &Settings) -> BTreeSet<Date> {
    let night_of = |entry: &Entry| settings.site.night_of(entry.moment());
    snapshot.entries.iter().map(night_of).collect()
}

/// Writes up one night. `plan` must be the plan of this very snapshot, since it speaks of entries
/// by index. `previous` is the log on file for the same night, if any.
pub fn compose(
    snapshot: &Snapshot,
    plan: &Plan,
    settings: &Settings,
    night: Date,
    state: NightState,
    previous: Option<&SessionLog>,
) -> SessionLog {
    let members: Vec<usize> = (0..snapshot.entries.len())
        .filter(|&at| settings.site.night_of(snapshot.entries[at].moment()) == night)
        .collect();
    let mut lists = Lists::default();
    for &at in &members {
        lists.take(snapshot, plan, at);
    }
    let kept_names = previous.map_or_else(BTreeSet::new, |log| lists.keep(snapshot, log));
    let masters = masters(snapshot, plan, &lists.masters, &kept_names, previous);

    let mut log = SessionLog {
        schema: SCHEMA.to_owned(),
        night: night.to_string(),
        state,
        ledger: Ledger::default(),
        lights: in_order(lists.lights),
        calibration: in_order(lists.calibration),
        masters,
        refused: in_order(lists.refused),
        ignored: in_order(lists.ignored),
        to_shoot: plan
            .to_shoot
            .get(&night)
            .map_or_else(Vec::new, |wanted| wanted.iter().map(shoot_entry).collect()),
        warnings: warnings(snapshot, plan, settings, night, state, &members),
        totals: Vec::new(),
    };
    log.ledger = ledger(&log);
    log.totals = totals(&log.lights);
    log
}

fn ledger(log: &SessionLog) -> Ledger {
    let ledger = Ledger {
        seen: 0,
        lights: log.lights.len(),
        calibration: log.calibration.len(),
        refused: log.refused.len(),
        ignored: log.ignored.len(),
    };
    Ledger {
        seen: ledger.lights + ledger.calibration + ledger.refused + ledger.ignored,
        ..ledger
    }
}

/// Where an entry stands in its list: moment as the log states it, watch folder, path. It uses the
/// texts of the log, so that a kept entry stands where it stood.
type Place = (Option<Timestamp>, String, String);

/// Entries without a moment come last, in the order they had in the earlier log.
fn in_order<T>(mut list: Vec<(Place, T)>) -> Vec<T> {
    list.sort_by(|(a, _), (b, _)| match (a.0, b.0) {
        (None, None) => Ordering::Equal,
        (None, Some(_)) => Ordering::Greater,
        (Some(_), None) => Ordering::Less,
        (Some(_), Some(_)) => a.cmp(b),
    });
    list.into_iter().map(|(_, entry)| entry).collect()
}

#[derive(Default)]
struct Lists {
    lights: Vec<(Place, LightEntry)>,
    calibration: Vec<(Place, CalibrationEntry)>,
    refused: Vec<(Place, PlainEntry)>,
    ignored: Vec<(Place, PlainEntry)>,
    /// Masters that frames of this night went into or were calibrated with.
    masters: BTreeSet<Fingerprint>,
}

impl Lists {
    /// Puts one file of the night into the one list it belongs to.
    fn take(&mut self, snapshot: &Snapshot, plan: &Plan, at: usize) {
        let entry = &snapshot.entries[at];
        let place = (
            Timestamp::from_millisecond(entry.moment().as_millisecond()).ok(),
            entry.file.watch.to_string(),
            entry.file.path.to_string(),
        );
        let plain = |reason: &str| PlainEntry {
            file: entry.file.path.to_string(),
            watch: entry.file.watch.to_string(),
            reason: reason.to_owned(),
        };
        match &entry.content {
            Content::Refused(reason) => self.refused.push((place, plain(reason))),
            Content::Ignored(reason) => self.ignored.push((place, plain(reason))),
            Content::Frame { frame, .. } if frame.kind == Kind::Light => {
                match plan.lights.get(&at) {
                    Some(LightState::Ignored(reason)) => {
                        self.ignored.push((place, plain(reason)));
                    }
                    state => {
                        let light = self.light(snapshot, entry, frame, state);
                        self.lights.push((place, light));
                    }
                }
            }
            Content::Frame { frame, digest, .. } => {
                let state = plan.calibration.get(&at);
                let calibration = self.calibration(snapshot, plan, entry, frame, digest, state);
                self.calibration.push((place, calibration));
            }
        }
    }

    fn light(
        &mut self,
        snapshot: &Snapshot,
        entry: &Entry,
        frame: &Frame,
        state: Option<&LightState>,
    ) -> LightEntry {
        let mut light = LightEntry {
            file: entry.file.path.to_string(),
            watch: entry.file.watch.to_string(),
            rig: frame.rig.to_string(),
            start_utc: frame.start.map(utc),
            state: "waiting".to_owned(),
            reason: None,
            target: frame.target.as_ref().map(ToString::to_string),
            filter: frame.filter.to_string(),
            exposure_s: frame.exposure.get(),
            temperature_c: frame.felt_temperature().map(|t| rounded(t.get(), 2)),
            product: None,
            masters: UsedMasters::default(),
            measures: None,
        };
        match state {
            Some(LightState::Calibrated(fingerprint)) => match snapshot.made.get(fingerprint) {
                Some(made) => {
                    light.state = "calibrated".to_owned();
                    light.product = Some(made.product.clone());
                    light.masters = used_masters(made);
                    light.measures = measures(made);
                    let used = made.masters.iter().map(|master| master.fingerprint);
                    self.masters.extend(used);
                }
                None => light.reason = Some(NO_PRODUCT.to_owned()),
            },
            Some(LightState::Waiting(wait)) => light.reason = Some(wait.to_string()),
            Some(LightState::Refused(reason) | LightState::Ignored(reason)) => {
                light.state = "refused".to_owned();
                light.reason = Some(reason.clone());
            }
            None => light.reason = Some(UNPLANNED.to_owned()),
        }
        light
    }

    fn calibration(
        &mut self,
        snapshot: &Snapshot,
        plan: &Plan,
        entry: &Entry,
        frame: &Frame,
        digest: &Digest,
        state: Option<&CalibrationState>,
    ) -> CalibrationEntry {
        let (word, reason) = match state {
            Some(CalibrationState::Used(_)) => ("used", None),
            Some(CalibrationState::LeftOut(reason)) => ("left-out", Some(reason.clone())),
            Some(CalibrationState::Waiting(wait)) => ("waiting", Some(wait.to_string())),
            Some(CalibrationState::Spare(reason)) => ("spare", Some(reason.clone())),
            Some(CalibrationState::Refused(reason)) => ("refused", Some(reason.clone())),
            None => ("waiting", Some(UNPLANNED.to_owned())),
        };
        let mut calibration = CalibrationEntry {
            file: entry.file.path.to_string(),
            watch: entry.file.watch.to_string(),
            kind: frame.kind,
            rig: frame.rig.to_string(),
            start_utc: frame.start.map(utc),
            state: word.to_owned(),
            reason,
            master: None,
            rejected_low_fraction: None,
            rejected_high_fraction: None,
        };
        if let Some(CalibrationState::Used(fingerprint)) = state {
            self.masters.insert(*fingerprint);
            let made = snapshot.made.get(fingerprint);
            calibration.master = made.map(|made| made.product.clone()).or_else(|| {
                let planned = plan.masters.get(fingerprint)?;
                Some(planned.product.clone())
            });
            if let Some((low, high)) = made.and_then(|made| rejected_of(made, digest)) {
                calibration.rejected_low_fraction = Some(low);
                calibration.rejected_high_fraction = Some(high);
            }
        }
        calibration
    }

    /// Keeps the entries of an earlier log whose files the catalogue has never heard of. Gives the
    /// products of the masters that they name.
    fn keep(&mut self, snapshot: &Snapshot, previous: &SessionLog) -> BTreeSet<String> {
        let known: BTreeSet<(&str, String)> = snapshot
            .entries
            .iter()
            .map(|entry| (&*entry.file.watch, entry.file.path.to_string()))
            .collect();
        let is_lost = |watch: &str, file: &str| !known.contains(&(watch, file.to_owned()));
        let place = |watch: &str, file: &str, start: Option<&String>| {
            (
                start.and_then(|text| text.parse().ok()),
                watch.to_owned(),
                file.to_owned(),
            )
        };
        let mut names = BTreeSet::new();
        for light in &previous.lights {
            if is_lost(&light.watch, &light.file) {
                let UsedMasters { bias, dark, flat } = &light.masters;
                names.extend([bias, dark, flat].into_iter().flatten().cloned());
                let place = place(&light.watch, &light.file, light.start_utc.as_ref());
                self.lights.push((place, light.clone()));
            }
        }
        for frame in &previous.calibration {
            if is_lost(&frame.watch, &frame.file) {
                names.extend(frame.master.clone());
                let place = place(&frame.watch, &frame.file, frame.start_utc.as_ref());
                self.calibration.push((place, frame.clone()));
            }
        }
        for (list, kept) in [
            (&mut self.refused, &previous.refused),
            (&mut self.ignored, &previous.ignored),
        ] {
            for entry in kept {
                if is_lost(&entry.watch, &entry.file) {
                    list.push((place(&entry.watch, &entry.file, None), entry.clone()));
                }
            }
        }
        names
    }
}

fn used_masters(made: &Made) -> UsedMasters {
    let product = |kind| {
        let master = made.masters.iter().find(|master| master.kind == kind);
        master.map(|master| master.product.clone())
    };
    UsedMasters {
        bias: product(Kind::Bias),
        dark: product(Kind::Dark),
        flat: product(Kind::Flat),
    }
}

fn measures(made: &Made) -> Option<Measures> {
    let measures = Measures {
        background_adu: rounded(made.stats.level, 3),
        noise_adu: rounded(made.stats.noise, 3),
    };
    (measures.background_adu.is_finite() && measures.noise_adu.is_finite()).then_some(measures)
}

/// Fractions of one exposure's pixels that were rejected, low and high.
fn rejected_of(made: &Made, digest: &Digest) -> Option<(f64, f64)> {
    let at = made.inputs.iter().position(|input| input == digest)?;
    let count = made.stats.rejected.get(at)?;
    let fraction = |rejected| fraction(rejected, made.stats.pixels);
    Some((fraction(count.low), fraction(count.high)))
}

/// Nine decimals: one pixel of a hundred million is the last digit but one.
fn fraction(part: u64, whole: u64) -> f64 {
    if whole == 0 {
        return 0.0;
    }
    rounded(part as f64 / whole as f64, 9)
}

/// The masters that frames of this night went into or were calibrated with, and the masters that
/// those were made with, all on file; then those that only kept entries name, as they were written.
fn masters(
    snapshot: &Snapshot,
    plan: &Plan,
    wanted: &BTreeSet<Fingerprint>,
    kept_names: &BTreeSet<String>,
    previous: Option<&SessionLog>,
) -> Vec<MasterEntry> {
    let mut open: Vec<Fingerprint> = wanted.iter().copied().collect();
    if !kept_names.is_empty() {
        let named = |made: &&Made| kept_names.contains(&made.product);
        let named = snapshot.made.values().filter(named);
        open.extend(named.map(|made| made.fingerprint));
    }
    let mut seen = BTreeSet::new();
    let mut masters = BTreeMap::new();
    while let Some(fingerprint) = open.pop() {
        if !seen.insert(fingerprint) {
            continue;
        }
        let made = snapshot.made.get(&fingerprint);
        let planned = plan.masters.get(&fingerprint);
        let made_with = made.map(|made| &made.masters);
        let made_with = made_with.or(planned.map(|planned| &planned.masters));
        open.extend(made_with.into_iter().flatten().map(|used| used.fingerprint));
        if let Some(entry) = made.and_then(|made| master_entry(plan, made)) {
            masters.insert(entry.product.clone(), entry);
        }
    }
    for entry in previous.map_or(&[][..], |log| &log.masters) {
        if kept_names.contains(&entry.product) && !masters.contains_key(&entry.product) {
            masters.insert(entry.product.clone(), entry.clone());
        }
    }
    let mut masters: Vec<MasterEntry> = masters.into_values().collect();
    masters.sort_by(|a, b| {
        (a.kind, &a.rig, &a.filter)
            .cmp(&(b.kind, &b.rig, &b.filter))
            .then(a.exposure_s.total_cmp(&b.exposure_s))
            .then_with(|| a.product.cmp(&b.product))
    });
    masters
}

fn master_entry(plan: &Plan, made: &Made) -> Option<MasterEntry> {
    let planned = plan.masters.get(&made.fingerprint);
    let facts = made.facts.as_ref().or(planned.map(|plan| &plan.facts))?;
    let samples = made.stats.pixels * made.inputs.len() as u64;
    let low = made.stats.rejected.iter().map(|count| count.low).sum();
    let high = made.stats.rejected.iter().map(|count| count.high).sum();
    Some(MasterEntry {
        product: made.product.clone(),
        kind: facts.kind,
        rig: facts.rig.to_string(),
        filter: (facts.kind == Kind::Flat).then(|| facts.filter.to_string()),
        exposure_s: facts.exposure.get(),
        temperature_c: facts.temperature.map(|t| rounded(t.get(), 2)),
        frames_used: made.inputs.len(),
        frames_left_out: planned.map_or(0, |planned| planned.left_out.len()),
        method: made.method.clone(),
        rejected_low_fraction: fraction(low, samples),
        rejected_high_fraction: fraction(high, samples),
        level_adu: rounded(made.stats.level, 3),
        // A flat's noise is in its own units, a few thousandths.
        noise_adu: rounded(made.stats.noise, 6),
    })
}

fn shoot_entry(shoot: &Shoot) -> ShootEntry {
    ShootEntry {
        rig: shoot.rig.clone(),
        kind: shoot.kind,
        filter: shoot.filter.clone(),
        exposure_s: shoot.exposure.map(|exposure| exposure.get()),
        temperature_c: shoot.temperature.map(|t| rounded(t.get(), 2)),
        gain: shoot.gain.map(|gain| gain.get()),
        offset: shoot.offset.map(|offset| offset.get()),
        rotator_deg: shoot.rotator.map(|angle| rounded(angle.get(), 2)),
        count: shoot.count,
        why: shoot.why.clone(),
    }
}

/// Calibrated lights per target and filter. A light without a target counts under an empty name.
fn totals(lights: &[LightEntry]) -> Vec<Count> {
    let mut exposures: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    for light in lights.iter().filter(|light| light.state == "calibrated") {
        let target = light.target.as_deref().unwrap_or_default();
        let group = exposures.entry((target, &light.filter)).or_default();
        group.push(light.exposure_s);
    }
    exposures
        .into_iter()
        .map(|((target, filter), mut exposures)| {
            exposures.sort_by(f64::total_cmp);
            Count {
                target: target.to_owned(),
                filter: filter.to_owned(),
                frames: exposures.len(),
                integration_s: rounded(exposures.iter().sum(), 3),
            }
        })
        .collect()
}
