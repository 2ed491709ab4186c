//! The list of all targets: what each night gave them, what is wanted of them, what is missing.

use std::collections::BTreeMap;

use askama::Template;
use jiff::civil::Date;

use super::axis::percent;
use super::morning::written;
use super::text::{days, filter_word, name, number, page_of, target_word};
use crate::facts::{FilterHours, Goal, NightSummary, TargetEntry, Targets};
use crate::night::{counted, span};

#[derive(Template)]
#[template(path = "targets.html", config = "src/page/askama.toml")]
struct TargetsPage {
    title: String,
    site: String,
    home: &'static str,
    total: String,
    /// The first and the last night, between which the bars stand; of one alone the last is empty.
    first: String,
    last: String,
    targets: Vec<Target>,
}

struct Target {
    name: String,
    kept: String,
    has_goals: bool,
    filters: Vec<FilterRow>,
}

struct FilterRow {
    filter: String,
    rigs: String,
    kept: String,
    /// Per cent of the goal, where there is one that can be told.
    share: Option<String>,
    wanted: String,
    /// Of which signal a ratio is wanted, and what it has come to.
    signal: String,
    so_far: String,
    missing: String,
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

/// What each night gave to a target through a filter, and the rigs that took part.
#[derive(Default)]
struct Collected<'a> {
    rigs: Vec<&'a str>,
    nights: BTreeMap<&'a str, f64>,
}

/// By target and filter.
type Gifts<'a> = BTreeMap<(&'a str, &'a str), Collected<'a>>;

/// Every target with what all nights gave it, beside its goals, by name, to lie at `targets.html` in
/// the output folder. `list` adds the same nights up. A target is known by its spelling alone.
pub fn targets(nights: &[NightSummary], list: &Targets, site: &str) -> String {
    let mut gifts = Gifts::new();
    let mut nights: Vec<&NightSummary> = nights.iter().collect();
    nights.sort_by(|a, b| a.night.cmp(&b.night));
    for night in &nights {
        for part in &night.integrations {
            let collected = gifts.entry((&part.target, &part.filter)).or_default();
            if !collected.rigs.contains(&&*part.rig) {
                collected.rigs.push(&part.rig);
            }
            *collected.nights.entry(&night.night).or_default() += part.kept_s;
        }
    }
    let bars = Bars::new(&nights, &gifts);
    let target = |entry: &TargetEntry| {
        let row = |hours: &FilterHours| row(entry, hours, &gifts, &bars);
        let kept_s = entry.filters.iter().map(|hours| 3600.0 * hours.hours_kept);
        Target {
            name: target_word(&entry.target),
            kept: span(kept_s.sum()),
            has_goals: !entry.goals.is_empty(),
            filters: entry.filters.iter().map(row).collect(),
        }
    };
    let end = |night: Option<&&NightSummary>| night.map_or(String::new(), |n| name(&n.night));
    let last = nights.last().filter(|_| bars.days > 0.0);
    written(&TargetsPage {
        title: format!("{}, targets", name(site)),
        site: name(site),
        home: "",
        total: counted(list.targets.len(), "target"),
        first: end(nights.first()),
        last: end(last),
        targets: list.targets.iter().map(target).collect(),
    })
}

fn row(entry: &TargetEntry, hours: &FilterHours, gifts: &Gifts<'_>, bars: &Bars) -> FilterRow {
    let given = gifts.get(&(&*entry.target, &*hours.filter));
    let rigs = given.map_or(Vec::new(), |given| {
        given.rigs.iter().map(|rig| name(rig)).collect()
    });
    let goal = entry.goals.get(&hours.filter);
    let kept_s = 3600.0 * hours.hours_kept;
    let left_s = hours.hours_left.map(|hours| 3600.0 * hours);
    FilterRow {
        filter: filter_word(&hours.filter),
        rigs: rigs.join(", "),
        kept: match hours.kept {
            0 => "none".to_owned(),
            _ => span(kept_s),
        },
        share: left_s.map(|left| percent(100.0 * kept_s / (kept_s + left).max(1.0))),
        wanted: match goal {
            None => String::new(),
            Some(Goal::Hours(hours)) => span(3600.0 * hours),
            Some(Goal::SignalToNoise(goal)) => format!("S/N {}", goal.signal_to_noise),
        },
        signal: match goal {
            Some(Goal::SignalToNoise(goal)) => format!("at {} e-/s", goal.signal_e_per_s),
            _ => String::new(),
        },
        so_far: hours.signal_to_noise.map_or(String::new(), |ratio| {
            format!("{} so far", number(ratio, 1))
        }),
        missing: match (goal, left_s) {
            (None, _) => String::new(),
            (Some(_), None) => "not known".to_owned(),
            (Some(_), Some(0.0)) => "nothing".to_owned(),
            (Some(_), Some(left)) => span(left),
        },
        frames: match hours.frames {
            0 => String::new(),
            frames => format!("{} of {frames}", hours.kept),
        },
        nights: given.map_or(Vec::new(), |given| {
            let nights = given.nights.iter();
            nights
                .map(|(night, kept_s)| bars.bar(night, *kept_s))
                .collect()
        }),
    }
}

/// How nights become bars: all of a page to one scale.
struct Bars {
    first: Option<Date>,
    days: f64,
    longest: f64,
}

impl Bars {
    fn new(nights: &[&NightSummary], gifts: &Gifts<'_>) -> Self {
        let date = |night: Option<&&NightSummary>| night?.night.parse::<Date>().ok();
        let (first, last) = (date(nights.first()), date(nights.last()));
        let parts = gifts.values();
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
