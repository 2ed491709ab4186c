//! The list of all nights.

use askama::Template;

use super::axis::percent;
use super::morning::written;
use super::text::{name, night_words, number, page_of};
use crate::facts::{Conditions, NightState, NightSummary};
use crate::night::{counted, span};

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
