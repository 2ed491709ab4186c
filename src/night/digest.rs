//! The morning digest: what a person wants to know of a night in half a minute.
//!
//! First how much was gained, then what is to be done, then what became of every file and what
//! went wrong. Long lists are cut short and say where the rest stands.
//!
//! It knows the log alone and decides nothing; how it fits a terminal is the sheet's business.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use jiff::Timestamp;

use super::sheet::{Sheet, fit, tail, tame};
use super::shoot::{SUN_CAUTION, in_order, shot};
use super::text::{counted, rounded, span};
use crate::facts::{Kind, NightState, SessionLog, Site};

/// Entries of a list before it is cut short.
const HANDFUL: usize = 5;
/// What to shoot and what was gained matter most and may take more room.
const PLENTY: usize = 12;

/// The digest of a log: plain text of at most 80 columns, safe for a terminal, ending with a line
/// end. Times of day are the site's own.
pub fn digest(log: &SessionLog, site: &Site) -> String {
    let mut sheet = Sheet::default();
    title(&mut sheet, log, site);
    integration(&mut sheet, log);
    to_shoot(&mut sheet, log);
    waiting(&mut sheet, log);
    counts(&mut sheet, log);
    masters(&mut sheet, log);
    let left_out = log
        .calibration
        .iter()
        .filter(|frame| frame.state == "left-out");
    let left_out = left_out.map(|frame| (&*frame.file, frame.reason.as_deref()));
    reasons(&mut sheet, "Left out of their masters", left_out);
    refused(&mut sheet, log);
    warnings(&mut sheet, log);
    sheet.into_text()
}

fn title(sheet: &mut Sheet, log: &SessionLog, site: &Site) {
    let state = match log.state {
        NightState::Open => "still open",
        NightState::Closed => "closed",
    };
    let night = format!("{}, night of {}", tame(&site.name), tame(&log.night));
    sheet.spread(&night, state);
    let starts = || {
        let starts = log.lights.iter();
        let starts = starts.filter_map(|light| light.start_utc.as_ref());
        starts.filter_map(|text| text.parse::<Timestamp>().ok())
    };
    let clock = |moment: Timestamp| {
        let local = moment.to_zoned_datetime(site.time_zone.clone());
        format!("{:02}:{:02}", local.hour(), local.minute())
    };
    let files = counted(log.ledger.seen, "file");
    sheet.line(&match (starts().min(), starts().max()) {
        (Some(first), Some(last)) => format!(
            "{files}, lights begun from {} to {} local time",
            clock(first),
            clock(last)
        ),
        _ => files,
    });
}

/// How many lights, and how long they are together.
#[derive(Clone, Copy, Default)]
struct Gain {
    frames: usize,
    seconds: f64,
}

impl Gain {
    fn add(&mut self, frames: usize, seconds: f64) {
        self.frames += frames;
        self.seconds += seconds;
    }

    fn cell(self) -> String {
        match self.frames {
            0 => "-".to_owned(),
            frames => format!("{} {:>11}", counted(frames, "light"), span(self.seconds)),
        }
    }
}

/// One line per target and filter, then their sum.
fn integration(sheet: &mut Sheet, log: &SessionLog) {
    // [calibrated, waiting]
    let mut gains: BTreeMap<(&str, &str), [Gain; 2]> = BTreeMap::new();
    let mut all = [Gain::default(); 2];
    for light in &log.lights {
        let side = match light.state.as_str() {
            "calibrated" => 0,
            "waiting" => 1,
            _ => continue,
        };
        let target = light.target.as_deref().unwrap_or_default();
        let gain = gains.entry((target, &light.filter)).or_default();
        gain[side].add(1, light.exposure_s);
        all[side].add(1, light.exposure_s);
    }
    if gains.is_empty() {
        return;
    }
    let row = |target: &str, filter: &str, cells: [String; 2]| {
        let (target, filter) = (fit(&tame(target), 20), fit(&tame(filter), 9));
        let [calibrated, waiting] = cells;
        format!("  {target} {filter}{calibrated:>23}{waiting:>24}")
    };
    let heads = ["calibrated", "waiting"].map(str::to_owned);
    let heads = row("", "", heads);
    // The heading shares its line with the heads of the columns.
    let heading = "Integration";
    sheet.heading(&format!("{heading}{}", &heads[heading.len()..]));
    let mut above = None;
    for (&(target, filter), sides) in gains.iter().take(PLENTY) {
        let name = match target {
            _ if above == Some(target) => "",
            "" => "no target named",
            name => name,
        };
        above = Some(target);
        sheet.line(&row(name, filter, sides.map(Gain::cell)));
    }
    more(sheet, gains.len().saturating_sub(PLENTY));
    if gains.len() > 1 {
        sheet.line(&row("together", "", all.map(Gain::cell)));
    }
}

