//! What is odd about a night without being wrong: one sentence per oddity, counted, with the first
//! file as an example.
//!
//! The plan's own warnings come first. It does not change anybody's state.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::sun::altitude_deg;
use super::text::counted;
use crate::facts::{
    Content, Entry, FileId, Frame, Kind, LightState, NightState, Plan, Settings, Snapshot,
};

const HOUR_S: f64 = 3600.0;
/// A start time and the file's own time agree when they lie this close.
const AGREE_S: f64 = 120.0;
/// So many pixels of a light may be cut off: the cores of saturated stars are.
const CUT_FRACTION: f64 = 0.001;
/// Time zones lie within this many hours of UTC.
const ZONE_HOURS: f64 = 14.0;

/// All warnings of a night. `members` are the night's entries, by index into the snapshot.
pub(super) fn warnings(
    snapshot: &Snapshot,
    plan: &Plan,
    settings: &Settings,
    night: Date,
    state: NightState,
    members: &[usize],
) -> Vec<String> {
    let mut frames: Vec<(usize, &Entry, &Frame)> = members
        .iter()
        .filter_map(|&at| {
            let entry = &snapshot.entries[at];
            match &entry.content {
                Content::Frame { frame, .. } => Some((at, entry, &**frame)),
                _ => None,
            }
        })
        .collect();
    frames.sort_by_key(|(_, entry, _)| (entry.moment(), &entry.file));

    let mut all = plan.warnings.get(&night).cloned().unwrap_or_default();
    all.extend(remarks(&frames));
    all.extend(clocks(&frames));
    all.extend(high_sun(&frames, plan, settings));
    all.extend(cut_off(&frames, snapshot, plan));
    all.extend(arriving(snapshot, settings, night, state));
    all
}

/// What the frames' own headers made odd, grouped by sentence.
fn remarks(frames: &[(usize, &Entry, &Frame)]) -> Vec<String> {
    let mut groups: BTreeMap<&str, Vec<&FileId>> = BTreeMap::new();
    for (_, entry, frame) in frames {
        for remark in &frame.remarks {
            groups.entry(remark).or_default().push(&entry.file);
        }
    }
    groups
        .into_iter()
        .map(|(remark, files)| format!("{}: {remark}", example(&files, "frame")))
        .collect()
}

/// Lights stored as integers of which too much does not fit.
fn cut_off(frames: &[(usize, &Entry, &Frame)], snapshot: &Snapshot, plan: &Plan) -> Vec<String> {
    let mut groups: BTreeMap<&str, Vec<&FileId>> = BTreeMap::new();
    for (at, entry, frame) in frames {
        let Some(LightState::Calibrated(print)) = plan.lights.get(*at) else {
            continue;
        };
        let stats = snapshot.made.get(print).map(|made| &made.stats);
        if stats.is_some_and(|stats| stats.cut as f64 > CUT_FRACTION * stats.pixels as f64) {
            groups.entry(&frame.rig).or_default().push(&entry.file);
        }
    }
    let sentence = |(rig, files): (&str, Vec<&FileId>)| {
        format!(
            "{} of {rig}: more than {} % of the pixels are cut off at 0 or 65535: is added_level_adu right?",
            example(&files, "light"),
            100.0 * CUT_FRACTION,
        )
    };
    groups.into_iter().map(sentence).collect()
}

