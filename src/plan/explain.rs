//! One file explained: what it is, what became of it, which masters were chosen for it and what
//! disqualified the others. The same functions as the plan, printed.

use super::cast::cast;
use super::matching::describe;
use super::memory::Memory;
use super::rig::{Given, Rig};
use super::sets::Sets;
use super::shoot::Needs;
use super::{Patience, Remakable};
use crate::facts::{
    CalibrationState, Content, Kind, LightState, MasterState, Plan, Rule, Settings, Snapshot,
};

/// How many near misses are listed for each kind.
const MISSES: usize = 12;

/// Explains the entry at `index` of the snapshot, line by line.
pub fn explain(
    snapshot: &Snapshot,
    settings: &Settings,
    patience: Patience,
    index: usize,
) -> Vec<String> {
    let Some(entry) = snapshot.entries.get(index) else {
        return vec!["not in the catalogue".to_owned()];
    };
    let mut lines = vec![entry.file.to_string()];
    if !entry.present {
        lines.push("  no longer in its folder".to_owned());
    }
    match &entry.content {
        Content::Refused(reason) => lines.push(format!("  refused: {reason}")),
        Content::Ignored(reason) => lines.push(format!("  ignored: {reason}")),
        Content::Frame { digest, frame, .. } => {
            let camera = &frame.camera;
            lines.push(format!(
                "  {} of rig {}, camera {}",
                frame.kind, frame.rig, camera.name
            ));
            lines.push(format!("  content {digest}"));
            lines.push(format!(
                "  {} {} {}x{} binning {}x{} gain {} offset {} filter {}",
                frame.exposure,
                frame
                    .felt_temperature()
                    .map_or("no temperature".to_owned(), |t| t.to_string()),
                camera.width,
                camera.height,
                camera.binning.0,
                camera.binning.1,
                camera.gain.map_or("absent".to_owned(), |g| g.to_string()),
                camera.offset.map_or("absent".to_owned(), |o| o.to_string()),
                frame.filter,
            ));
            lines.extend(
                frame
                    .remarks
                    .iter()
                    .map(|remark| format!("  remark: {remark}")),
            );
            let plan = super::plan(snapshot, settings, patience);
            lines.extend(
                outcome(&plan, snapshot, index)
                    .into_iter()
                    .map(|line| format!("  {line}")),
            );
            if frame.kind == Kind::Light {
                lines.extend(choices(snapshot, settings, patience, index));
            } else {
                lines.extend(set(&plan, settings, index));
            }
        }
    }
    lines
}

fn outcome(plan: &Plan, snapshot: &Snapshot, index: usize) -> Vec<String> {
    let product = |fingerprint| {
        snapshot
            .made
            .get(fingerprint)
            .map_or(String::new(), |made| made.product.clone())
    };
    if let Some(state) = plan.lights.get(index) {
        return vec![match state {
            LightState::Calibrated(fingerprint) => format!("calibrated: {}", product(fingerprint)),
            LightState::Waiting(wait) => format!("waiting: {wait}"),
            LightState::Refused(reason) => format!("refused: {reason}"),
            LightState::Ignored(reason) => format!("ignored: {reason}"),
        }];
    }
    plan.calibration.get(index).map_or(Vec::new(), |state| {
        vec![match state {
            CalibrationState::Used(fingerprint) => format!("used in {}", product(fingerprint)),
            CalibrationState::LeftOut(reason) => format!("left out: {reason}"),
            CalibrationState::Waiting(wait) => format!("waiting: {wait}"),
            CalibrationState::Spare(reason) => format!("spare: {reason}"),
            CalibrationState::Refused(reason) => format!("refused: {reason}"),
        }]
    })
}

/// The masters considered for a light.
fn choices(
    snapshot: &Snapshot,
    settings: &Settings,
    patience: Patience,
    index: usize,
) -> Vec<String> {
    let (mut scratch, memory) = (Plan::default(), Memory::default());
    let (casts, originals) = cast(snapshot, settings, &mut scratch);
    let remakable = Remakable::of(snapshot, settings, originals, &casts, &scratch);
    let given = Given {
        snapshot,
        settings,
        patience,
        remakable: &remakable,
    };
    let mut lines = Vec::new();
    for cast in &casts {
        let Some(light) = cast.lights.iter().find(|light| light.index == index) else {
            continue;
        };
        let sets = Sets::of(cast, &memory);
        let mut rig = Rig::new(given, cast, &sets, &mut scratch, &memory);
        rig.sensors();
        rig.judge_darks();
        rig.masters(&mut Needs::default());
        lines.extend(rig.verdict_words(light).map(|words| format!("  {words}")));
        for (kind, want) in rig.wishes(light) {
            let rule = cast.profile.calibration.of(kind).map(|rule| rule.rule);
            if rule == Some(Rule::Never) {
                lines.push(format!("  {kind}: the profile wants none"));
                continue;
            }
            let held = kind == Kind::Dark && rig.holds_black(light);
            lines.push(format!(
                "  {kind} ({}{}) for {}",
                rule_word(rule),
                if held {
                    ", and the camera holds its black level"
                } else {
                    ""
                },
                want.words()
            ));
            match rig.offers.choose(&want) {
                Some(offer) => lines.push(format!(
                    "    chosen: {}, {}{}",
                    describe(&offer.facts, &settings.site),
                    offer.fingerprint.short(),
                    want.scale(&offer.facts)
                        .map_or(String::new(), |k| format!(", scaled by {k:.4}")),
                )),
                None => lines.push("    none qualifies".to_owned()),
            }
            lines.extend(
                rig.faults_of(kind)
                    .iter()
                    .map(|fault| format!("    {fault}")),
            );
            let misses = want.misses(&rig.offers);
            lines.extend(
                misses
                    .iter()
                    .take(MISSES)
                    .map(|miss| format!("    not {miss}")),
            );
            if misses.len() > MISSES {
                lines.push(format!("    and {} more", misses.len() - MISSES));
            }
        }
    }
    lines
}

fn rule_word(rule: Option<Rule>) -> &'static str {
    match rule {
        Some(Rule::Required) => "required",
        Some(Rule::IfPresent) => "if-present",
        Some(Rule::Measured) => "measured",
        Some(Rule::Never) | None => "never",
    }
}

/// The set a calibration frame belongs to.
fn set(plan: &Plan, settings: &Settings, index: usize) -> Vec<String> {
    plan.masters
        .values()
        .filter(|master| {
            master.members.contains(&index)
                || master.left_out.iter().any(|(member, _)| *member == index)
        })
        .map(|master| {
            let state = match &master.state {
                MasterState::Made => master.product.to_string(),
                MasterState::Waiting(wait) => wait.to_string(),
            };
            format!(
                "  set: {}, {} frames, {} left out: {state}",
                describe(&master.facts, &settings.site),
                master.members.len(),
                master.left_out.len(),
            )
        })
        .collect()
}
