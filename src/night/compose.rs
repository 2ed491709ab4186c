//! Snapshot + plan -> one night's log.
//!
//! Invariants: every file of the night stands in exactly one list; entries are ordered by moment,
//! then watch folder, then path; sums run in sorted order; the same arguments give the same log,
//! and a log composed with itself as `previous` is unchanged.
//!
//! Entries of an earlier log whose file the catalogue has never heard of (it was rebuilt after the raws
//! had gone to storage) are kept as they were, and with them the masters they name. Such an
//! entry without a start time has lost its moment: it comes after those that have one. Ignored
//! files are not kept: one that was nobody's frame and is gone has nothing to account for.
//!
//! The work grows with the files of the night, not with those of the catalogue, so that all nights
//! can be written up in every round.
//!
//! It does not decide what becomes of a frame: that is the plan's.

mod earlier;

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use jiff::civil::Date;

use super::Known;
use super::masters::{masters, rejected_of};
use super::sensors::with_earlier;
use super::standing::Standing;
use super::text::{rounded, utc};
use super::warnings::warnings;
use crate::facts::{
    CalibrationEntry, CalibrationState, Content, Count, Digest, Entry, Fingerprint, Frame, Kind,
    Ledger, LightEntry, LightState, Made, Measures, NightState, PlainEntry, Plan, SCHEMA,
    SessionLog, Settings, Shoot, ShootEntry, Snapshot, UsedMasters, Verdict,
};

pub(super) use earlier::known;

/// Said of a frame that the plan passes over, so that it is accounted for all the same.
const UNPLANNED: &str = "not looked at by the planner yet";
/// Said of a light whose product the plan counts on and the snapshot does not have.
const NO_PRODUCT: &str = "its product is not on file";

/// The nights that have any file, and their files by index into the snapshot's entries. What
/// `plan` knows to lie under another name now is accounted for there.
pub fn nights(snapshot: &Snapshot, plan: &Plan, settings: &Settings) -> BTreeMap<Date, Vec<usize>> {
    let mut nights: BTreeMap<Date, Vec<usize>> = BTreeMap::new();
    for (index, entry) in snapshot.entries.iter().enumerate() {
        if !plan.moved.contains(&index) {
            let night = settings.site.night_of(entry.moment());
            nights.entry(night).or_default().push(index);
        }
    }
    nights
}

/// Writes up one night, whose files are `members` (from [`nights`]). `plan` must be the plan of
/// this very snapshot, since it speaks of entries by index. `standing` is how its lights stand. `previous` is the log on file for the
/// same night, if any.
pub fn compose(
    known: &Known<'_>,
    night: Date,
    members: &[usize],
    state: NightState,
    standing: &Standing,
    previous: Option<&SessionLog>,
) -> SessionLog {
    let Known {
        snapshot,
        plan,
        settings,
    } = *known;
    let mut lists = Lists::default();
    for &at in members {
        lists.take(snapshot, plan, standing, at);
    }
    let kept_names = previous.map_or_else(BTreeSet::new, |log| lists.keep(snapshot, settings, log));
    let mut masters = masters(snapshot, plan, &lists.masters, &kept_names, previous);
    for entry in &mut masters {
        if let Some(fit) = standing.fits.get(&entry.product) {
            fit.tell(entry);
        }
    }

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
        warnings: warnings(snapshot, plan, settings, night, state, members),
        totals: Vec::new(),
        groups: standing.groups.clone(),
        sensors: with_earlier(&standing.sensors, snapshot, previous),
    };
    log.warnings.extend_from_slice(&standing.warnings);
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
    fn take(&mut self, snapshot: &Snapshot, plan: &Plan, standing: &Standing, at: usize) {
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
                match plan.lights.get(at) {
                    Some(LightState::Ignored(reason)) => {
                        self.ignored.push((place, plain(reason)));
                    }
                    state => {
                        let mut light = self.light(snapshot, entry, frame, state, standing);
                        light.planes = line_planes(snapshot, plan, at);
                        self.lights.push((place, light));
                    }
                }
            }
            Content::Frame { frame, digest, .. } => {
                let state = plan.calibration.get(at);
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
        standing: &Standing,
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
            planes: BTreeMap::new(),
            masters: UsedMasters::default(),
            dark_scale: None,
            measures: None,
            sky: Vec::new(),
            verdict: None,
            set_aside_for: Vec::new(),
            findings: Vec::new(),
            trails: Vec::new(),
        };
        match state {
            Some(LightState::Calibrated(fingerprint)) => match snapshot.made.get(fingerprint) {
                Some(made) => {
                    light.state = "calibrated".to_owned();
                    light.product = Some(made.product.clone());
                    light.masters = used_masters(snapshot, made);
                    let mut scales = made.masters.iter().filter_map(|master| master.scale);
                    light.dark_scale = scales.next().map(|k| rounded(k, 6));
                    light.measures = measures(made);
                    if let Some(standing) = standing.of(fingerprint) {
                        standing.tell(&mut light);
                    }
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
                Some(planned.product.to_string())
            });
            if let Some((low, high)) = made.and_then(|made| rejected_of(made, digest)) {
                calibration.rejected_low_fraction = Some(low);
                calibration.rejected_high_fraction = Some(high);
            }
        }
        calibration
    }
}

/// Where the planes of a light's spectral lines lie, as far as they are on file.
fn line_planes(snapshot: &Snapshot, plan: &Plan, at: usize) -> BTreeMap<String, String> {
    let lines = plan.lines.get(&at).into_iter().flatten();
    let product = |(line, fingerprint): (&String, &Fingerprint)| {
        let made = snapshot.made.get(fingerprint)?;
        Some((line.clone(), made.product.clone()))
    };
    lines.filter_map(product).collect()
}

fn used_masters(snapshot: &Snapshot, made: &Made) -> UsedMasters {
    let product = |kind| {
        let master = made.masters.iter().find(|master| master.kind == kind);
        master.map(|master| match snapshot.supplied(&master.fingerprint) {
            Some((supplied, _)) => supplied.path.display().to_string(),
            None => master.product.to_string(),
        })
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
        ..Measures::default()
    };
    (measures.background_adu.is_finite() && measures.noise_adu.is_finite()).then_some(measures)
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
    let mut groups: BTreeMap<(&str, &str), Vec<&LightEntry>> = BTreeMap::new();
    for light in lights.iter().filter(|light| light.state == "calibrated") {
        let target = light.target.as_deref().unwrap_or_default();
        groups
            .entry((target, &light.filter))
            .or_default()
            .push(light);
    }
    groups
        .into_iter()
        .map(|((target, filter), lights)| {
            let kept = lights.iter().copied();
            let kept = kept.filter(|light| light.verdict == Some(Verdict::Kept));
            let judged = lights.iter().all(|light| light.verdict.is_some());
            Count {
                target: target.to_owned(),
                filter: filter.to_owned(),
                frames: lights.len(),
                kept: judged.then(|| kept.clone().count()),
                integration_s: integration_s(lights.iter().copied()),
                kept_s: judged.then(|| integration_s(kept)),
            }
        })
        .collect()
}

/// Exposures added up, the same in whatever order.
fn integration_s<'a>(lights: impl Iterator<Item = &'a LightEntry>) -> f64 {
    let mut exposures: Vec<f64> = lights.map(|light| light.exposure_s).collect();
    exposures.sort_by(f64::total_cmp);
    rounded(exposures.iter().sum(), 3)
}