/// Start times that the file's own time contradicts. A copied file is younger than its exposure,
/// which proves nothing; two things are suspicious: a file older than its own start, and a
/// difference of whole hours, which is how a clock set to local time looks. Copies hit a whole
/// hour by chance now and then, a wrong clock shifts them all: so at least half of a
/// rig's frames must agree on it.
fn clocks(frames: &[(usize, &Entry, &Frame)]) -> Vec<String> {
    let mut dated: BTreeMap<&str, usize> = BTreeMap::new();
    let mut shifted: BTreeMap<(&str, i64), Vec<&FileId>> = BTreeMap::new();
    let mut impossible: BTreeMap<&str, Vec<&FileId>> = BTreeMap::new();
    for (_, entry, frame) in frames {
        let Some(start) = frame.start else { continue };
        let changed = entry.stamp.mtime_ns as f64 / 1e9;
        let start = start.as_nanosecond() as f64 / 1e9;
        *dated.entry(&frame.rig).or_default() += 1;
        let late = changed - (start + frame.exposure.get());
        let hours = (late / HOUR_S).round();
        let is_whole =
            (late - hours * HOUR_S).abs() <= AGREE_S && (1.0..=ZONE_HOURS).contains(&hours.abs());
        if is_whole {
            let group = shifted.entry((&frame.rig, hours as i64));
            group.or_default().push(&entry.file);
        } else if changed < start - AGREE_S {
            impossible.entry(&frame.rig).or_default().push(&entry.file);
        }
    }
    let mut all = Vec::new();
    for ((rig, hours), files) in shifted {
        let is_common = files.len() * 2 >= dated.get(rig).copied().unwrap_or_default();
        let direction = if hours < 0 { "after" } else { "before" };
        if is_common {
            all.push(format!(
                "{} of {rig}: the start time lies {} {direction} the file's own time: is it local time?",
                example(&files, "frame"),
                counted(hours.unsigned_abs() as usize, "hour"),
            ));
        } else if hours < 0 {
            impossible.entry(rig).or_default().extend(files);
        }
    }
    for (rig, files) in impossible {
        all.push(format!(
            "{} of {rig}: the file is older than the start of its exposure: check the clocks",
            example(&files, "frame"),
        ));
    }
    all
}

/// Lights that begin in daylight.
fn high_sun(
    frames: &[(usize, &Entry, &Frame)],
    plan: &Plan,
    settings: &Settings,
) -> Option<String> {
    let mut files = Vec::new();
    let mut highest = 0.0;
    for (at, entry, frame) in frames {
        let is_meant = !matches!(plan.lights.get(*at), Some(LightState::Ignored(_)));
        let Some(start) = frame
            .start
            .filter(|_| frame.kind == Kind::Light && is_meant)
        else {
            continue;
        };
        let altitude = altitude_deg(&settings.site, start);
        if altitude > 0.0 {
            highest = f64::max(highest, altitude);
            files.push(&entry.file);
        }
    }
    (!files.is_empty()).then(|| {
        format!(
            "{}: the Sun is up at the start of the exposure, as high as {highest:.1} deg: check the clock and the site",
            example(&files, "light"),
        )
    })
}

/// Files that are still being written. One that was taken in before counts for the night it had;
/// a new one has no night yet and counts for whichever is open.
fn arriving(
    snapshot: &Snapshot,
    settings: &Settings,
    night: Date,
    state: NightState,
) -> Option<String> {
    let is_ours = |file: &FileId| {
        snapshot
            .find(file)
            .map_or(state == NightState::Open, |known| {
                settings.site.night_of(known.moment()) == night
            })
    };
    let mut files: Vec<&(FileId, String)> = snapshot
        .arriving
        .iter()
        .filter(|(file, _)| is_ours(file))
        .collect();
    files.sort();
    let (file, known) = files.first()?;
    let more = match files.len() {
        1 => String::new(),
        count => format!(", and {} more", count - 1),
    };
    let known = if known.is_empty() {
        String::new()
    } else {
        format!(" ({known})")
    };
    Some(format!("still arriving: {file}{known}{more}"))
}

/// `3 frames (the first is lights/a.fits)`.
pub(super) fn example(files: &[&FileId], noun: &str) -> String {
    match files {
        [one] => format!("{} ({one})", counted(1, noun)),
        [first, ..] => format!("{} (the first is {first})", counted(files.len(), noun)),
        [] => counted(0, noun),
    }
}
