//! What was gained: integration by target and filter, this night and all nights.

use std::collections::BTreeMap;

use super::{PLENTY, more};
use crate::facts::{FilterHours, SessionLog, Targets};
use crate::night::sheet::{Sheet, fit, tame};
use crate::night::summary::is_kept;
use crate::night::text::span;

/// From here on minutes do not matter, seconds.
const LONG: f64 = 100.0 * 3600.0;

/// Lights kept and their time together, and lights that wait.
#[derive(Clone, Copy, Default)]
struct Gain {
    kept: usize,
    kept_s: f64,
    waiting: usize,
}

impl Gain {
    fn cells(self) -> String {
        let kept = match self.kept {
            0 => "-".to_owned(),
            kept => format!("{kept}{:>12}", long_span(self.kept_s)),
        };
        let waiting = match self.waiting {
            0 => "-".to_owned(),
            waiting => waiting.to_string(),
        };
        format!("{kept:>16}{waiting:>9}")
    }
}

/// One line per target and filter, then their sum. What is neither kept nor waits is told of
/// elsewhere.
pub(super) fn integration(sheet: &mut Sheet, log: &SessionLog, targets: Option<&Targets>) {
    let mut gains: BTreeMap<(&str, &str), Gain> = BTreeMap::new();
    let mut all = Gain::default();
    for light in log.lights.iter().filter(|light| light.state != "refused") {
        let target = light.target.as_deref().unwrap_or_default();
        for gain in [gains.entry((target, &light.filter)).or_default(), &mut all] {
            if is_kept(light) {
                gain.kept += 1;
                gain.kept_s += light.exposure_s;
            }
            gain.waiting += usize::from(light.state == "waiting");
        }
    }
    if gains.is_empty() {
        return;
    }
    let hours: Vec<Option<&FilterHours>> = gains
        .keys()
        .map(|(target, filter)| targets?.find(target, filter))
        .collect();
    let has_goal = hours.iter().flatten().any(|hours| {
        hours
            .hours_wanted
            .or(hours.signal_to_noise_wanted)
            .is_some()
    });
    let heads = [
        targets.map_or("", |_| "all nights"),
        if has_goal { "to goal" } else { "" },
    ];
    let row = |target: &str, filter: &str, cells: &str, [nights, goal]: [&str; 2]| {
        let (target, filter) = (fit(&tame(target), 20), fit(&tame(filter), 9));
        format!("  {target} {filter}{cells}{nights:>12}{goal:>11}")
    };
    // The heading shares its line with the heads of the columns.
    let heading = "Integration";
    let heads = row("", "", &format!("{:>16}{:>9}", "kept", "waiting"), heads);
    sheet.heading(&format!("{heading}{}", &heads[heading.len()..]));
    let mut above = None;
    for ((&(target, filter), gain), hours) in gains.iter().zip(hours).take(PLENTY) {
        let name = match target {
            _ if above == Some(target) => "",
            "" => "no target named",
            name => name,
        };
        above = Some(target);
        let nights = hours.map_or(String::new(), |hours| long_span(hours.hours_kept * 3600.0));
        let goal = hours.map_or(String::new(), to_goal);
        sheet.line(&row(name, filter, &gain.cells(), [&nights, &goal]));
    }
    more(sheet, gains.len().saturating_sub(PLENTY));
    if gains.len() > 1 {
        sheet.line(&row("together", "", &all.cells(), ["", ""]));
    }
}

fn to_goal(hours: &FilterHours) -> String {
    match hours.hours_left {
        None if hours.signal_to_noise_wanted.is_some() => "not known".to_owned(),
        None => String::new(),
        Some(0.0) => "reached".to_owned(),
        Some(left) => long_span(left * 3600.0),
    }
}

fn long_span(seconds: f64) -> String {
    if seconds == 0.0 {
        "-".to_owned()
    } else if seconds < LONG {
        span(seconds)
    } else {
        format!("{:.0} h", seconds / 3600.0)
    }
}
