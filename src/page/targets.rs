//! The list of all targets, with what each night gave them.

use std::collections::BTreeMap;

use askama::Template;
use jiff::civil::Date;

use super::axis::percent;
use super::morning::written;
use super::text::{days, filter_word, name, page_of, target_word};
use crate::facts::NightSummary;
use crate::night::{counted, span};

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
