//! Every file of the night, list by list.
//!
//! A reason that several rows share is told once, as a numbered note under the list.

use std::collections::BTreeMap;

use super::mark::{Mark, Sub};
use super::morning::NightFacts;
use super::text::{
    address, cell, clock, exposure, filter_word, fraction, name, number, path, sentence,
    target_word, three_digits,
};
use crate::facts::{CalibrationEntry, LightEntry, PlainEntry};

/// Reasons, each told once.
pub(super) struct Notes {
    /// Begins the notes' anchors, so that lists do not clash.
    pub(super) list: &'static str,
    pub(super) texts: Vec<String>,
    known: BTreeMap<String, usize>,
}

impl Notes {
    pub(super) fn new(list: &'static str) -> Self {
        Self {
            list,
            texts: Vec::new(),
            known: BTreeMap::new(),
        }
    }

    /// The number of a reason, from 1.
    fn number(&mut self, reason: Option<&str>) -> Option<usize> {
        let text = sentence(reason?);
        let next = self.texts.len() + 1;
        let number = *self.known.entry(text.clone()).or_insert(next);
        if number == next {
            self.texts.push(text);
        }
        Some(number)
    }
}

/// The folder that all files of a list lie in: told once, above the list.
pub(super) fn shared_folder<'a>(mut files: impl Iterator<Item = &'a str>) -> &'a str {
    let mut shared = files.next().map_or("", folder);
    for file in files {
        while !file.starts_with(shared) {
            shared = folder(shared.trim_end_matches('/'));
        }
    }
    shared
}

/// A path's folder with its slash; nothing where it has none.
fn folder(path: &str) -> &str {
    path.rfind('/').map_or("", |at| &path[..=at])
}

/// What follows its folder.
fn file_name(path: &str) -> &str {
    &path[folder(path).len()..]
}