fn to_shoot(sheet: &mut Sheet, log: &SessionLog) {
    sheet.heading("To shoot");
    if log.to_shoot.is_empty() {
        sheet.line("  nothing");
        return;
    }
    let wanted = in_order(&log.to_shoot);
    for (at, shoot) in wanted.iter().take(PLENTY).enumerate() {
        sheet.item(&shot(shoot));
        sheet.note(&shoot.why);
        let next = wanted.get(at + 1);
        if shoot.kind == Kind::Flat && next.is_none_or(|next| next.kind != Kind::Flat) {
            sheet.note(SUN_CAUTION);
        }
    }
    more(sheet, log.to_shoot.len().saturating_sub(PLENTY));
}

/// Why lights wait, the most frequent reason first.
fn waiting(sheet: &mut Sheet, log: &SessionLog) {
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

fn counts(sheet: &mut Sheet, log: &SessionLog) {
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

fn masters(sheet: &mut Sheet, log: &SessionLog) {
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
        let left_out = match master.frames_left_out {
            0 => String::new(),
            count => format!(", {count} left out"),
        };
        sheet.line(&format!(
            "  {:10}{} {}{exposure:>10}{temperature:>9}{:>6} used{left_out}",
            master.kind.word(),
            fit(&tame(&master.rig), 14),
            fit(&tame(filter), 9),
            master.frames_used,
        ));
    }
    more(sheet, log.masters.len().saturating_sub(PLENTY));
}

/// Unusable frames, then files that are none.
fn refused(sheet: &mut Sheet, log: &SessionLog) {
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

fn warnings(sheet: &mut Sheet, log: &SessionLog) {
    if log.warnings.is_empty() {
        return;
    }
    sheet.heading("Worth a look");
    for warning in log.warnings.iter().take(HANDFUL) {
        sheet.item(warning);
    }
    more(sheet, log.warnings.len().saturating_sub(HANDFUL));
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

fn more(sheet: &mut Sheet, count: usize) {
    if count > 0 {
        sheet.line(&format!("  ... and {count} more in session.yaml"));
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use proptest::prelude::*;

    use super::*;
    use crate::night::scene;
    use crate::night::sheet::{WIDTH, width};

    #[test]
    fn the_digest_of_a_full_night_reads_as_on_file() {
        let text = digest(&scene::full_log(), &scene::site());
        let wanted = include_str!("../../tests/data/night/digest.txt");
        assert_eq!(
            text, wanted,
            "\n--- now ---\n{text}--- on file ---\n{wanted}"
        );
    }

    #[test]
    fn an_empty_night_says_so() {
        let text = digest(&scene::empty_log(), &scene::site());
        assert!(text.contains("0 files"), "{text}");
        assert!(text.contains("To shoot\n  nothing\n"), "{text}");
        assert!(!text.contains("Integration"), "{text}");
    }

    #[test]
    fn long_lists_are_cut_short_and_say_so() {
        let mut log = scene::full_log();
        let entry = log.refused[0].clone();
        log.refused = vec![entry; 40];
        for (number, entry) in log.refused.iter_mut().enumerate() {
            entry.reason = format!("odd in way {number}");
        }
        let text = digest(&log, &scene::site());
        let refused = log.refused.len() + 1;
        let more = format!("... and {} more in session.yaml", refused - HANDFUL);
        assert!(text.contains(&more), "{text}");
        assert!(text.lines().count() < 80, "{text}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(128))]
        #[test]
        fn no_line_is_too_wide_and_no_control_character_gets_through(
            words in prop::collection::vec(any::<String>(), 7),
            wide in "[\u{4e00}-\u{4eff}\u{1b}\u{7}\u{202e}a ]{0,300}",
        ) {
            let mut log = scene::full_log();
            log.night = words[0].clone();
            log.lights[0].target = Some(words[1].clone());
            log.lights[0].filter = wide.clone();
            log.lights[1].target = Some(wide.clone());
            log.calibration[0].state = "left-out".to_owned();
            log.calibration[0].file = wide.clone();
            log.calibration[0].reason = Some(words[2].clone());
            log.refused[0].file = words[3].clone();
            log.refused[0].reason = wide.clone();
            log.to_shoot[0].why = words[4].clone();
            log.to_shoot[0].filter = Some(wide.clone());
            log.masters[0].rig = words[5].clone();
            log.warnings = vec![words[6].clone(), wide];
            let text = digest(&log, &scene::site());
            for line in text.lines() {
                prop_assert!(width(line) <= WIDTH, "{line:?}");
                prop_assert!(!line.chars().any(char::is_control), "{line:?}");
                prop_assert!(!line.contains('\u{202e}'), "{line:?}");
            }
        }
    }
}
