//! The lists over all nights: of nights, of targets, of sensors.
//!
//! They lie in the output folder itself. Nights come in any order and are told by date.

use std::collections::BTreeMap;

use askama::Template;
use jiff::civil::Date;

use super::account::{Sensor, sensor};
use super::axis::{Spread, ValueAxis, percent};
use super::morning::written;
use super::text::{address, filter_word, name, night_words, number, target_word};
use crate::facts::{Conditions, NightState, NightSummary, SensorEntry};
use crate::night::{counted, span};

const TOP_PX: f64 = 10.0;
const BOTTOM_PX: f64 = 92.0;

#[derive(Template)]
#[template(path = "index.html", config = "src/page/askama.toml")]
struct IndexPage {
    title: String,
    site: String,
    home: &'static str,
    nights: Vec<NightRow>,
    total: String,
    empty: bool,
}

struct NightRow {
    words: String,
    href: String,
    open: bool,
    kept: String,
    share: String,
    frames: usize,
    aside: usize,
    waiting: usize,
    fwhm: String,
    to_shoot: usize,
    warnings: usize,
    files: usize,
}

/// The list of all nights, the latest first, to lie at `index.html` in the output folder.
pub fn index(nights: &[NightSummary], site: &str) -> String {
    let mut nights: Vec<&NightSummary> = nights.iter().collect();
    nights.sort_by(|a, b| b.night.cmp(&a.night));
    let longest = nights
        .iter()
        .map(|night| night.kept_s())
        .fold(f64::MIN_POSITIVE, f64::max);
    let rows = nights.iter().map(|night| NightRow {
        words: night_words(&night.night),
        href: page_of(&night.night),
        open: night.state == NightState::Open,
        kept: span(night.kept_s()),
        share: percent(100.0 * night.kept_s() / longest),
        frames: night.kept(),
        aside: night.set_aside(),
        waiting: night.waiting,
        fwhm: widths(&night.conditions),
        to_shoot: night.to_shoot,
        warnings: night.warnings,
        files: night.ledger.seen,
    });
    let total = nights.iter().map(|night| night.kept_s()).sum();
    written(&IndexPage {
        title: format!("{}, nights", name(site)),
        site: name(site),
        home: "",
        empty: nights.is_empty(),
        total: format!("{} kept in {}", span(total), counted(nights.len(), "night")),
        nights: rows.collect(),
    })
}

fn page_of(night: &str) -> String {
    format!("nights/{}/morning.html", address(night))
}

/// The least and the greatest median width of a night, in arcseconds where all have them.
fn widths(conditions: &[Conditions]) -> String {
    let arcseconds = conditions
        .iter()
        .all(|c| c.fwhm_arcsec.is_some() || c.fwhm_px.is_none());
    let unit = if arcseconds { "\u{2033}" } else { " px" };
    let width = |c: &Conditions| if arcseconds { c.fwhm_arcsec } else { c.fwhm_px };
    let mut widths: Vec<f64> = conditions.iter().filter_map(width).collect();
    widths.sort_by(f64::total_cmp);
    let told = |value: f64| number(value, 1);
    match widths.as_slice() {
        [] => String::new(),
        [first, .., last] if told(*first) != told(*last) => {
            format!("{} to {}{unit}", told(*first), told(*last))
        }
        [first, ..] => format!("{}{unit}", told(*first)),
    }
}

#[derive(Template)]
#[template(path = "targets.html", config = "src/page/askama.toml")]
struct TargetsPage {
    title: String,
    site: String,
    home: &'static str,
    targets: Vec<Target>,
}

struct Target {
    name: String,
    kept: String,
    filters: Vec<FilterRow>,
}

struct FilterRow {
    filter: String,
    rigs: String,
    kept: String,
    share: String,
    frames: String,
    nights: Vec<NightPart>,
}

/// What one night gave.
struct NightPart {
    night: String,
    href: String,
    kept: String,
}

#[derive(Default)]
struct Collected<'a> {
    kept_s: f64,
    frames: usize,
    kept: usize,
    rigs: Vec<&'a str>,
    nights: BTreeMap<&'a str, f64>,
}

/// Every target with what all nights gave it, by name, to lie at `targets.html` in the output
/// folder. A target is known by its spelling alone.
pub fn targets(nights: &[NightSummary], site: &str) -> String {
    let mut targets: BTreeMap<&str, BTreeMap<&str, Collected<'_>>> = BTreeMap::new();
    let mut nights: Vec<&NightSummary> = nights.iter().collect();
    nights.sort_by(|a, b| a.night.cmp(&b.night));
    for night in nights {
        for part in &night.integrations {
            let filters = targets.entry(&part.target).or_default();
            let collected = filters.entry(&part.filter).or_default();
            collected.kept_s += part.kept_s;
            collected.frames += part.frames;
            collected.kept += part.kept;
            if !collected.rigs.contains(&&*part.rig) {
                collected.rigs.push(&part.rig);
            }
            *collected.nights.entry(&night.night).or_default() += part.kept_s;
        }
    }
    let targets = targets.into_iter().map(|(target, filters)| {
        let longest = filters
            .values()
            .map(|part| part.kept_s)
            .fold(f64::MIN_POSITIVE, f64::max);
        let kept = filters.values().map(|part| part.kept_s).sum();
        let row = |(filter, part): (&str, Collected<'_>)| FilterRow {
            filter: filter_word(filter),
            rigs: part
                .rigs
                .iter()
                .map(|rig| name(rig))
                .collect::<Vec<_>>()
                .join(", "),
            kept: span(part.kept_s),
            share: percent(100.0 * part.kept_s / longest),
            frames: format!("{} of {}", part.kept, part.frames),
            nights: part.nights.into_iter().rev().map(night_part).collect(),
        };
        Target {
            name: target_word(target),
            kept: span(kept),
            filters: filters.into_iter().map(row).collect(),
        }
    });
    written(&TargetsPage {
        title: format!("{}, targets", name(site)),
        site: name(site),
        home: "",
        targets: targets.collect(),
    })
}

