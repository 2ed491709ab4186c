//! How far along every target is, over all nights.
//!
//! Sums run in the order of nights and rigs, so the order in which nights are handed over plays no
//! part. Targets and filters are told apart as the headers spell them: which spellings mean the same
//! is for nobody to guess.
//!
//! It does not know where the file lies.

use std::collections::BTreeMap;

use super::depth::{reached, seconds_left};
use super::text::rounded;
use super::yaml::block;
use crate::facts::{
    Depth, FilterHours, Goal, Goals, NightSummary, SignalToNoise, TARGETS_SCHEMA, TargetEntry,
    Targets,
};

const FIRST_LINES: &str = "\
# Hours kept of every target through every filter, over all nights. `goals` are yours: for each filter
# hours wanted, or {signal_to_noise: 10, signal_e_per_s: 0.05}; they are kept when this file is written
# again. All else, comments too, is written anew.
";

/// Decimals of hours: a few seconds.
const DECIMALS: i32 = 3;

/// Lights of one target through one filter.
#[derive(Clone, Default)]
struct Sum<'a> {
    frames: usize,
    kept: usize,
    kept_s: f64,
    /// By rig: pixels of different rigs do not see the same.
    depths: BTreeMap<&'a str, Depth>,
}

impl Sum<'_> {
    /// How deep the lights are that count for the goal.
    fn depth(&self, goal: &SignalToNoise) -> Option<Depth> {
        match &goal.rig {
            Some(rig) => self.depths.get(rig.as_str()).copied(),
            None if self.depths.len() == 1 => self.depths.values().next().copied(),
            None => None,
        }
    }
}

