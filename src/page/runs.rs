//! Calibration frames on the night's timeline: a run of frames of one kind is one mark, as high as its
//! frames' states ask for, the parts as wide as their shares.
//!
//! Single frames take seconds and would be thinner than a line.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::account::{master_rows, master_title};
use super::axis::{TimeAxis, percent};
use super::mark::Mark;
use super::morning::NightFacts;
use super::text::{clock, name};
use super::timeline::{BASE_PX, LANE_PX};
use crate::facts::{CalibrationEntry, Kind, SessionLog};

/// A longer pause ends a run.
const PAUSE: SignedDuration = SignedDuration::from_mins(10);
/// No mark is narrower than this, nor a part of one, per cent.
const NARROWEST: f64 = 0.9;
const NARROWEST_PART: f64 = 0.25;
/// Marks nearer than this share their word.
const NEAR: f64 = 14.0;
/// Further right there is no room for a word.
const FAR_RIGHT: f64 = 84.0;

/// The calibration frames of one rig.
pub(super) struct RunLane {
    pub(super) label: String,
    pub(super) label_y: usize,
    pub(super) base_y: usize,
    pub(super) runs: Vec<RunMark>,
    pub(super) words: Vec<RunWord>,
}

/// One run.
pub(super) struct RunMark {
    /// Row of its first frame.
    pub(super) at: usize,
    pub(super) title: String,
    pub(super) parts: Vec<Part>,
}

/// The frames of a run that are in one state.
pub(super) struct Part {
    pub(super) mark: Mark,
    pub(super) x: String,
    pub(super) width: String,
    pub(super) y: usize,
}

/// Says what marks are.
pub(super) struct RunWord {
    pub(super) x: String,
    pub(super) anchor: &'static str,
    pub(super) text: String,
}

/// A run of other hours than those drawn, or without a time.
pub(super) struct Outside {
    pub(super) at: usize,
    pub(super) title: String,
}

/// Frames of one kind, one after the other.
struct Run<'a> {
    at: usize,
    kind: Kind,
    master: Option<&'a str>,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    marks: BTreeMap<Mark, usize>,
}

/// A lane for each rig whose frames have a place, from `above` downwards, and what has none.
pub(super) fn run_lanes(
    log: &SessionLog,
    axis: &TimeAxis,
    facts: &NightFacts,
    above: usize,
) -> (Vec<RunLane>, Vec<Outside>) {
    let mut rigs: BTreeMap<&str, Vec<(usize, &CalibrationEntry)>> = BTreeMap::new();
    for (at, frame) in log.calibration.iter().enumerate() {
        rigs.entry(&frame.rig).or_default().push((at, frame));
    }
    let titles: BTreeMap<&str, String> = master_rows(log)
        .into_iter()
        .map(|(product, row)| (product, master_title(&log.masters[row])))
        .collect();
    let many_rigs = rigs.len() > 1;
    let mut lanes: Vec<RunLane> = Vec::new();
    let mut outside = Vec::new();
    for (rig, frames) in rigs {
        let above = above + lanes.len() * LANE_PX;
        let mut placed: Vec<(f64, f64, Kind)> = Vec::new();
        let mut marks = Vec::new();
        for run in runs(&frames) {
            let title = title(&run, &titles, facts);
            let ends = (run.first.and_then(|at| axis.at(at))).zip(run.last);
            match ends {
                Some((x, last)) => {
                    let until = axis.at(last).unwrap_or(100.0);
                    let width = (until - x).max(NARROWEST);
                    marks.push(RunMark {
                        at: run.at,
                        title,
                        parts: parts(&run, x, width, above + BASE_PX),
                    });
                    placed.push((x, x + width, run.kind));
                }
                None => outside.push(Outside {
                    at: run.at,
                    title: match many_rigs {
                        true => format!("{title} ({})", name(rig)),
                        false => title,
                    },
                }),
            }
        }
        if marks.is_empty() {
            continue;
        }
        lanes.push(RunLane {
            label: match many_rigs {
                true => format!("{} \u{b7} calibration", name(rig)),
                false => "calibration".to_owned(),
            },
            label_y: above + 15,
            base_y: above + BASE_PX,
            runs: marks,
            words: words(&placed),
        });
    }
    (lanes, outside)
}