fn night_part((night, kept_s): (&str, f64)) -> NightPart {
    NightPart {
        night: name(night),
        href: page_of(night),
        kept: span(kept_s),
    }
}

#[derive(Template)]
#[template(path = "sensors.html", config = "src/page/askama.toml")]
struct SensorsPage {
    title: String,
    site: String,
    home: &'static str,
    sensors: Vec<History>,
}

/// One sensor at one gain setting over the nights.
struct History {
    title: String,
    trends: Vec<Trend>,
    /// The latest first.
    rows: Vec<(NightPart, Sensor)>,
}

/// One value against the date.
struct Trend {
    title: &'static str,
    unit: &'static str,
    words: String,
    /// Pixel and label.
    ticks: Vec<(String, String)>,
    points: Vec<TrendPoint>,
    first: String,
    last: String,
}

struct TrendPoint {
    x: String,
    y: String,
    title: String,
}

type ValueOf = fn(&SensorEntry) -> Option<f64>;

const TRENDS: [(&str, &str, usize, ValueOf); 4] = [
    ("Gain", "electrons per ADU", 3, |entry| entry.gain_e_per_adu),
    ("Read noise", "electrons", 2, |entry| entry.read_noise_e),
    (
        "Dark current",
        "electrons per second and pixel",
        4,
        |entry| entry.dark_current_e_per_s,
    ),
    ("Hot pixels", "per megapixel", 0, |entry| {
        entry.hot_pixels_per_megapixel
    }),
];

/// What the nights say of each sensor, by rig, camera and gain setting, to lie at `sensors.html`
/// in the output folder.
pub fn sensors(nights: &[NightSummary], site: &str) -> String {
    let mut sensors: BTreeMap<(&str, &str, String), Vec<(&str, &SensorEntry)>> = BTreeMap::new();
    let mut nights: Vec<&NightSummary> = nights.iter().collect();
    nights.sort_by(|a, b| a.night.cmp(&b.night));
    for night in nights {
        for entry in &night.sensors {
            let setting = entry.gain.map_or(String::new(), |gain| number(gain, 0));
            let sensor = sensors.entry((&entry.rig, &entry.camera, setting));
            sensor.or_default().push((&night.night, entry));
        }
    }
    let sensors = sensors
        .into_iter()
        .map(|((rig, camera, setting), entries)| History {
            title: match setting.as_str() {
                "" => format!("{} on {}", name(camera), name(rig)),
                gain => format!("{} on {}, gain {gain}", name(camera), name(rig)),
            },
            trends: trends(&entries),
            rows: entries
                .iter()
                .rev()
                .map(|(night, entry)| (night_part((night, 0.0)), sensor(entry)))
                .collect(),
        });
    written(&SensorsPage {
        title: format!("{}, sensors", name(site)),
        site: name(site),
        home: "",
        sensors: sensors.collect(),
    })
}

/// A drawing for each value that two nights or more have.
fn trends(entries: &[(&str, &SensorEntry)]) -> Vec<Trend> {
    let trends = TRENDS.iter().filter_map(|&(title, unit, decimals, value)| {
        let values: Vec<(Date, f64)> = entries
            .iter()
            .filter_map(|(night, entry)| Some((night.parse().ok()?, value(entry)?)))
            .filter(|(_, value)| value.is_finite())
            .collect();
        let (&(first, _), &(last, _)) = values.first().zip(values.last())?;
        let days = f64::from((last - first).get_days());
        if days < 1.0 {
            return None;
        }
        let plain: Vec<f64> = values.iter().map(|&(_, value)| value).collect();
        let scale = ValueAxis::new(&plain, Spread::Near(0.0), TOP_PX, BOTTOM_PX)?;
        let told = |value| number(value, decimals);
        let low = plain.iter().copied().fold(f64::INFINITY, f64::min);
        let high = plain.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let points = values.iter().map(|&(date, value)| TrendPoint {
            x: percent(2.0 + 96.0 * f64::from((date - first).get_days()) / days),
            y: format!("{:.1}", scale.at(value).0),
            title: format!("{date}: {}", told(value)),
        });
        let ticks = scale.ticks().into_iter();
        Some(Trend {
            title,
            unit,
            words: format!(
                "{title} ({unit}) in {} nights from {first} to {last}: {} to {}",
                plain.len(),
                told(low),
                told(high),
            ),
            ticks: ticks.map(|(y, label)| (format!("{y:.1}"), label)).collect(),
            points: points.collect(),
            first: first.to_string(),
            last: last.to_string(),
        })
    });
    trends.collect()
}
