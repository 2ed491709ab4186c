//! Who takes part: the frames of a snapshot sorted into roles before anything is planned.
//!
//! Unusable frames and byte-identical copies are refused here, shots that were not meant as
//! lights are ignored. What remains is usable and each content stands for one file.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use super::sets::middle_exposure;
use crate::facts::{
    CalibrationState, Content, Digest, Entry, Frame, Kind, LightState, Plan, Profile, Sample,
    Settings, Snapshot,
};

/// A usable frame.
#[derive(Clone, Copy, Debug)]
pub struct Member<'a> {
    /// Its place in the snapshot's entries.
    pub index: usize,
    /// Its entry.
    pub entry: &'a Entry,
    /// Its contents.
    pub digest: Digest,
    /// What it is.
    pub frame: &'a Frame,
    /// What its pixels say.
    pub sample: &'a Sample,
    /// The moment it belongs to.
    pub moment: Timestamp,
    /// The night it belongs to.
    pub night: Date,
}

/// The usable frames of one rig.
pub struct Cast<'a> {
    /// The rig's profile.
    pub profile: &'a Arc<Profile>,
    /// Its calibration frames by kind.
    pub calibration: BTreeMap<Kind, Vec<Member<'a>>>,
    /// Its lights in order of time.
    pub lights: Vec<Member<'a>>,
}

/// Sorts the frames into rigs, in the order of the settings' profiles, and writes up in `plan`
/// what takes no part.
pub fn cast<'a>(
    snapshot: &'a Snapshot,
    settings: &'a Settings,
    originals: &BTreeMap<Digest, usize>,
    plan: &mut Plan,
) -> Vec<Cast<'a>> {
    let mut casts: Vec<Cast<'a>> = settings
        .profiles
        .iter()
        .map(|profile| Cast {
            profile,
            calibration: BTreeMap::new(),
            lights: Vec::new(),
        })
        .collect();
    for (index, entry) in snapshot.entries.iter().enumerate() {
        let Content::Frame {
            digest,
            frame,
            sample,
            unusable,
        } = &entry.content
        else {
            continue;
        };
        let original = originals.get(digest).copied().unwrap_or(index);
        if !entry.present && snapshot.entries[original].present {
            plan.moved.insert(index);
            continue;
        }
        let refusal = match (unusable, sample) {
            _ if original != index => {
                let other = &snapshot.entries[original].file;
                Some(format!("byte-identical copy of {other}"))
            }
            (Some(reason), _) => Some(reason.clone()),
            (None, None) => Some("its pixels were not measured".to_owned()),
            (None, Some(_)) => None,
        };
        let cast = casts
            .iter_mut()
            .find(|cast| *cast.profile.name == *frame.rig);
        match (refusal, sample, cast) {
            (None, Some(sample), Some(cast)) => {
                let moment = entry.moment();
                let member = Member {
                    index,
                    entry,
                    digest: *digest,
                    frame,
                    sample,
                    moment,
                    night: settings.site.night_of(moment),
                };
                match frame.kind {
                    Kind::Light => cast.lights.push(member),
                    kind => cast.calibration.entry(kind).or_default().push(member),
                }
            }
            (refusal, _, _) => {
                let reason = refusal
                    .unwrap_or_else(|| format!("no profile is called {} any more", frame.rig));
                refuse(plan, index, frame.kind, reason);
            }
        }
    }
    for cast in &mut casts {
        cast.lights
            .sort_by_key(|light| (light.moment, light.digest));
        ignore_short_shots(cast, plan);
    }
    casts
}

fn refuse(plan: &mut Plan, index: usize, kind: Kind, reason: String) {
    match kind {
        Kind::Light => {
            plan.lights.insert(index, LightState::Refused(reason));
        }
        _ => {
            plan.calibration
                .insert(index, CalibrationState::Refused(reason));
        }
    }
}

/// For every content the one file that stands for it: of those that are there, else of those that
/// were, the one with the smallest start and identity.
pub fn originals(snapshot: &Snapshot) -> BTreeMap<Digest, usize> {
    let mut found: BTreeMap<Digest, usize> = BTreeMap::new();
    // Entries are in order of identity, and copies have the same header, so the first one wins
    // unless it has vanished and a later one is there.
    for (index, entry) in snapshot.entries.iter().enumerate() {
        if let Content::Frame { digest, .. } = &entry.content {
            let best = found.entry(*digest).or_insert(index);
            if !snapshot.entries[*best].present && entry.present {
                *best = index;
            }
        }
    }
    found
}

/// Focus and centring shots call themselves lights: much shorter than what the rig usually
/// exposed that night.
fn ignore_short_shots(cast: &mut Cast<'_>, plan: &mut Plan) {
    let mut nights: BTreeMap<Date, Vec<Member<'_>>> = BTreeMap::new();
    for member in &cast.lights {
        nights.entry(member.night).or_default().push(*member);
    }
    let limits = &cast.profile.short_shots;
    for members in nights.into_values() {
        let Some(usual) = middle_exposure(members.iter().map(|member| member.frame.exposure))
        else {
            continue;
        };
        for member in members {
            let exposure = member.frame.exposure.get();
            if exposure < limits.under_s && exposure < limits.under_fraction * usual.get() {
                let reason = format!(
                    "a short shot, not meant as a light: {exposure} s, under {} s and under {} of the night's usual {usual}",
                    limits.under_s, limits.under_fraction
                );
                plan.lights
                    .insert(member.index, LightState::Ignored(reason));
            }
        }
    }
    cast.lights
        .retain(|member| !plan.lights.contains_key(&member.index));
}
