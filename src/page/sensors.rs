//! The sensors over all nights.

use std::collections::BTreeMap;

use askama::Template;
use jiff::civil::Date;

use super::account::{Sensor, sensor};
use super::axis::{Spread, ValueAxis, percent};
use super::morning::written;
use super::text::{days, name, number, page_of};
use crate::combine::median;
use crate::facts::{NightSummary, SensorEntry};

const TOP_PX: f64 = 16.0;
const BOTTOM_PX: f64 = 92.0;

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

const TRENDS: [(&str, &str, usize, ValueOf); 6] = [
    ("Gain", "electrons per ADU", 3, |entry| entry.gain_e_per_adu),
    ("Read noise", "electrons", 2, |entry| entry.read_noise_e),
    ("Linearity", "% off the line", 2, |entry| {
        entry.linearity.map(|part| 100.0 * part)
    }),
    ("Dark current", "electrons per second", 4, |entry| {
        entry.dark_current_e_per_s
    }),
    ("Glow", "electrons per second", 4, |entry| {
        entry.glow_e_per_s
    }),
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
                .map(|(at, entry)| row(&entries[at + 1..], entry))
                .collect(),
        });
    written(&SensorsPage {
        title: format!("{}, sensors", name(site)),
        site: name(site),
        home: "",
        sensors: sensors.collect(),
    })
}

/// A verdict that says what the next night's says, which stands above it, is not told again.
fn row(after: &[Told<'_>], (night, entry): &Told<'_>) -> SensorRow {
    let mut sensor = sensor(entry);
    let next = after.first().map(|(_, next)| &next.dark_verdict);
    if next == Some(&entry.dark_verdict) && !sensor.verdict.is_empty() {
        sensor.verdict = "the same".to_owned();
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
        // A steady value is to look steady.
        let middle = median(&mut plain.clone()).map_or(0.0, f64::abs);
        let scale = ValueAxis::new(&plain, Spread::Near(0.1 * middle), TOP_PX, BOTTOM_PX)?;
        let told = |value| number(value, decimals);
        let low = plain.iter().copied().fold(f64::INFINITY, f64::min);
        let high = plain.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let points = values.iter().map(|&(date, value)| TrendPoint {
            x: percent(12.0 + 86.0 * days(first, date) / length),
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
