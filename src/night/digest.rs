//! The morning digest: what a person wants to know of a night in half a minute.
//!
//! First how much was gained, then what is to be done, what was lost and what is odd, then what became
//! of every file. Long lists are cut short and say where the rest stands.
//!
//! It knows the log and what stands beside it, and decides nothing; how it fits a terminal is the sheet's business.

mod files;
mod gain;
mod sky;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::sensors::in_brief;
use super::sheet::{Sheet, tame};
use super::shoot::{SUN_CAUTION, in_order, shot};
use super::text::{bytes, clock, counted};
use crate::facts::{Kind, LightEntry, NightState, SessionLog, Site, Space, Targets};

/// Entries of a list before it is cut short.
const HANDFUL: usize = 5;
/// What to shoot and what was gained matter most and may take more room.
const PLENTY: usize = 12;

/// What a digest tells beside its night's log: it changes when the log does not.
#[derive(Clone, Debug, Default)]
pub struct Beside {
    /// All nights together.
    pub targets: Option<Targets>,
    /// Room on the disks.
    pub spaces: Vec<Space>,
    /// Bytes of the night's own products.
    pub night_bytes: u64,
}

/// The digest of a log: plain text of at most 80 columns, safe for a terminal, ending with a line
/// end. Times of day are the site's own.
pub fn digest(log: &SessionLog, site: &Site, beside: &Beside) -> String {
    let mut sheet = Sheet::default();
    title(&mut sheet, log, site);
    gain::integration(&mut sheet, log, beside.targets.as_ref());
    sky::weather(&mut sheet, log, site);
    to_shoot(&mut sheet, log);
    sky::set_aside(&mut sheet, log, site);
    files::waiting(&mut sheet, log);
    warnings(&mut sheet, log);
    files::counts(&mut sheet, log);
    files::masters(&mut sheet, log);
    darks(&mut sheet, log);
    files::left_out(&mut sheet, log);
    files::refused(&mut sheet, log);
    room(&mut sheet, beside);
    sheet.into_text()
}

fn title(sheet: &mut Sheet, log: &SessionLog, site: &Site) {
    let state = match log.state {
        NightState::Open => "still open",
        NightState::Closed => "closed",
    };
    let night = format!("{}, night of {}", tame(&site.name), tame(&log.night));
    sheet.spread(&night, state);
    let starts = || log.lights.iter().filter_map(start);
    let clock = |moment| clock(moment, &site.time_zone);
    let whose = match site.time_zone == TimeZone::UTC {
        true => "UTC",
        false => "local time",
    };
    let files = counted(log.ledger.seen, "file");
    sheet.line(&match (starts().min(), starts().max()) {
        (Some(first), Some(last)) => format!(
            "{files}, lights begun from {} to {} {whose}",
            clock(first),
            clock(last)
        ),
        _ => files,
    });
}

/// When a light was begun.
fn start(light: &LightEntry) -> Option<Timestamp> {
    light.start_utc.as_ref()?.parse().ok()
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

/// Whether the sensors need darks.
fn darks(sheet: &mut Sheet, log: &SessionLog) {
    let verdicts = in_brief(&log.sensors);
    if verdicts.is_empty() {
        return;
    }
    sheet.heading("Darks");
    for verdict in verdicts.iter().take(HANDFUL) {
        sheet.item(verdict);
    }
    more(sheet, verdicts.len().saturating_sub(HANDFUL));
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

/// What is free, and how far it goes. Nights differ, so the number is a rough one.
fn room(sheet: &mut Sheet, beside: &Beside) {
    let Some(output) = beside.spaces.iter().find(|space| space.role == "output") else {
        return;
    };
    sheet.heading("Disk");
    let free = format!("{} free", bytes(output.free_bytes));
    let lasts = output.free_bytes.checked_div(beside.night_bytes);
    sheet.item(&match lasts {
        None => free,
        Some(0) => format!("{free}, not enough for another night like this"),
        Some(1) => format!("{free}, enough for about one more night like this"),
        Some(nights @ ..=365) => format!("{free}, enough for about {nights} nights like this"),
        Some(_) => format!("{free}, enough for more than a year of nights like this"),
    });
    let others = beside.spaces.iter();
    for other in others.filter(|space| space.disk != output.disk) {
        sheet.item(&format!(
            "{} free where the {} lies",
            bytes(other.free_bytes),
            other.role
        ));
    }
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
    use crate::facts::Goal;
    use crate::night::sheet::{WIDTH, width};
    use crate::night::{scene, summary, targets};

    #[test]
    fn the_digest_of_a_full_night_reads_as_on_file() {
        let text = digest(&scene::full_log(), &scene::site(), &Beside::default());
        let wanted = include_str!("../../tests/data/night/digest.txt");
        assert_eq!(
            text, wanted,
            "\n--- now ---\n{text}--- on file ---\n{wanted}"
        );
    }

    /// A cloud, a gust, goals and a disk.
    #[test]
    fn the_digest_of_a_judged_night_reads_as_on_file() {
        let log = scene::judged_log();
        let goals = [("Ha", 10.0), ("OIII", 2.0)];
        let goals = goals.map(|(filter, hours)| (filter.to_owned(), Goal::Hours(hours)));
        let goals = goals.into();
        let goals = [("Lantern Nebula".to_owned(), goals)].into();
        let space = |role, disk, free_bytes| Space {
            role,
            folder: "/srv".into(),
            disk,
            free_bytes,
        };
        let beside = Beside {
            targets: Some(targets(&[summary(&log)], &goals)),
            spaces: vec![space("output", 1, 412 << 30), space("state", 2, 31 << 30)],
            night_bytes: 19 << 30,
        };
        let text = digest(&log, &scene::site(), &beside);
        let wanted = include_str!("../../tests/data/night/judged.txt");
        assert_eq!(
            text, wanted,
            "\n--- now ---\n{text}--- on file ---\n{wanted}"
        );
    }

    #[test]
    fn how_long_a_disk_will_last_is_said_with_caution() {
        let says = |free_bytes, night_bytes| {
            let beside = Beside {
                spaces: vec![Space {
                    role: "output",
                    folder: "/srv".into(),
                    disk: 1,
                    free_bytes,
                }],
                night_bytes,
                ..Beside::default()
            };
            let text = digest(&scene::empty_log(), &scene::site(), &beside);
            text.split("Disk\n").nth(1).unwrap().to_owned()
        };
        let gb = 1_000_000_000;
        assert_eq!(says(50 * gb, 0), "  50 GB free\n");
        assert_eq!(
            says(50 * gb, 60 * gb),
            "  50 GB free, not enough for another night like this\n"
        );
        assert_eq!(
            says(50 * gb, 30 * gb),
            "  50 GB free, enough for about one more night like this\n"
        );
        assert_eq!(
            says(50 * gb, 3 * gb),
            "  50 GB free, enough for about 16 nights like this\n"
        );
        assert_eq!(
            says(50 * gb, gb / 10),
            "  50 GB free, enough for more than a year of nights like this\n"
        );
    }

    #[test]
    fn an_empty_night_says_so() {
        let text = digest(&scene::empty_log(), &scene::site(), &Beside::default());
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
        let text = digest(&log, &scene::site(), &Beside::default());
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
            let text = digest(&log, &scene::site(), &Beside::default());
            for line in text.lines() {
                prop_assert!(width(line) <= WIDTH, "{line:?}");
                prop_assert!(!line.chars().any(char::is_control), "{line:?}");
                prop_assert!(!line.contains('\u{202e}'), "{line:?}");
            }
        }
    }
}
