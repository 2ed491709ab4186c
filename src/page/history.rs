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
    aside: String,
    waiting: String,
    fwhm: String,
    to_shoot: String,
    warnings: String,
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
        aside: count(night.set_aside()),
        waiting: count(night.waiting),
        fwhm: widths(&night.conditions),
        to_shoot: count(night.to_shoot),
        warnings: count(night.warnings),
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

/// A count; nothing for zero, so that what is there catches the eye.
fn count(count: usize) -> String {
    if count == 0 {
        String::new()
    } else {
        count.to_string()
    }
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
    total: String,
    /// The first and the last night, between which the bars stand.
    first: String,
    last: String,
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
    frames: String,
    nights: Vec<NightPart>,
}

/// What one night gave, as a bar over its date.
struct NightPart {
    night: String,
    href: String,
    kept: String,
    x: String,
    width: String,
    y: String,
    height: String,
}

/// Bars are at most so high.
const BAR_PX: f64 = 26.0;

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
    for night in &nights {
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
    let bars = Bars::new(&nights, &targets);
    let rows = targets.iter().map(|(target, filters)| {
        let row = |(filter, part): (&&str, &Collected<'_>)| FilterRow {
            filter: filter_word(filter),
            rigs: part
                .rigs
                .iter()
                .map(|rig| name(rig))
                .collect::<Vec<_>>()
                .join(", "),
            kept: span(part.kept_s),
            frames: format!("{} of {}", part.kept, part.frames),
            nights: part
                .nights
                .iter()
                .map(|(night, kept_s)| bars.bar(night, *kept_s))
                .collect(),
        };
        Target {
            name: target_word(target),
            kept: span(filters.values().map(|part| part.kept_s).sum()),
            filters: filters.iter().map(row).collect(),
        }
    });
    let end = |night: Option<&&NightSummary>| night.map_or(String::new(), |n| name(&n.night));
    written(&TargetsPage {
        title: format!("{}, targets", name(site)),
        site: name(site),
        home: "",
        total: counted(targets.len(), "target"),
        first: end(nights.first()),
        last: end(nights.last()),
        targets: rows.collect(),
    })
}

/// How nights become bars: all of a page to one scale.
struct Bars {
    first: Option<Date>,
    days: f64,
    longest: f64,
}

impl Bars {
    fn new(
        nights: &[&NightSummary],
        targets: &BTreeMap<&str, BTreeMap<&str, Collected<'_>>>,
    ) -> Self {
        let date = |night: Option<&&NightSummary>| night?.night.parse::<Date>().ok();
        let (first, last) = (date(nights.first()), date(nights.last()));
        let parts = targets.values().flat_map(|filters| filters.values());
        let parts = parts.flat_map(|part| part.nights.values().copied());
        Self {
            first,
            days: first
                .zip(last)
                .map_or(0.0, |(first, last)| days(first, last)),
            longest: parts.fold(f64::MIN_POSITIVE, f64::max),
        }
    }

    fn bar(&self, night: &str, kept_s: f64) -> NightPart {
        let into = self.first.zip(night.parse().ok());
        let into = into.map_or(0.0, |(first, night)| days(first, night));
        // A day's share, but never too thin to be hit.
        let width = (100.0 / (self.days + 1.0)).clamp(0.8, 4.0);
        let height = (BAR_PX * kept_s / self.longest).max(1.0);
        NightPart {
            night: name(night),
            href: page_of(night),
            kept: span(kept_s),
            x: percent((100.0 - width) * into / self.days.max(1.0)),
            width: percent(width * 0.85),
            y: format!("{:.1}", BAR_PX + 2.0 - height),
            height: format!("{height:.1}"),
        }
    }
}

fn days(from: Date, to: Date) -> f64 {
    from.until(to)
        .map_or(0.0, |span| f64::from(span.get_days()))
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
    rows: Vec<SensorRow>,
}

struct SensorRow {
    night: String,
    href: String,
    sensor: Sensor,
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

/// What a night says of a sensor.
type Told<'a> = (&'a str, &'a SensorEntry);

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
    let mut sensors: BTreeMap<(&str, &str, String), Vec<Told<'_>>> = BTreeMap::new();
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
                .enumerate()
                .rev()
                .map(|(at, entry)| row(&entries[..at], entry))
                .collect(),
        });
    written(&SensorsPage {
        title: format!("{}, sensors", name(site)),
        site: name(site),
        home: "",
        sensors: sensors.collect(),
    })
}

/// A verdict that says what the one before it said is not told again.
fn row(before: &[Told<'_>], (night, entry): &Told<'_>) -> SensorRow {
    let mut sensor = sensor(entry);
    let last = before.last().map(|(_, last)| &last.dark_verdict);
    if last == Some(&entry.dark_verdict) && !sensor.verdict.is_empty() {
        sensor.verdict = "as before".to_owned();
    }
    SensorRow {
        night: name(night),
        href: page_of(night),
        sensor,
    }
}

/// A drawing for each value that two nights or more have.
fn trends(entries: &[Told<'_>]) -> Vec<Trend> {
    let trends = TRENDS.iter().filter_map(|&(title, unit, decimals, value)| {
        let values: Vec<(Date, f64)> = entries
            .iter()
            .filter_map(|(night, entry)| Some((night.parse().ok()?, value(entry)?)))
            .filter(|(_, value)| value.is_finite())
            .collect();
        let (&(first, _), &(last, _)) = values.first().zip(values.last())?;
        let length = days(first, last);
        if length < 1.0 {
            return None;
        }
        let plain: Vec<f64> = values.iter().map(|&(_, value)| value).collect();
        let scale = ValueAxis::new(&plain, Spread::Near(0.0), TOP_PX, BOTTOM_PX)?;
        let told = |value| number(value, decimals);
        let low = plain.iter().copied().fold(f64::INFINITY, f64::min);
        let high = plain.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let points = values.iter().map(|&(date, value)| TrendPoint {
            x: percent(2.0 + 96.0 * days(first, date) / length),
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
