//! The masters a night had to do with, and what they rejected.
//!
//! Invariant: a master is listed once, and every master that an entry of the log names is listed
//! as long as its numbers are on file or in the earlier log.
//!
//! It does not know the files of the night, only the products they led to.

use std::collections::{BTreeMap, BTreeSet};

use super::text::rounded;
use crate::facts::{
    Digest, Fingerprint, Kind, Made, MasterEntry, Plan, SessionLog, Snapshot, Supplied,
    SuppliedMaster,
};

/// Fractions of one exposure's pixels that were rejected, low and high.
pub(super) fn rejected_of(made: &Made, digest: &Digest) -> Option<(f64, f64)> {
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
pub(super) fn masters(
    snapshot: &Snapshot,
    plan: &Plan,
    wanted: &BTreeSet<Fingerprint>,
    kept_names: &BTreeSet<String>,
    previous: Option<&SessionLog>,
) -> Vec<MasterEntry> {
    let mut open: Vec<Fingerprint> = wanted.iter().copied().collect();
    if !kept_names.is_empty() {
        let named = |made: &&Made| kept_names.contains(&made.product);
        let named = snapshot.made.iter().filter(named);
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
        let made = made.and_then(|made| master_entry(plan, made));
        let supplied = || snapshot.supplied(&fingerprint);
        if let Some(entry) = made.or_else(|| supplied().map(supplied_entry)) {
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

/// A master that was not made here: where it lies, what it is, and no more than is known.
fn supplied_entry((file, master): (&Supplied, &SuppliedMaster)) -> MasterEntry {
    let facts = &master.facts;
    MasterEntry {
        product: file.path.display().to_string(),
        kind: facts.kind,
        rig: facts.rig.to_string(),
        filter: (facts.kind == Kind::Flat).then(|| facts.filter.to_string()),
        exposure_s: facts.exposure.get(),
        temperature_c: facts.temperature.map(|t| rounded(t.get(), 2)),
        frames_used: master.frames,
        frames_left_out: None,
        method: "supplied".to_owned(),
        rejected_low_fraction: None,
        rejected_high_fraction: None,
        level_adu: rounded(master.level, 3),
        noise_adu: rounded(master.spread, 6),
        temporal_noise_adu: None,
        ideal_noise_adu: None,
        fit: None,
        fit_error: None,
        fit_slope: None,
    }
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
        frames_used: Some(made.inputs.len()),
        frames_left_out: Some(planned.map_or(0, |planned| planned.left_out.len())),
        method: made.method.to_string(),
        rejected_low_fraction: Some(fraction(low, samples)),
        rejected_high_fraction: Some(fraction(high, samples)),
        level_adu: rounded(made.stats.level, 3),
        // A flat's noise is in its own units, a few thousandths.
        noise_adu: rounded(made.stats.noise, 6),
        temporal_noise_adu: made.stats.temporal.map(|noise| rounded(noise.measured, 6)),
        ideal_noise_adu: made.stats.temporal.map(|noise| rounded(noise.ideal, 6)),
        fit_slope: None,
        fit_error: None,
        fit: None,
    })
}
