//! Who takes part: the frames of a snapshot sorted into roles before anything is planned.
//!
//! Unusable frames and byte-identical copies are refused here, shots that were not meant as
//! lights are ignored. What remains is usable and each content stands for one file.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::facts::{
    CalibrationState, Content, Digest, DigestMap, Entry, Frame, Input, Kind, LightState, Plan,
    Profile, Sample, Seconds, Settings, Snapshot,
};
use crate::frame::name_matches;

/// A usable frame.
#[derive(Clone, Copy, Debug)]
pub struct Member<'a> {
    /// Its place in the snapshot's entries.
    pub index: usize,
    /// Its entry.
    pub entry: &'a Entry,
    /// Its contents.
    pub digest: &'a Digest,
    /// What it is.
    pub frame: &'a Frame,
    /// What its pixels say.
    pub sample: &'a Sample,
    /// The raw level at and above which its pixels count as saturated, ADU, by what frames of its camera
    /// and night show.
    pub saturation: f64,
    /// The moment it belongs to.
    pub moment: Timestamp,
    /// The night it belongs to.
    pub night: Date,
}

impl Member<'_> {
    /// As something that a product is made of.
    pub fn input(&self) -> Input {
        Input {
            digest: *self.digest,
            file: self.entry.file.clone(),
            stamp: self.entry.stamp,
        }
    }
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

impl<'a> Cast<'a> {
    /// Its lights, night by night.
    pub fn nights(&self) -> impl Iterator<Item = &[Member<'a>]> {
        self.lights.chunk_by(|a, b| a.night == b.night)
    }
}

/// Sorts the frames into rigs, in the order of the settings' profiles, and writes up in `plan`
/// what takes no part. Gives beside them which entry stands for each content.
pub fn cast<'a>(
    snapshot: &'a Snapshot,
    settings: &'a Settings,
    plan: &mut Plan,
) -> (Vec<Cast<'a>>, ByContent<'a>) {
    let ((mut casts, others), Originals { by_content, copies }) =
        rayon::join(|| usable(snapshot, settings), || Originals::of(snapshot));
    for (&index, &original) in &copies {
        let (entry, other) = (&snapshot.entries[index], &snapshot.entries[original]);
        if has_moved(entry, other) {
            plan.moved.insert(index);
        } else if let Content::Frame { frame, .. } = &entry.content {
            let reason = format!("byte-identical copy of {}", other.file);
            refuse(plan, index, frame.kind, reason);
        }
    }
    for index in others
        .into_iter()
        .filter(|index| !copies.contains_key(index))
    {
        let Content::Frame {
            digest,
            frame,
            sample,
            unusable,
        } = &snapshot.entries[index].content
        else {
            continue;
        };
        match (unusable, sample) {
            (Some(reason), _) => refuse(plan, index, frame.kind, reason.clone()),
            (None, None) => {
                let reason = "its pixels were not measured".to_owned();
                refuse(plan, index, frame.kind, reason);
            }
            (None, Some(_)) => retired(plan, snapshot, index, digest, frame),
        }
    }
    for cast in &mut casts {
        if !copies.is_empty() {
            let stays = |member: &Member<'_>| !copies.contains_key(&member.index);
            cast.lights.retain(stays);
            cast.calibration
                .values_mut()
                .for_each(|frames| frames.retain(stays));
        }
        cast.lights
            .sort_by_key(|light| (light.moment, light.digest));
        ignore_short_shots(cast, plan);
        share_saturation(cast);
    }
    (casts, by_content)
}

/// All frames of rigs with a profile whose pixels can be used, copies among them; and the places of the
/// other frames.
fn usable<'a>(snapshot: &'a Snapshot, settings: &'a Settings) -> (Vec<Cast<'a>>, Vec<usize>) {
    // Moving what outgrew its room costs more than room that is not used.
    let share = snapshot.entries.len() / settings.profiles.len().max(1);
    let room = || Vec::with_capacity(share);
    let mut casts: Vec<Cast<'a>> = settings
        .profiles
        .iter()
        .map(|profile| Cast {
            profile,
            calibration: BTreeMap::new(),
            lights: room(),
        })
        .collect();
    let mut others = Vec::new();
    let site = &settings.site;
    // Files that lie side by side are of one night, mostly.
    let mut tonight = None;
    let mut night_of = |moment| {
        let number = site.night_number(moment);
        match tonight {
            Some((known, night)) if known == number => night,
            _ => {
                let night = site.night_of(moment);
                tonight = Some((number, night));
                night
            }
        }
    };
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
        let owner = owner(settings, &frame.rig, &frame.camera.name);
        let cast = owner.and_then(|place| casts.get_mut(place));
        let (Some(cast), Some(sample), None) = (cast, sample, unusable) else {
            others.push(index);
            continue;
        };
        let moment = entry.moment();
        let member = Member {
            index,
            entry,
            digest,
            frame,
            sample,
            saturation: sample.saturation,
            moment,
            night: night_of(moment),
        };
        match frame.kind {
            Kind::Light => cast.lights.push(member),
            kind => {
                let frames = cast.calibration.entry(kind).or_insert_with(room);
                frames.push(member);
            }
        }
    }
    (casts, others)
}

