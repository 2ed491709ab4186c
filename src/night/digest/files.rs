//! What became of the files: those that wait, that went into masters, that could not be used.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use super::{HANDFUL, PLENTY, more};
use crate::facts::SessionLog;
use crate::night::sheet::{Sheet, fit, tail, tame};
use crate::night::text::{counted, rounded};

/// Why lights wait, the most frequent reason first.
pub(super) fn waiting(sheet: &mut Sheet, log: &SessionLog) {
    let mut waits: BTreeMap<&str, usize> = BTreeMap::new();
    for light in log.lights.iter().filter(|light| light.state == "waiting") {
        let reason = light.reason.as_deref().unwrap_or("no reason on file");
        *waits.entry(reason).or_default() += 1;
    }
    if waits.is_empty() {
        return;
    }
    let mut waits: Vec<(&str, usize)> = waits.into_iter().collect();
    waits.sort_by_key(|&(reason, count)| (Reverse(count), reason));
    sheet.heading("Waiting");
    for (reason, count) in waits.iter().take(HANDFUL) {
        sheet.item(&format!("{}: {reason}", counted(*count, "light")));
    }
    more(sheet, waits.len().saturating_sub(HANDFUL));
}

pub(super) fn counts(sheet: &mut Sheet, log: &SessionLog) {
    fn tally<'a>(states: &[&str], all: impl Iterator<Item = &'a String> + Clone) -> String {
        let parts: Vec<String> = states
            .iter()
            .filter_map(|state| {
                let count = all.clone().filter(|word| word == state).count();
                (count > 0).then(|| format!("{count} {state}"))
            })
            .collect();
        parts.join(", ")
    }
    sheet.heading("Every file");
    let lights = log.lights.iter().map(|light| &light.state);
    let frames = log.calibration.iter().map(|frame| &frame.state);
    let lights = tally(&["calibrated", "waiting", "refused"], lights);
    let frames = tally(&["used", "left-out", "waiting", "spare", "refused"], frames);
    for (name, count, states) in [
        ("lights", log.ledger.lights, &*lights),
        ("calibration", log.ledger.calibration, &*frames),
        ("refused", log.ledger.refused, "not recognised"),
        ("ignored", log.ledger.ignored, "left alone"),
    ] {
        let states = if count == 0 { "" } else { states };
        sheet.line(&format!("  {name:11}{count:>6}   {states}"));
    }
}

pub(super) fn masters(sheet: &mut Sheet, log: &SessionLog) {
    if log.masters.is_empty() {
        return;
    }
    sheet.heading("Masters built or used");
    for master in log.masters.iter().take(PLENTY) {
        let filter = master.filter.as_deref().unwrap_or_default();
        let exposure = format!("{} s", rounded(master.exposure_s, 6));
        let temperature = master
            .temperature_c
            .map_or(String::new(), |t| format!("{t} C"));
        let used = match master.frames_used {
            Some(count) => format!("{count:>6} used"),
            None => "  supplied".to_owned(),
        };
        let left_out = match master.frames_left_out {
            None | Some(0) => String::new(),
            Some(count) => format!(", {count} left out"),
        };
        sheet.line(&format!(
            "  {:10}{} {}{exposure:>10}{temperature:>9}{used}{left_out}",
            master.kind.word(),
            fit(&tame(&master.rig), 14),
            fit(&tame(filter), 9),
        ));
    }
    more(sheet, log.masters.len().saturating_sub(PLENTY));
}

/// What no master was made of.
pub(super) fn left_out(sheet: &mut Sheet, log: &SessionLog) {
    let left_out = log
        .calibration
        .iter()
        .filter(|frame| frame.state == "left-out");
    let left_out = left_out.map(|frame| (&*frame.file, frame.reason.as_deref()));
    reasons(sheet, "Left out of their masters", left_out);
}

/// Unusable frames, then files that are none.
pub(super) fn refused(sheet: &mut Sheet, log: &SessionLog) {
    let lights = log.lights.iter().filter(|light| light.state == "refused");
    let lights = lights.map(|light| (&*light.file, light.reason.as_deref()));
    let frames = log
        .calibration
        .iter()
        .filter(|frame| frame.state == "refused");
    let frames = frames.map(|frame| (&*frame.file, frame.reason.as_deref()));
    let others = log.refused.iter();
    let others = others.map(|entry| (&*entry.file, Some(&*entry.reason)));
    reasons(sheet, "Refused", lights.chain(frames).chain(others));
}

/// Files with reasons; files that share a reason share an entry.
fn reasons<'a>(
    sheet: &mut Sheet,
    heading: &str,
    entries: impl Iterator<Item = (&'a str, Option<&'a str>)>,
) {
    let mut groups: Vec<(&str, &str, usize)> = Vec::new();
    let mut place: BTreeMap<&str, usize> = BTreeMap::new();
    for (file, reason) in entries {
        let reason = reason.unwrap_or("no reason on file");
        let at = *place.entry(reason).or_insert(groups.len());
        match groups.get_mut(at) {
            Some((_, _, count)) => *count += 1,
            None => groups.push((file, reason, 1)),
        }
    }
    if groups.is_empty() {
        return;
    }
    sheet.heading(heading);
    for &(file, reason, count) in groups.iter().take(HANDFUL) {
        let others = match count {
            1 => String::new(),
            count => format!(" and {} more", count - 1),
        };
        let file = tail(&tame(file), 60);
        sheet.item(&format!("{file}{others}: {reason}"));
    }
    let rest = groups.iter().skip(HANDFUL).map(|(_, _, count)| count);
    more(sheet, rest.sum());
}
