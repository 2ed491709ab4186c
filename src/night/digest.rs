//! The morning digest: what a person wants to know of a night in half a minute.
//!
//! Plain text, at most 80 columns, safe for a terminal whatever files and headers are called.
//! First how much was gained, then what is to be done, then what went wrong. Long lists are cut
//! short and say where the rest stands.
//!
//! It knows the log alone and decides nothing.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::text::{columns, counted, tame, width};
use crate::facts::{
    CalibrationEntry, Kind, LightEntry, MasterEntry, NightState, SessionLog, ShootEntry, Site,
};

const WIDTH: usize = 80;
/// Entries of a list before it is cut short.
const HANDFUL: usize = 5;
/// What to shoot and what was gained matter most and may take more room.
const PLENTY: usize = 12;
/// Lines of one entry before it is cut short.
const LINES: usize = 3;

/// The digest of a log, ending with a line end. Times of day are the site's own.
pub fn digest(log: &SessionLog, site: &Site) -> String {
    let mut page = Page::default();
    title(&mut page, log, site);
    integration(&mut page, log);
    counts(&mut page, log);
    to_shoot(&mut page, log);
    masters(&mut page, log);
    left_out(&mut page, log);
    refused(&mut page, log);
    warnings(&mut page, log);
    page.text
}

fn title(page: &mut Page, log: &SessionLog, site: &Site) {
    let state = match log.state {
        NightState::Open => "still open",
        NightState::Closed => "closed",
    };
    let night = format!("{}, night of {}", tame(&site.name), tame(&log.night));
    page.spread(&night, state);
    let starts: Vec<Timestamp> = log
        .lights
        .iter()
        .filter_map(|light| light.start_utc.as_ref()?.parse().ok())
        .collect();
    let clock = |moment: Timestamp| {
        let local = moment.to_zoned_datetime(site.time_zone.clone());
        format!("{:02}:{:02}", local.hour(), local.minute())
    };
    let lights = match (starts.iter().min(), starts.iter().max()) {
        (Some(&first), Some(&last)) => {
            format!(
                ", lights begun from {} to {} local time",
                clock(first),
                clock(last)
            )
        }
        _ => String::new(),
    };
    page.line(&format!(
        "{} seen{lights}",
        counted(log.ledger.seen, "file")
    ));
}

/// Lights of one target through one filter.
#[derive(Default)]
struct Gain {
    calibrated: (usize, f64),
    waiting: (usize, f64),
}

fn integration(page: &mut Page, log: &SessionLog) {
    let mut gains: BTreeMap<(&str, &str), Gain> = BTreeMap::new();
    for light in &log.lights {
        let target = light.target.as_deref().unwrap_or_default();
        let gain = gains.entry((target, &light.filter)).or_default();
        let side = match light.state.as_str() {
            "calibrated" => &mut gain.calibrated,
            "waiting" => &mut gain.waiting,
            _ => continue,
        };
        side.0 += 1;
        side.1 += light.exposure_s;
    }
    gains.retain(|_, gain| gain.calibrated.0 + gain.waiting.0 > 0);
    if gains.is_empty() {
        return;
    }
    page.heading("Integration");
    page.line(&format!("{:31}{:>22}{:>23}", "", "calibrated", "waiting"));
    let side = |(frames, seconds): (usize, f64)| match frames {
        0 => "-".to_owned(),
        frames => format!("{} x {:>13}", frames, span(seconds)),
    };
    let mut last = None;
    for ((target, filter), gain) in gains.iter().take(PLENTY) {
        let shown = match *target {
            _ if last == Some(*target) => String::new(),
            "" => "no target named".to_owned(),
            name => tame(name),
        };
        last = Some(*target);
        page.line(&format!(
            "{}  {}{:>21}{:>23}",
            fit(&shown, 20),
            fit(&tame(filter), 10),
            side(gain.calibrated),
            side(gain.waiting),
        ));
    }
    page.more(gains.len().saturating_sub(PLENTY));
}

fn counts(page: &mut Page, log: &SessionLog) {
    let tally = |states: &[&str], all: &[&str]| {
        let parts: Vec<String> = states
            .iter()
            .filter_map(|state| {
                let count = all.iter().filter(|word| *word == state).count();
                (count > 0).then(|| format!("{count} {state}"))
            })
            .collect();
        if parts.is_empty() {
            "none".to_owned()
        } else {
            parts.join(", ")
        }
    };
    let lights: Vec<&str> = log.lights.iter().map(|l| l.state.as_str()).collect();
    let frames: Vec<&str> = log.calibration.iter().map(|c| c.state.as_str()).collect();
    page.heading("Every file");
    let states = tally(&["calibrated", "waiting", "refused"], &lights);
    page.pair("lights", log.ledger.lights, &states);
    let states = tally(
        &["used", "left-out", "waiting", "spare", "refused"],
        &frames,
    );
    page.pair("calibration", log.ledger.calibration, &states);
    page.pair("refused", log.ledger.refused, "");
    page.pair("ignored", log.ledger.ignored, "");

    let mut waits: BTreeMap<&str, usize> = BTreeMap::new();
    for light in log.lights.iter().filter(|light| light.state == "waiting") {
        *waits
            .entry(light.reason.as_deref().unwrap_or_default())
            .or_default() += 1;
    }
    if waits.is_empty() {
        return;
    }
    let mut waits: Vec<(&str, usize)> = waits.into_iter().collect();
    waits.sort_by_key(|&(reason, count)| (std::cmp::Reverse(count), reason));
    page.heading("Waiting");
    for (reason, count) in waits.iter().take(HANDFUL) {
        page.item(&format!("{}: {reason}", counted(*count, "light")));
    }
    page.more(waits.len().saturating_sub(HANDFUL));
}

