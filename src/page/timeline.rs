//! The night from left to right: one lane for each rig, target and filter, one mark for each light.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::axis::{Band, Hour, TimeAxis, daylight_words, percent};
use super::mark::{Mark, Sub};
use super::morning::NightFacts;
use super::text::{exposure, filter_word, name, target_word};

/// Above the first lane: the strip of the sky's light.
const HEAD_PX: usize = 16;
const LANE_PX: usize = 44;
/// Below the last lane: the hours.
const FOOT_PX: usize = 22;
/// A mark narrower than this is hard to see.
const NARROWEST: f64 = 0.16;

/// What the template draws.
pub(super) struct Timeline {
    pub(super) lanes: Vec<Lane>,
    pub(super) bands: Vec<Band>,
    pub(super) hours: Vec<Hour>,
    pub(super) height: usize,
    pub(super) floor: usize,
    pub(super) words: Vec<String>,
    /// Marks that occur.
    pub(super) legend: Vec<Mark>,
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
    pub(super) fn new(subs: &[Sub<'_>], axis: &TimeAxis, facts: &NightFacts) -> Self {
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
            let base = above + LANE_PX - 6;
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
        let floor = HEAD_PX + lanes.len() * LANE_PX;
        let legend = Mark::ALL.into_iter();
        Self {
            bands: axis.bands(facts),
            hours: axis.hours(facts),
            height: floor + FOOT_PX,
            floor,
            words: daylight_words(facts),
            legend: legend
                .filter(|&mark| subs.iter().any(|sub| sub.mark == mark))
                .collect(),
            placeless,
            count: subs.len(),
            lanes,
        }
    }
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
    // Verdicts differ in height and form, so that they can be told without colour.
    let height = match sub.mark {
        Mark::Kept | Mark::Unjudged => 18,
        Mark::Waiting => 13,
        Mark::SetAside | Mark::Refused => 8,
    };
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
