//! What matters first: what was gained, what was lost and to what, what is to be done.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::mark::{Mark, Sub};
use super::morning::NightFacts;
use super::text::{clock, filter_word, number, sentence, target_word};
use crate::facts::{Kind, SessionLog, SetAside};
use crate::night::{SUN_CAUTION, counted, in_order, shot, span};

/// The page's first lines.
pub(super) struct Glance {
    /// Integration time of the kept lights.
    pub(super) kept: String,
    /// What became of all lights, in one sentence.
    pub(super) lights: String,
    /// What lights were set aside for, the most frequent first.
    pub(super) losses: Vec<String>,
    pub(super) gains: Vec<GainRow>,
    pub(super) to_shoot: Vec<Wish>,
    pub(super) warnings: Vec<String>,
}

/// One target through one filter.
pub(super) struct GainRow {
    /// Empty where it is that of the row above.
    pub(super) target: String,
    pub(super) filter: String,
    pub(super) kept: String,
    pub(super) frames: String,
    pub(super) aside: String,
    pub(super) waiting: String,
    /// Widths, per cent of the longest row.
    pub(super) bar: [String; 3],
    /// Where the second and the third part begin.
    pub(super) from: [String; 2],
}

/// One entry under what to shoot.
pub(super) struct Wish {
    pub(super) what: String,
    pub(super) why: String,
    /// After the last of the flats.
    pub(super) caution: Option<&'static str>,
}

#[derive(Clone, Copy, Default)]
struct Sum {
    frames: usize,
    seconds: f64,
}

impl Sum {
    fn add(&mut self, seconds: f64) {
        self.frames += 1;
        self.seconds += seconds;
    }

    fn text(self) -> String {
        if self.frames == 0 {
            String::new()
        } else {
            span(self.seconds)
        }
    }
}

impl Glance {
    pub(super) fn new(log: &SessionLog, subs: &[Sub<'_>], facts: &NightFacts) -> Self {
        let kept = subs
            .iter()
            .filter(|sub| matches!(sub.mark, Mark::Kept | Mark::Unjudged));
        let mut seconds: Vec<f64> = kept.map(|sub| sub.light.exposure_s).collect();
        seconds.sort_by(f64::total_cmp);
        let wishes = in_order(&log.to_shoot);
        let is_flat = |at: usize| wishes.get(at).is_some_and(|shoot| shoot.kind == Kind::Flat);
        let wishes = wishes.iter().enumerate().map(|(at, shoot)| Wish {
            what: sentence(&shot(shoot)),
            why: sentence(&shoot.why),
            caution: (is_flat(at) && !is_flat(at + 1)).then_some(SUN_CAUTION),
        });
        Self {
            kept: span(seconds.iter().sum()),
            lights: lights(subs),
            losses: losses(subs, facts),
            gains: gains(subs),
            to_shoot: wishes.collect(),
            warnings: log.warnings.iter().map(|text| sentence(text)).collect(),
        }
    }
}

fn lights(subs: &[Sub<'_>]) -> String {
    let parts = Mark::ALL.into_iter().filter_map(|mark| {
        let count = subs.iter().filter(|sub| sub.mark == mark).count();
        (count > 0).then(|| format!("{count} {}", mark.word()))
    });
    let parts: Vec<String> = parts.collect();
    match subs.len() {
        0 => "No light was taken.".to_owned(),
        all => format!("{}: {}.", counted(all, "light"), parts.join(", ")),
    }
}

fn losses(subs: &[Sub<'_>], facts: &NightFacts) -> Vec<String> {
    let mut reasons: BTreeMap<SetAside, (usize, Option<Timestamp>, Option<Timestamp>)> =
        BTreeMap::new();
    for sub in subs.iter().filter(|sub| sub.mark == Mark::SetAside) {
        for &reason in &sub.light.set_aside_for {
            let entry = reasons.entry(reason).or_default();
            entry.0 += 1;
            entry.1 = entry.1.into_iter().chain(sub.start).min();
            entry.2 = entry.2.max(sub.start);
        }
    }
    let mut reasons: Vec<_> = reasons.into_iter().collect();
    reasons.sort_by_key(|&(reason, (count, _, _))| (std::cmp::Reverse(count), reason));
    let told = reasons.into_iter().map(|(reason, (count, first, last))| {
        let word = reason.word();
        let clock = |at| clock(at, &facts.time_zone);
        match first.zip(last) {
            Some((first, last)) if first < last => {
                format!("{word} {count}, {} to {}", clock(first), clock(last))
            }
            Some((only, _)) => format!("{word} {count}, {}", clock(only)),
            None => format!("{word} {count}"),
        }
    });
    told.collect()
}

fn gains(subs: &[Sub<'_>]) -> Vec<GainRow> {
    let mut groups: BTreeMap<(&str, &str), [Sum; 3]> = BTreeMap::new();
    for sub in subs {
        let side = match sub.mark {
            Mark::Kept | Mark::Unjudged => 0,
            Mark::SetAside => 1,
            Mark::Waiting => 2,
            Mark::Refused => continue,
        };
        let target = sub.light.target.as_deref().unwrap_or_default();
        let group = groups.entry((target, &sub.light.filter)).or_default();
        group[side].add(sub.light.exposure_s);
    }
    let whole = |sums: &[Sum; 3]| sums.iter().map(|sum| sum.seconds).sum::<f64>();
    let longest = groups.values().map(whole).fold(f64::MIN_POSITIVE, f64::max);
    let mut above = None;
    let rows = groups.iter().map(|(&(target, filter), sums)| {
        let share = |seconds: f64| format!("{}%", number(100.0 * seconds / longest, 1));
        let [kept, aside, waiting] = *sums;
        let calibrated = kept.frames + aside.frames;
        let row = GainRow {
            target: match above {
                Some(name) if name == target => String::new(),
                _ => target_word(target),
            },
            filter: filter_word(filter),
            kept: kept.text(),
            frames: match kept.frames {
                _ if calibrated == 0 => String::new(),
                frames if frames == calibrated => frames.to_string(),
                frames => format!("{frames} of {calibrated}"),
            },
            aside: aside.text(),
            waiting: waiting.text(),
            bar: [kept, aside, waiting].map(|sum| share(sum.seconds)),
            from: [kept.seconds, kept.seconds + aside.seconds].map(share),
        };
        above = Some(target);
        row
    });
    rows.collect()
}
