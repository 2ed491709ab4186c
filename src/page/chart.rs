//! Measures of the lights against time, one drawing each.

use std::collections::BTreeMap;

use super::axis::{Spread, TimeAxis, ValueAxis, lasting, percent};
use super::mark::{Mark, Sub};
use super::morning::NightFacts;
use super::text::{filter_word, number, target_word};
use crate::combine::median;
use crate::facts::LightEntry;

/// The drawing's upper edge, where outliers stand.
const TOP_PX: f64 = 8.0;
const BOTTOM_PX: f64 = 102.0;

/// A measure that is drawn.
struct Kind {
    title: &'static str,
    unit: &'static str,
    spread: Spread,
    decimals: usize,
    value: fn(&LightEntry) -> Option<f64>,
}

const KINDS: [Kind; 6] = [
    Kind {
        title: "FWHM",
        unit: "arcseconds",
        spread: Spread::Near(1.0),
        decimals: 2,
        value: |light| light.measures?.fwhm_arcsec,
    },
    Kind {
        title: "FWHM",
        unit: "pixels",
        spread: Spread::Near(1.0),
        decimals: 2,
        value: |light| light.measures?.fwhm_px,
    },
    Kind {
        title: "Background",
        unit: "ADU",
        spread: Spread::Wide,
        decimals: 0,
        value: |light| Some(light.measures?.background_adu),
    },
    Kind {
        title: "Transparency",
        unit: "best = 1",
        spread: Spread::FromZero,
        decimals: 2,
        value: |light| light.measures?.transparency,
    },
    Kind {
        title: "Stars",
        unit: "in a light",
        spread: Spread::Wide,
        decimals: 0,
        value: |light| light.measures?.stars.map(f64::from),
    },
    Kind {
        title: "Sensor temperature",
        unit: "\u{b0}C",
        spread: Spread::Near(3.0),
        decimals: 1,
        value: |light| light.temperature_c,
    },
];

/// One measure of one rig.
pub(super) struct Chart {
    pub(super) title: &'static str,
    pub(super) unit: &'static str,
    /// Says in words what is drawn.
    pub(super) words: String,
    pub(super) ticks: Vec<Line>,
    pub(super) points: Vec<Point>,
    pub(super) levels: Vec<Level>,
}

/// A line across, with its value.
pub(super) struct Line {
    pub(super) y: String,
    pub(super) label: String,
}

/// One light.
pub(super) struct Point {
    pub(super) at: usize,
    pub(super) x: String,
    pub(super) y: String,
    pub(super) shape: &'static str,
    pub(super) title: String,
}

/// The median of a target and filter over the time it was exposed.
pub(super) struct Level {
    pub(super) x1: String,
    pub(super) x2: String,
    pub(super) y: String,
    pub(super) label: String,
    pub(super) value: String,
}

/// A light, its place across in per cent, and its value.
type Placed<'a> = (&'a Sub<'a>, f64, f64);

/// The charts of one rig, in a fixed order; a measure that nothing has is left out.
pub(super) fn charts(subs: &[&Sub<'_>], axis: &TimeAxis, facts: &NightFacts) -> Vec<Chart> {
    let mut charts: Vec<Chart> = Vec::new();
    for kind in &KINDS {
        // Pixels only where there are no arcseconds.
        if charts.iter().any(|chart| chart.title == kind.title) {
            continue;
        }
        charts.extend(chart(kind, subs, axis, facts));
    }
    charts
}

fn chart(kind: &Kind, subs: &[&Sub<'_>], axis: &TimeAxis, facts: &NightFacts) -> Option<Chart> {
    let placed: Vec<Placed<'_>> = subs
        .iter()
        .filter_map(|sub| {
            let start = sub.start?;
            let x = axis.at(start)?;
            let middle = x + axis.share(lasting(sub.light.exposure_s).as_secs_f64()) / 2.0;
            let value = (kind.value)(sub.light).filter(|value| value.is_finite())?;
            Some((*sub, middle.min(100.0), value))
        })
        .collect();
    let values: Vec<f64> = placed.iter().map(|&(_, _, value)| value).collect();
    let scale = ValueAxis::new(&values, kind.spread, TOP_PX, BOTTOM_PX)?;
    let points = placed.iter().map(|&(sub, x, value)| {
        let (y, beyond) = scale.at(value);
        Point {
            at: sub.at,
            x: percent(x),
            y: format!("{y:.1}"),
            shape: match (beyond, sub.mark) {
                (true, _) => "p-beyond",
                (false, Mark::SetAside) => "p-aside",
                (false, Mark::Waiting) => "p-waiting",
                (false, Mark::Refused) => "p-refused",
                (false, _) => "p-kept",
            },
            title: format!("{}: {}", sub.title(facts), number(value, kind.decimals)),
        }
    });
    let ticks = scale.ticks().into_iter();
    Some(Chart {
        title: kind.title,
        unit: kind.unit,
        words: words(kind, values.clone()),
        ticks: ticks
            .map(|(y, label)| Line {
                y: format!("{y:.1}"),
                label,
            })
            .collect(),
        points: points.collect(),
        levels: levels(kind, &placed, &scale),
    })
}

fn words(kind: &Kind, mut values: Vec<f64>) -> String {
    let middle = median(&mut values).unwrap_or(f64::NAN);
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let told = |value| number(value, kind.decimals);
    format!(
        "{} ({}) of {} lights against time: from {} to {}, median {}",
        kind.title,
        kind.unit,
        values.len(),
        told(low),
        told(high),
        told(middle),
    )
}

/// Lines at the medians of the lights that are not set aside, the highest first.
fn levels(kind: &Kind, placed: &[Placed<'_>], scale: &ValueAxis) -> Vec<Level> {
    let mut groups: BTreeMap<(&str, &str), Vec<&Placed<'_>>> = BTreeMap::new();
    for point in placed {
        let light = point.0.light;
        let key = (light.target.as_deref().unwrap_or_default(), &*light.filter);
        groups.entry(key).or_default().push(point);
    }
    let mut targets: Vec<&str> = groups.keys().map(|key| key.0).collect();
    targets.dedup();
    let mut levels: Vec<(f64, Level)> = Vec::new();
    for ((target, filter), points) in groups {
        let kept = points
            .iter()
            .filter(|(sub, _, _)| sub.mark != Mark::SetAside);
        let mut values: Vec<f64> = kept.map(|&&(_, _, value)| value).collect();
        let Some(middle) = median(&mut values) else {
            continue;
        };
        let xs = points.iter().map(|&&(_, x, _)| x);
        let (from, to) = xs.fold((100.0, 0.0), |(low, high), x| (x.min(low), x.max(high)));
        let label = match targets.len() {
            1 => filter_word(filter),
            _ => format!("{} {}", target_word(target), filter_word(filter)),
        };
        let level = Level {
            x1: percent(from),
            x2: percent(to),
            y: format!("{:.1}", scale.at(middle).0),
            label,
            value: number(middle, kind.decimals),
        };
        levels.push((middle, level));
    }
    levels.sort_by(|a, b| b.0.total_cmp(&a.0));
    levels.into_iter().map(|(_, level)| level).collect()
}