/// Adds up all nights, and sets them beside the goals. A target or filter with a goal stands there
/// before its first light.
pub fn targets(nights: &[NightSummary], goals: &Goals) -> Targets {
    let mut parts: Vec<_> = nights
        .iter()
        .flat_map(|night| night.integrations.iter().map(|part| (&night.night, part)))
        .collect();
    parts.sort_by(|a, b| (a.0, &a.1.rig).cmp(&(b.0, &b.1.rig)));
    let mut sums: BTreeMap<&str, BTreeMap<&str, Sum<'_>>> = BTreeMap::new();
    for (_, part) in parts {
        let target = sums.entry(&part.target).or_default();
        let sum = target.entry(&part.filter).or_default();
        sum.frames += part.frames;
        sum.kept += part.kept;
        sum.kept_s += part.kept_s;
        if part.kept > 0 {
            let depth = sum.depths.entry(&part.rig).or_default();
            depth.seconds += part.depth.seconds;
            depth.squares += part.depth.squares;
        }
    }
    for (target, filters) in goals {
        let target = sums.entry(target).or_default();
        for filter in filters.keys() {
            target.entry(filter).or_default();
        }
    }
    let entry = |(target, sums): (&str, BTreeMap<&str, Sum<'_>>)| {
        let goals = goals.get(target).cloned().unwrap_or_default();
        let hours = |(filter, sum): (&str, Sum<'_>)| hours(filter, &sum, goals.get(filter));
        TargetEntry {
            target: target.to_owned(),
            filters: sums.into_iter().map(hours).collect(),
            goals,
        }
    };
    Targets {
        schema: TARGETS_SCHEMA.to_owned(),
        targets: sums.into_iter().map(entry).collect(),
    }
}

fn hours(filter: &str, sum: &Sum<'_>, goal: Option<&Goal>) -> FilterHours {
    let hours_kept = rounded(sum.kept_s / 3600.0, DECIMALS);
    let mut hours = FilterHours {
        filter: filter.to_owned(),
        frames: sum.frames,
        kept: sum.kept,
        hours_kept,
        hours_wanted: None,
        signal_to_noise_wanted: None,
        signal_to_noise: None,
        hours_left: None,
    };
    match goal {
        Some(Goal::Hours(wanted)) => {
            hours.hours_wanted = Some(*wanted);
            hours.hours_left = Some(rounded((wanted - hours_kept).max(0.0), DECIMALS));
        }
        Some(Goal::SignalToNoise(goal)) => {
            let depth = sum.depth(goal);
            let left = depth.and_then(|depth| seconds_left(depth, goal));
            let reached = depth.and_then(|depth| reached(depth, goal));
            hours.signal_to_noise_wanted = Some(goal.signal_to_noise);
            hours.signal_to_noise = reached.map(|ratio| rounded(ratio, 2));
            hours.hours_left = left.map(|seconds| rounded(seconds / 3600.0, DECIMALS));
        }
        None => {}
    }
    hours
}

/// The text of `targets.yaml`.
pub fn targets_yaml(targets: &Targets) -> String {
    block(FIRST_LINES, targets)
}

/// Reads them back, for whoever only wants to know.
///
/// # Errors
/// When the text is not YAML or no such list, with line and column.
pub fn parse_targets(text: &str) -> Result<Targets, serde_yaml::Error> {
    serde_yaml::from_str(text)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use std::path::Path;

    use proptest::prelude::*;

    use super::*;
    use crate::config::parse_goals;
    use crate::facts::{Integration, Ledger, NightState};

    fn part(rig: &str, target: &str, filter: &str, frames: usize, kept: usize) -> Integration {
        Integration {
            rig: rig.to_owned(),
            target: target.to_owned(),
            filter: filter.to_owned(),
            frames,
            kept,
            integration_s: frames as f64 * 300.0,
            kept_s: kept as f64 * 300.0,
            // A noise of 25 electrons.
            depth: Depth {
                seconds: kept as f64 * 300.0,
                squares: kept as f64 * 144.0,
            },
        }
    }

    fn night(night: &str, integrations: Vec<Integration>) -> NightSummary {
        NightSummary {
            night: night.to_owned(),
            state: NightState::Closed,
            ledger: Ledger::default(),
            waiting: 0,
            integrations,
            conditions: Vec::new(),
            sensors: Vec::new(),
            warnings: 0,
            to_shoot: 0,
        }
    }

    fn three_nights() -> Vec<NightSummary> {
        let veil = "Veil Nebula (east)";
        vec![
            night(
                "2026-09-03",
                vec![
                    part("north", veil, "Ha", 24, 20),
                    part("south", veil, "Ha", 3, 2),
                ],
            ),
            night("2026-09-04", vec![part("north", "", "L", 5, 5)]),
            night("2026-09-05", vec![part("north", veil, "Ha", 13, 13)]),
        ]
    }

    const GOALS: &str = "
targets:
  - target: Veil Nebula (east)
    goals: {Ha: 10, OIII: 12.5}
  - {target: Lantern, goals: {no: 1}}
  - target: without a goal
";

    fn goals(text: &str) -> Goals {
        parse_goals(text, Path::new("targets.yaml")).unwrap_or_else(|error| panic!("{error}"))
    }

    #[test]
    fn all_nights_are_added_up_beside_the_goals() {
        let text = targets_yaml(&targets(&three_nights(), &goals(GOALS)));
        let wanted = r#"schema: "dawnledger-targets/1"
targets:
  - target: ""
    filters:
      - filter: "L"
        frames: 5
        kept: 5
        hours_kept: 0.417
  - target: "Lantern"
    goals:
      "no": 1.0
    filters:
      - filter: "no"
        frames: 0
        kept: 0
        hours_kept: 0.0
        hours_wanted: 1.0
        hours_left: 1.0
  - target: "Veil Nebula (east)"
    goals:
      "Ha": 10.0
      "OIII": 12.5
    filters:
      - filter: "Ha"
        frames: 40
        kept: 35
        hours_kept: 2.917
        hours_wanted: 10.0
        hours_left: 7.083
      - filter: "OIII"
        frames: 0
        kept: 0
        hours_kept: 0.0
        hours_wanted: 12.5
        hours_left: 12.5
"#;
        assert_eq!(text.strip_prefix(FIRST_LINES).unwrap(), wanted, "{text}");
    }

    #[test]
    fn goals_outlive_every_writing_and_the_order_of_nights_plays_no_part() {
        let mut nights = three_nights();
        let first = targets_yaml(&targets(&nights, &goals(GOALS)));
        nights.reverse();
        assert_eq!(targets_yaml(&targets(&nights, &goals(&first))), first);
        assert_eq!(goals(&first), goals(GOALS));
        assert_eq!(
            parse_targets(&first).unwrap(),
            targets(&nights, &goals(GOALS))
        );
        // A goal that was reached is not owed any more.
        let low = goals("targets: [{target: Veil Nebula (east), goals: {Ha: 2.5}}]");
        let reached = targets(&nights, &low);
        let hours = reached.find("Veil Nebula (east)", "Ha").unwrap();
        assert_eq!(hours.hours_left, Some(0.0));
    }

    /// 49 lights whose ratios of 1.2 make 8.4; a goal of 16.8 is twice that, so it takes four times as long.
    #[test]
    fn a_ratio_that_is_wanted_becomes_hours() {
        let veil = "Veil Nebula (east)";
        let nights = [
            night("2026-09-03", vec![part("north", veil, "Ha", 40, 36)]),
            night("2026-09-04", vec![part("north", veil, "Ha", 13, 13)]),
        ];
        let goal = "signal_to_noise: 16.8, signal_e_per_s: 0.1";
        let text = |rig| {
            format!("targets: [{{target: Veil Nebula (east), goals: {{Ha: {{{goal}{rig}}}}}}}]")
        };
        let told = |nights: &[NightSummary], rig| {
            let targets = targets(nights, &goals(&text(rig)));
            let hours = targets.find(veil, "Ha").unwrap().clone();
            assert_eq!(hours.signal_to_noise_wanted, Some(16.8));
            (hours.signal_to_noise, hours.hours_left)
        };
        let wanted = (Some(8.4), Some(rounded(3.0 * 49.0 / 12.0, 3)));
        assert_eq!(told(&nights, ""), wanted);
        assert_eq!(told(&nights, ", rig: north"), wanted);
        assert_eq!(told(&nights, ", rig: south"), (None, None));
        assert_eq!(told(&[], ""), (None, None));
        // Another rig's pixel sees another signal.
        let mut both = nights.to_vec();
        both[1].integrations.push(part("south", veil, "Ha", 9, 9));
        assert_eq!(told(&both, ""), (None, None));
        assert_eq!(told(&both, ", rig: north"), wanted);
        let yaml = targets_yaml(&targets(&both, &goals(&text(", rig: north"))));
        assert_eq!(goals(&yaml), goals(&text(", rig: north")), "{yaml}");
    }

    #[test]
    fn a_file_that_is_not_understood_is_not_taken_for_an_empty_one() {
        for (text, wanted) in [
            ("", "1:1: missing field `targets`"),
            (
                "targets: [{target: A, note: x}]",
                "1:23: targets[0]: unknown field `note`",
            ),
            (
                "targets: [{target: A, goals: {Ha: -1}}]",
                "1:31: found -1, want 0 to",
            ),
            (
                "targets: [{target: A, goals: {Ha: 0}}]",
                "1:31: found 0, want hours",
            ),
            (
                "targets: [{target: A, goals: {Ha: ten}}]",
                "invalid type: string \"ten\", expected hours, or a mapping",
            ),
            (
                "targets: [{target: A, goals: {Ha: {signal_to_noise: 9}}}]",
                "missing field `signal_e_per_s`",
            ),
            (
                "targets: [{target: A, goals: {Ha: {signal_to_noise: 0, signal_e_per_s: 1}}}]",
                "1:36: found 0, want a ratio",
            ),
            (
                "targets: [{target: A, goals: {Ha: {signal_to_noise: 9, signal: 1}}}]",
                "unknown field `signal`",
            ),
            (
                "targets: [{target: A}, {target: A}]",
                "1:25: \"A\" stands here a second time",
            ),
            (
                "targets: [{target: A, goals: {Ha: 1, Ha: 2}}]",
                "\"Ha\" stands here a second time",
            ),
            (
                "schema: other/9\ntargets: []",
                "1:1: found \"other/9\", want",
            ),
        ] {
            let error = parse_goals(text, Path::new("t")).unwrap_err().to_string();
            assert!(error.contains(wanted), "{text}: {error}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..Default::default() })]
        #[test]
        fn any_name_comes_back(target in any::<String>(), filter in any::<String>(), hours in 0.001..1e5) {
            let wanted = Goals::from([(target, [(filter, Goal::Hours(hours))].into())]);
            let text = targets_yaml(&targets(&three_nights(), &wanted));
            let back = parse_goals(&text, Path::new("t"));
            prop_assert!(back.is_ok(), "{}\n{text}", back.unwrap_err());
            prop_assert_eq!(back.unwrap(), wanted);
        }
    }
}