/// One light.
pub(super) struct LightRow {
    pub(super) at: usize,
    pub(super) mark: Mark,
    pub(super) time: String,
    pub(super) target: String,
    pub(super) filter: String,
    pub(super) exposure: String,
    pub(super) findings: Vec<String>,
    pub(super) note: Option<usize>,
    pub(super) fwhm: String,
    pub(super) elongation: String,
    pub(super) background: String,
    pub(super) stars: String,
    pub(super) transparency: String,
    pub(super) shift: String,
    pub(super) airmass: String,
    pub(super) temperature: String,
    pub(super) trails: String,
    /// Kind and row of each master.
    pub(super) masters: Vec<(&'static str, usize)>,
    /// Its name alone, or its path below the shared folder where another light has the same name.
    pub(super) file: String,
    pub(super) path: String,
    /// Empty where there is no product.
    pub(super) href: String,
}

pub(super) fn lights(
    subs: &[Sub<'_>],
    rows: &BTreeMap<&str, usize>,
    facts: &NightFacts,
    notes: &mut Notes,
) -> Vec<LightRow> {
    let arcseconds = has_arcseconds(subs);
    let shared = shared_folder(subs.iter().map(|sub| &*sub.light.file)).len();
    let mut names: BTreeMap<&str, usize> = BTreeMap::new();
    for sub in subs {
        *names.entry(file_name(&sub.light.file)).or_default() += 1;
    }
    let row = |sub: &Sub<'_>| LightRow {
        file: path(match file_name(&sub.light.file) {
            only if names.get(only) == Some(&1) => only,
            _ => &sub.light.file[shared..],
        }),
        ..light(sub, arcseconds, rows, facts, notes)
    };
    subs.iter().map(row).collect()
}

/// Are widths told in arcseconds? Only where every measured light has them.
pub(super) fn has_arcseconds(subs: &[Sub<'_>]) -> bool {
    let measured = subs.iter().filter_map(|sub| sub.light.measures);
    let mut widths = measured.filter(|measures| measures.fwhm_px.is_some());
    widths.all(|measures| measures.fwhm_arcsec.is_some())
}

fn light(
    sub: &Sub<'_>,
    arcseconds: bool,
    rows: &BTreeMap<&str, usize>,
    facts: &NightFacts,
    notes: &mut Notes,
) -> LightRow {
    let light = sub.light;
    let measures = light.measures;
    let used = &light.masters;
    let masters = [
        ("bias", &used.bias),
        ("dark", &used.dark),
        ("flat", &used.flat),
    ];
    let masters = masters.into_iter().filter_map(|(kind, product)| {
        let row = rows.get(product.as_deref()?)?;
        Some((kind, *row))
    });
    let fwhm = measures.and_then(|m| if arcseconds { m.fwhm_arcsec } else { m.fwhm_px });
    LightRow {
        at: sub.at,
        mark: sub.mark,
        time: sub
            .start
            .map_or(String::new(), |at| clock(at, &facts.time_zone)),
        target: target_word(light.target.as_deref().unwrap_or_default()),
        filter: filter_word(&light.filter),
        exposure: exposure(light.exposure_s),
        findings: findings(light),
        note: notes.number(light.reason.as_deref()),
        fwhm: cell(fwhm, 2),
        elongation: cell(measures.and_then(|m| m.elongation), 2),
        background: cell(measures.map(|m| m.background_adu), 0),
        stars: cell(measures.and_then(|m| m.stars).map(f64::from), 0),
        transparency: cell(measures.and_then(|m| m.transparency), 2),
        shift: cell(measures.and_then(|m| m.shift_arcsec), 1),
        airmass: cell(measures.and_then(|m| m.airmass), 2),
        temperature: cell(light.temperature_c, 1),
        trails: trails(light),
        masters: masters.collect(),
        file: String::new(),
        path: path(&light.file),
        href: light.product.as_deref().map_or(String::new(), address),
    }
}

/// Every rule it fails: what was measured, the limit, how far beyond.
fn findings(light: &LightEntry) -> Vec<String> {
    let findings = light.findings.iter();
    let mut told: Vec<String> = findings
        .map(|finding| {
            let (what, unit) = finding.measure();
            let beyond = finding.beyond_sd.map_or(String::new(), |sd| {
                format!(", {} sd from its group", number(sd.abs(), 1))
            });
            format!(
                "{}: {what} {}{unit}, limit {}{unit}{beyond}",
                finding.reason.word(),
                three_digits(finding.value),
                three_digits(finding.limit),
            )
        })
        .collect();
    let bare = light.set_aside_for.iter().filter(|&&reason| {
        !light
            .findings
            .iter()
            .any(|finding| finding.reason == reason)
    });
    told.extend(bare.map(|&reason| reason.word().to_owned()));
    told
}

fn trails(light: &LightEntry) -> String {
    let told = light.trails.iter().map(|trail| {
        let (length, angle) = (f64::from(trail.length_px), f64::from(trail.angle_deg));
        format!(
            "trail of {} px at {}\u{b0}",
            number(length, 0),
            number(angle, 0)
        )
    });
    let told: Vec<String> = told.take(4).collect();
    told.join(", ")
}

/// One calibration frame.
pub(super) struct CalibrationRow {
    pub(super) time: String,
    pub(super) kind: &'static str,
    pub(super) rig: String,
    pub(super) state: String,
    pub(super) note: Option<usize>,
    pub(super) master: Option<usize>,
    pub(super) rejected: String,
    pub(super) file: String,
}

pub(super) fn calibration(
    frames: &[CalibrationEntry],
    rows: &BTreeMap<&str, usize>,
    facts: &NightFacts,
    notes: &mut Notes,
) -> Vec<CalibrationRow> {
    let shared = shared_folder(frames.iter().map(|frame| &*frame.file)).len();
    let row = |frame: &CalibrationEntry| {
        let start = frame.start_utc.as_ref().and_then(|text| text.parse().ok());
        let rejected = frame
            .rejected_low_fraction
            .zip(frame.rejected_high_fraction);
        let master = frame.master.as_deref();
        CalibrationRow {
            time: start.map_or(String::new(), |at| clock(at, &facts.time_zone)),
            kind: frame.kind.word(),
            rig: name(&frame.rig),
            state: name(&frame.state),
            note: notes.number(frame.reason.as_deref()),
            master: master.and_then(|product| rows.get(product).copied()),
            rejected: rejected.map_or(String::new(), |(low, high)| fraction(low + high)),
            file: path(&frame.file[shared..]),
        }
    };
    frames.iter().map(row).collect()
}

/// Files outside the lights and calibration frames that share a reason.
pub(super) struct PlainGroup {
    pub(super) reason: String,
    /// Each file with its watch folder, in the log's order.
    pub(super) files: Vec<(String, String)>,
}

/// By reason, in the order of the first file of each.
pub(super) fn plain(entries: &[PlainEntry]) -> Vec<PlainGroup> {
    let mut groups: Vec<PlainGroup> = Vec::new();
    let mut known: BTreeMap<&str, usize> = BTreeMap::new();
    for entry in entries {
        let at = *known.entry(&entry.reason).or_insert(groups.len());
        if at == groups.len() {
            groups.push(PlainGroup {
                reason: sentence(&entry.reason),
                files: Vec::new(),
            });
        }
        groups[at]
            .files
            .push((path(&entry.file), name(&entry.watch)));
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shared_folder_is_told_once() {
        let shared = |files: &[&'static str]| shared_folder(files.iter().copied());
        assert_eq!(shared(&["a/b/1.fits", "a/b/2.fits"]), "a/b/");
        assert_eq!(shared(&["a/b/1.fits", "a/bc/1.fits", "a/2.fits"]), "a/");
        assert_eq!(shared(&["a/1.fits", "2.fits"]), "");
        assert_eq!(shared(&["/", "//x"]), "/");
        assert_eq!(shared(&[]), "");
    }

    #[test]
    fn a_reason_is_one_note_however_often_it_is_given() {
        let mut notes = Notes::new("l");
        let numbers = [Some("dim"), None, Some("late"), Some("dim")].map(|why| notes.number(why));
        assert_eq!(numbers, [Some(1), None, Some(2), Some(1)]);
        assert_eq!(notes.texts, ["dim", "late"]);
    }
}