/// Which profile, by its place in the settings, a frame or master of this rig belongs to: the one
/// of that name, else, since profiles get renamed, the only one that claims the camera.
pub fn owner(settings: &Settings, rig: &str, camera: &str) -> Option<usize> {
    let profiles = || settings.profiles.iter().enumerate();
    if let Some((place, _)) = profiles().find(|(_, profile)| profile.name == *rig) {
        return Some(place);
    }
    let claims = |profile: &Profile| {
        profile
            .cameras
            .iter()
            .any(|glob| name_matches(glob, camera))
    };
    let mut claimants = profiles().filter(|(_, profile)| claims(profile));
    let (place, _) = claimants.next()?;
    claimants.next().is_none().then_some(place)
}

/// A frame whose rig has no profile any more: what was made of it stays, nothing else is.
fn retired(plan: &mut Plan, snapshot: &Snapshot, index: usize, digest: &Digest, frame: &Frame) {
    let products = match frame.kind {
        Kind::Light => snapshot.made.lights_of(digest),
        _ => snapshot.made.masters_of(digest),
    };
    match (frame.kind, products.first()) {
        (Kind::Light, Some(print)) => {
            let state = LightState::Calibrated(*print);
            plan.lights.insert(index, state);
        }
        (_, Some(print)) => {
            let state = CalibrationState::Used(*print);
            plan.calibration.insert(index, state);
        }
        (kind, None) => {
            let reason = format!("no profile is called {} any more", frame.rig);
            refuse(plan, index, kind, reason);
        }
    }
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

/// For every content the place of the entry that stands for it.
pub type ByContent<'a> = DigestMap<&'a Digest, usize>;

/// For every content the one file that stands for it. Of those that are there, the one with the
/// smallest start and identity: copies have the same header, and entries are in order of identity.
/// Where all have vanished, the one that was last seen to come.
struct Originals<'a> {
    by_content: ByContent<'a>,
    /// The same by the places of all other entries of that content.
    copies: BTreeMap<usize, usize>,
}

impl<'a> Originals<'a> {
    fn of(snapshot: &'a Snapshot) -> Self {
        let mut by_content = ByContent::default();
        by_content.reserve(snapshot.entries.len());
        let mut copies = BTreeMap::new();
        for (index, entry) in snapshot.entries.iter().enumerate() {
            let Content::Frame { digest, .. } = &entry.content else {
                continue;
            };
            let best = by_content.entry(digest).or_insert(index);
            if *best == index {
                continue;
            }
            let known = &snapshot.entries[*best];
            let better = match (known.present, entry.present) {
                (false, true) => true,
                (false, false) => entry.arrived > known.arrived,
                (true, _) => false,
            };
            let copy = if better {
                std::mem::replace(best, index)
            } else {
                index
            };
            copies.insert(copy, digest);
        }
        let copies = copies.into_iter();
        let copies = copies.map(|(copy, digest)| (copy, by_content[digest]));
        Self {
            copies: copies.collect(),
            by_content,
        }
    }
}

/// Is a vanished file the same as another entry of the same bytes: that one is there, or it was
/// the same file under another name before both went?
fn has_moved(entry: &Entry, other: &Entry) -> bool {
    let same_file =
        entry.stamp.inode == other.stamp.inode && entry.stamp.mtime_ns == other.stamp.mtime_ns;
    !entry.present && (other.present || same_file)
}

/// The exposure in which a night spent the middle of its time: a long row of focus shots takes
/// little of that.
fn usual_exposure(lights: &[Member<'_>]) -> Option<Seconds> {
    let mut exposures: Vec<Seconds> = lights.iter().map(|light| light.frame.exposure).collect();
    exposures.sort();
    let whole: f64 = exposures.iter().map(|exposure| exposure.get()).sum();
    let mut spent = 0.0;
    exposures.into_iter().find(|exposure| {
        spent += exposure.get();
        spent >= whole / 2.0
    })
}

/// Focus and centring shots call themselves lights: much shorter than what the rig usually
/// exposed that night.
fn ignore_short_shots(cast: &mut Cast<'_>, plan: &mut Plan) {
    let limits = &cast.profile.short_shots;
    for members in cast.nights() {
        let Some(usual) = usual_exposure(members) else {
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
        .retain(|member| !plan.lights.contains(member.index));
}

/// A light with few bright stars does not show where samples pile up, nor does a good flat. The converter
/// of its camera is the same all night: what frames of any kind show of it holds for all.
fn share_saturation(cast: &mut Cast<'_>) {
    let calibration = cast.calibration.values_mut().flatten();
    let mut members: Vec<&mut Member<'_>> = calibration.chain(&mut cast.lights).collect();
    // That is so of many cameras.
    if members
        .windows(2)
        .all(|two| two[0].saturation == two[1].saturation)
    {
        return;
    }
    let order = |a: &Member<'_>, b: &Member<'_>| {
        let cameras = [a, b].map(|member| &member.frame.camera);
        let of_cameras = || match Arc::ptr_eq(cameras[0], cameras[1]) {
            true => Ordering::Equal,
            false => cameras[0].cmp(cameras[1]),
        };
        a.night.cmp(&b.night).then_with(of_cameras)
    };
    members.sort_by(|a, b| order(a, b));
    for group in members.chunk_by_mut(|a, b| order(a, b).is_eq()) {
        let samples = group.iter().map(|member| member.sample);
        let common = Sample::common_saturation(samples);
        for member in group {
            member.saturation = common.unwrap_or(member.saturation);
        }
    }
}