/// Flats first: they belong to the optical train as it stands this morning, the others keep.
fn to_shoot(page: &mut Page, log: &SessionLog) {
    page.heading("To shoot");
    if log.to_shoot.is_empty() {
        page.line("  nothing");
        return;
    }
    let mut wanted: Vec<&ShootEntry> = log.to_shoot.iter().collect();
    wanted.sort_by_key(|shoot| match shoot.kind {
        Kind::Flat => 0,
        Kind::FlatDark => 1,
        Kind::Dark => 2,
        Kind::Bias | Kind::Light => 3,
    });
    for shoot in wanted.iter().take(PLENTY) {
        let mut parts = vec![counted(shoot.count, shoot.kind.word())];
        if shoot.kind == Kind::Bias {
            parts = vec![format!("{} bias", shoot.count)];
        }
        parts.extend(
            shoot
                .filter
                .as_ref()
                .map(|filter| format!("through {filter}")),
        );
        parts.extend(shoot.exposure_s.map(|exposure| format!("{exposure} s")));
        parts.extend(shoot.temperature_c.map(|t| format!("at {t} C")));
        parts.extend(shoot.gain.map(|gain| format!("gain {gain}")));
        parts.extend(shoot.offset.map(|offset| format!("offset {offset}")));
        parts.extend(
            shoot
                .rotator_deg
                .map(|angle| format!("rotator {angle} deg")),
        );
        page.item(&format!("{}: {}", shoot.rig, parts.join(", ")));
        page.note(&shoot.why);
    }
    page.more(wanted.len().saturating_sub(PLENTY));
    if wanted.iter().any(|shoot| shoot.kind == Kind::Flat) {
        page.line("  Twilight flats: never point unfiltered optics at the Sun.");
    }
}

fn masters(page: &mut Page, log: &SessionLog) {
    if log.masters.is_empty() {
        return;
    }
    page.heading("Masters built or used");
    for master in log.masters.iter().take(PLENTY) {
        let MasterEntry {
            kind, rig, filter, ..
        } = master;
        let mut what = vec![tame(rig)];
        what.extend(filter.as_deref().map(tame));
        what.push(format!("{} s", master.exposure_s));
        what.extend(master.temperature_c.map(|t| format!("{t} C")));
        let left_out = match master.frames_left_out {
            0 => String::new(),
            count => format!(", {count} left out"),
        };
        page.line(&format!(
            "  {:11}{}{:>4} used{left_out}",
            kind.word(),
            fit(&what.join("  "), 40),
            master.frames_used,
        ));
    }
    page.more(log.masters.len().saturating_sub(PLENTY));
}

fn left_out(page: &mut Page, log: &SessionLog) {
    let left_out: Vec<&CalibrationEntry> = log
        .calibration
        .iter()
        .filter(|frame| frame.state == "left-out")
        .collect();
    page.reasons(
        "Left out of their masters",
        left_out
            .iter()
            .map(|frame| (&*frame.file, frame.reason.as_deref())),
    );
}

fn refused(page: &mut Page, log: &SessionLog) {
    let is_refused = |light: &&LightEntry| light.state == "refused";
    let lights = log.lights.iter().filter(is_refused);
    let lights = lights.map(|light| (&*light.file, light.reason.as_deref()));
    let frames = log
        .calibration
        .iter()
        .filter(|frame| frame.state == "refused");
    let frames = frames.map(|frame| (&*frame.file, frame.reason.as_deref()));
    let others = log.refused.iter();
    let others = others.map(|entry| (&*entry.file, Some(&*entry.reason)));
    page.reasons("Refused", lights.chain(frames).chain(others));
}

fn warnings(page: &mut Page, log: &SessionLog) {
    if log.warnings.is_empty() {
        return;
    }
    page.heading("Worth a look");
    for warning in log.warnings.iter().take(HANDFUL + 1) {
        page.item(warning);
    }
    page.more(log.warnings.len().saturating_sub(HANDFUL + 1));
}

/// Text that grows line by line and never wider than [`WIDTH`].
#[derive(Default)]
struct Page {
    text: String,
}

