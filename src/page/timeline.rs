//! The night from left to right: one lane for each rig, target and filter, one mark for each light, and
//! a lane for each rig's calibration frames.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::axis::{Band, Hour, TimeAxis, daylight_words, percent};
use super::mark::{Mark, Sub};
use super::morning::NightFacts;
use super::runs::{Outside, RunLane, run_lanes};
use super::text::{exposure, filter_word, name, target_word};
use crate::facts::SessionLog;

/// Above the first lane: the strip of the sky's light.
const HEAD_PX: usize = 16;
pub(super) const LANE_PX: usize = 44;
/// From a lane's upper edge to the line that its marks stand on.
pub(super) const BASE_PX: usize = 38;
/// Below the last lane: the hours.
const FOOT_PX: usize = 22;
/// A mark narrower than this is hard to see.
const NARROWEST: f64 = 0.16;

/// What the template draws.
pub(super) struct Timeline {
    pub(super) lanes: Vec<Lane>,
    pub(super) run_lanes: Vec<RunLane>,
    /// Calibration frames of other hours.
    pub(super) outside: Vec<Outside>,
    pub(super) bands: Vec<Band>,
    pub(super) hours: Vec<Hour>,
    pub(super) height: usize,
    pub(super) floor: usize,
    pub(super) words: Vec<String>,
    /// Marks that occur, and what they mean of lights and of calibration frames.
    pub(super) legend: Vec<(Mark, String)>,
    /// Lights that cannot be placed in time.
    pub(super) placeless: Vec<Tick>,
    pub(super) count: usize,
}

/// Lights of one rig, target and filter.
pub(super) struct Lane {
    pub(super) label: String,
    pub(super) label_y: usize,
    pub(super) ticks: Vec<Tick>,
    pub(super) base_y: usize,
}

/// One light.
pub(super) struct Tick {
    pub(super) at: usize,
    pub(super) title: String,
    pub(super) mark: Mark,
    pub(super) x: String,
    pub(super) middle: String,
    pub(super) width: String,
    pub(super) y: usize,
    pub(super) height: usize,
}

impl Timeline {
    pub(super) fn new(
        log: &SessionLog,
        subs: &[Sub<'_>],
        axis: &TimeAxis,
        facts: &NightFacts,
    ) -> Self {
        let mut groups: BTreeMap<(&str, &str, &str), Vec<&Sub<'_>>> = BTreeMap::new();
        for sub in subs {
            let target = sub.light.target.as_deref().unwrap_or_default();
            let key = (&*sub.light.rig, target, &*sub.light.filter);
            groups.entry(key).or_default().push(sub);
        }
        let mut groups: Vec<_> = groups.into_iter().collect();
        let first = |subs: &[&Sub<'_>]| -> Option<Timestamp> {
            subs.iter().filter_map(|sub| sub.start).min()
        };
        groups.sort_by_key(|((rig, _, _), subs)| (*rig, first(subs).is_none(), first(subs)));
        let many_rigs = groups.windows(2).any(|pair| pair[0].0.0 != pair[1].0.0);

        let mut lanes = Vec::new();
        let mut placeless = Vec::new();
        for ((rig, target, filter), subs) in &groups {
            let above = HEAD_PX + lanes.len() * LANE_PX;
            let base = above + BASE_PX;
            let (placed, lost): (Vec<Tick>, Vec<Tick>) = subs
                .iter()
                .map(|sub| tick(sub, axis, facts, base))
                .partition(|tick| !tick.x.is_empty());
            placeless.extend(lost);
            if placed.is_empty() {
                continue;
            }
            lanes.push(Lane {
                label: lane_label(rig, target, filter, many_rigs, subs),
                label_y: above + 15,
                ticks: placed,
                base_y: base,
            });
        }
        let above = HEAD_PX + lanes.len() * LANE_PX;
        let (run_lanes, outside) = run_lanes(log, axis, facts, above);
        let floor = above + run_lanes.len() * LANE_PX;
        Self {
            bands: axis.bands(facts),
            hours: axis.hours(facts),
            height: floor + FOOT_PX,
            floor,
            words: daylight_words(facts),
            legend: legend(log, subs),
            placeless,
            count: subs.len(),
            lanes,
            run_lanes,
            outside,
        }
    }
}

fn legend(log: &SessionLog, subs: &[Sub<'_>]) -> Vec<(Mark, String)> {
    let of_lights = |mark| subs.iter().any(|sub| sub.mark == mark);
    let frames = || log.calibration.iter();
    let of_frames = |mark| frames().any(|frame| Mark::of_calibration(&frame.state) == mark);
    let words = |mark: Mark| {
        let mut words = Vec::new();
        words.extend(of_lights(mark).then(|| mark.word()));
        words.extend(of_frames(mark).then(|| mark.word_of_calibration()));
        words.dedup();
        (mark, words.join(" or "))
    };
    let all = Mark::ALL.into_iter().map(words);
    all.filter(|(_, words)| !words.is_empty()).collect()
}

fn lane_label(rig: &str, target: &str, filter: &str, many_rigs: bool, subs: &[&Sub<'_>]) -> String {
    let mut parts = Vec::new();
    if many_rigs {
        parts.push(name(rig));
    }
    parts.push(target_word(target));
    parts.push(filter_word(filter));
    let exposures = subs.iter().map(|sub| sub.light.exposure_s);
    let longest = exposures.clone().fold(0.0, f64::max);
    if exposures.clone().all(|seconds| seconds == longest) {
        parts.push(format!("{} \u{d7} {} s", subs.len(), exposure(longest)));
    } else {
        parts.push(subs.len().to_string());
    }
    parts.join(" \u{b7} ")
}

fn tick(sub: &Sub<'_>, axis: &TimeAxis, facts: &NightFacts, base: usize) -> Tick {
    let width = (axis.share(sub.light.exposure_s) * 0.82).clamp(NARROWEST, 100.0);
    let place = sub.start.and_then(|start| axis.at(start));
    let height = sub.mark.height();
    Tick {
        at: sub.at,
        title: sub.title(facts),
        mark: sub.mark,
        x: place.map_or(String::new(), percent),
        middle: place.map_or(String::new(), |x| percent(x + width / 2.0)),
        width: percent(width),
        y: base - height,
        height,
    }
}