/// Frames of one rig, in the log's order, cut into runs. A frame without a master of its own belongs to
/// the run that it stands in.
fn runs<'a>(frames: &[(usize, &'a CalibrationEntry)]) -> Vec<Run<'a>> {
    let mut runs: Vec<Run<'a>> = Vec::new();
    for &(at, frame) in frames {
        let start = frame.start_utc.as_ref().and_then(|text| text.parse().ok());
        let master = frame.master.as_deref();
        let mark = Mark::of_calibration(&frame.state);
        let goes_on = |run: &&mut Run<'_>| {
            let soon = match (run.last, start) {
                (Some(last), Some(start)) => Timestamp::duration_since(start, last) <= PAUSE,
                (last, start) => last == start,
            };
            let differs = run.master.is_some() && master.is_some() && run.master != master;
            run.kind == frame.kind && soon && !differs
        };
        match runs.last_mut().filter(goes_on) {
            Some(run) => {
                run.last = start;
                run.master = run.master.or(master);
                *run.marks.entry(mark).or_default() += 1;
            }
            None => runs.push(Run {
                at,
                kind: frame.kind,
                master,
                first: start,
                last: start,
                marks: [(mark, 1)].into(),
            }),
        }
    }
    runs
}

fn title(run: &Run<'_>, titles: &BTreeMap<&str, String>, facts: &NightFacts) -> String {
    let known = run.master.and_then(|product| titles.get(product));
    let what = known.map_or(run.kind.word(), String::as_str);
    let counts: Vec<String> = run
        .marks
        .iter()
        .map(|(mark, count)| format!("{count} {}", mark.word_of_calibration()))
        .collect();
    let clock = |at| clock(at, &facts.time_zone);
    let when = match run.first.zip(run.last) {
        Some((first, last)) if clock(first) != clock(last) => {
            format!("{} to {} ", clock(first), clock(last))
        }
        Some((first, _)) => format!("{} ", clock(first)),
        None => String::new(),
    };
    format!("{when}{what}: {}", counts.join(", "))
}

fn parts(run: &Run<'_>, x: f64, width: f64, base: usize) -> Vec<Part> {
    let all: usize = run.marks.values().sum();
    let mut from = x;
    let part = |(&mark, &count): (&Mark, &usize)| {
        let share = (width * count as f64 / all as f64).max(NARROWEST_PART);
        let at = from;
        from += share;
        Part {
            mark,
            x: percent(match mark {
                // A cross is placed by its middle.
                Mark::Refused => at + share / 2.0,
                _ => at,
            }),
            width: percent(share),
            y: base - mark.height(),
        }
    };
    run.marks.iter().map(part).collect()
}

/// One word or a few beside marks that lie together; `placed` are beginning, end and kind, by time.
fn words(placed: &[(f64, f64, Kind)]) -> Vec<RunWord> {
    let mut groups: Vec<(f64, f64, Vec<&'static str>)> = Vec::new();
    for &(from, to, kind) in placed {
        match groups.last_mut().filter(|(_, end, _)| from - *end < NEAR) {
            Some((_, end, words)) => {
                *end = end.max(to);
                if !words.contains(&kind.word()) {
                    words.push(kind.word());
                }
            }
            None => groups.push((from, to, vec![kind.word()])),
        }
    }
    let word = |(from, to, words): (f64, f64, Vec<&'static str>)| {
        let (x, anchor) = match to > FAR_RIGHT {
            true => (from - 0.8, "end"),
            false => (to + 0.8, "start"),
        };
        RunWord {
            x: percent(x),
            anchor,
            text: words.join(", "),
        }
    };
    groups.into_iter().map(word).collect()
}