impl Page {
    fn line(&mut self, line: &str) {
        self.text.push_str(&cut(line.trim_end(), WIDTH));
        self.text.push('\n');
    }

    /// One text at each end of a line.
    fn spread(&mut self, left: &str, right: &str) {
        let room = WIDTH - width(right) - 2;
        self.line(&format!("{}  {right}", fit(left, room)));
    }

    fn heading(&mut self, heading: &str) {
        self.text.push('\n');
        self.line(heading);
    }

    fn pair(&mut self, name: &str, count: usize, states: &str) {
        let states = match (count, states) {
            (0, _) | (_, "") => String::new(),
            (_, states) => format!("   {states}"),
        };
        self.line(&format!("  {name:11}{count:>6}{states}"));
    }

    fn item(&mut self, text: &str) {
        self.wrapped(text, 2, 6);
    }

    fn note(&mut self, text: &str) {
        self.wrapped(text, 6, 6);
    }

    /// Wraps foreign text between its indents and the right edge, over at most [`LINES`] lines.
    fn wrapped(&mut self, text: &str, first: usize, rest: usize) {
        let mut lines = wrap(&tame(text), WIDTH - first, WIDTH - rest);
        if lines.len() > LINES {
            lines.truncate(LINES);
            if let Some(last) = lines.last_mut() {
                *last = format!("{}...", cut(last, WIDTH - rest - 3));
            }
        }
        for (at, line) in lines.iter().enumerate() {
            let indent = if at == 0 { first } else { rest };
            self.line(&format!("{:indent$}{line}", ""));
        }
    }

    fn reasons<'a>(
        &mut self,
        heading: &str,
        entries: impl Iterator<Item = (&'a str, Option<&'a str>)>,
    ) {
        let entries: Vec<_> = entries.collect();
        if entries.is_empty() {
            return;
        }
        self.heading(heading);
        for (file, reason) in entries.iter().take(HANDFUL) {
            let file = tail(&tame(file), 60);
            self.item(&format!(
                "{file}: {}",
                reason.unwrap_or("no reason on file")
            ));
        }
        self.more(entries.len().saturating_sub(HANDFUL));
    }

    fn more(&mut self, count: usize) {
        if count > 0 {
            self.line(&format!("  ... and {count} more in session.yaml"));
        }
    }
}

/// Hours and minutes, as people add them up.
fn span(seconds: f64) -> String {
    if seconds < 60.0 {
        return format!("{seconds:.0} s");
    }
    let minutes = (seconds / 60.0).round() as u64;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

/// Cut or padded to exactly so many columns.
fn fit(text: &str, room: usize) -> String {
    let text = if width(text) > room {
        format!("{}...", cut(text, room.saturating_sub(3)))
    } else {
        text.to_owned()
    };
    let pad = room.saturating_sub(width(&text));
    format!("{text}{:pad$}", "")
}

/// The longest beginning that fits.
fn cut(text: &str, room: usize) -> String {
    let mut used = 0;
    text.chars()
        .take_while(|&c| {
            used += columns(c);
            used <= room
        })
        .collect()
}

/// The longest end that fits, since a path's end tells more than its beginning.
fn tail(text: &str, room: usize) -> String {
    if width(text) <= room {
        return text.to_owned();
    }
    let mut used = 3;
    let kept: Vec<char> = text
        .chars()
        .rev()
        .take_while(|&c| {
            used += columns(c);
            used <= room
        })
        .collect();
    format!("...{}", kept.into_iter().rev().collect::<String>())
}

/// Breaks at spaces; a word wider than a line is broken where it must.
fn wrap(text: &str, first: usize, rest: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ') {
        let mut word = word.to_owned();
        loop {
            let room = if lines.is_empty() { first } else { rest };
            let gap = usize::from(!line.is_empty());
            if width(&line) + gap + width(&word) <= room {
                if gap > 0 {
                    line.push(' ');
                }
                line.push_str(&word);
                break;
            }
            if line.is_empty() {
                let head = cut(&word, room);
                word = word[head.len()..].to_owned();
                lines.push(head);
            } else {
                lines.push(std::mem::take(&mut line));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use proptest::prelude::*;

    use super::*;
    use crate::night::scene;

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
        assert!(text.contains("0 files seen"), "{text}");
        assert!(text.contains("To shoot\n  nothing\n"), "{text}");
        assert!(!text.contains("Integration"), "{text}");
    }

    #[test]
    fn spans_are_written_as_people_add_them_up() {
        assert_eq!(span(45.0), "45 s");
        assert_eq!(span(2400.0), "40 min");
        assert_eq!(span(12_000.0), "3 h 20 min");
        assert_eq!(span(3599.0), "1 h 00 min");
    }

    #[test]
    fn long_lists_are_cut_short_and_say_so() {
        let mut log = scene::full_log();
        let entry = log.refused[0].clone();
        log.refused = vec![entry; 40];
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
