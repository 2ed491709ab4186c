//! Time from left to right, and values from bottom to top.
//!
//! Across, places are per cent of the drawing, so that a drawing fits any width while its letters
//! keep their size; upwards they are pixels.

use jiff::{SignedDuration, Timestamp};

use super::mark::Sub;
use super::morning::NightFacts;
use super::text::{clock, number};
use crate::night::Daylight;

/// Shown before the first and after the last thing to be seen.
const MARGIN: SignedDuration = SignedDuration::from_mins(12);
/// More hours than this are told by every second one.
const MOST_HOURS: i64 = 14;

/// The part of a night that is drawn.
pub(super) struct TimeAxis {
    from: Timestamp,
    to: Timestamp,
}

/// A full hour.
pub(super) struct Hour {
    pub(super) x: String,
    pub(super) label: String,
    /// Which part of the label stands at the place: the edges leave no room beyond.
    pub(super) anchor: &'static str,
    /// Left out where there is little room.
    pub(super) odd: bool,
}

/// A spell of one kind of daylight.
pub(super) struct Band {
    pub(super) x: String,
    pub(super) width: String,
    pub(super) class: &'static str,
}

impl TimeAxis {
    /// From sunset, or the first light before it, to sunrise, or the end of the last light.
    pub(super) fn new(subs: &[Sub<'_>], facts: &NightFacts) -> Self {
        let night = facts
            .sky
            .iter()
            .filter(|spell| spell.light != Daylight::Day);
        let starts = subs.iter().filter_map(|sub| sub.start);
        let ends = subs
            .iter()
            .filter_map(|sub| Some(later(sub.start?, lasting(sub.light.exposure_s))));
        let from = night.clone().map(|spell| spell.from).chain(starts).min();
        let to = night.map(|spell| spell.to).chain(ends).max();
        let whole = facts.sky.first().zip(facts.sky.last());
        let (first, last) = whole.map_or((Timestamp::UNIX_EPOCH, Timestamp::MAX), |(a, b)| {
            (a.from, b.to)
        });
        let from = earlier(from.unwrap_or(first), MARGIN).clamp(first, last);
        let to = later(to.unwrap_or(last), MARGIN).clamp(first, last);
        Self {
            from,
            to: to.max(later(from, MARGIN)),
        }
    }

    /// Place of a moment, per cent; nothing outside.
    pub(super) fn at(&self, moment: Timestamp) -> Option<f64> {
        (self.from..=self.to)
            .contains(&moment)
            .then(|| self.place(moment))
    }

    /// How much of the drawing a span takes, per cent.
    pub(super) fn share(&self, seconds: f64) -> f64 {
        100.0 * seconds / self.to.duration_since(self.from).as_secs_f64()
    }

    pub(super) fn hours(&self, facts: &NightFacts) -> Vec<Hour> {
        let step = match self.to.duration_since(self.from).as_hours() {
            hours if hours > MOST_HOURS => 2,
            _ => 1,
        };
        let local = self.from.to_zoned_datetime(facts.time_zone.clone());
        let into = i64::from(local.minute()) * 60 + i64::from(local.second());
        let mut hours = Vec::new();
        let mut hour = earlier(self.from, SignedDuration::from_secs(into));
        while hour <= self.to {
            let local = hour.to_zoned_datetime(facts.time_zone.clone());
            if hour >= self.from && i64::from(local.hour()) % step == 0 {
                hours.push(Hour {
                    x: percent(self.place(hour)),
                    anchor: match self.place(hour) {
                        x if x < 2.5 => "start",
                        x if x > 97.5 => "end",
                        _ => "middle",
                    },
                    label: clock(hour, &facts.time_zone),
                    odd: i64::from(local.hour()) / step % 2 == 1,
                });
            }
            let next = later(hour, SignedDuration::from_hours(1));
            if next == hour {
                break;
            }
            hour = next;
        }
        hours
    }

    pub(super) fn bands(&self, facts: &NightFacts) -> Vec<Band> {
        let inside = facts
            .sky
            .iter()
            .filter(|spell| spell.to > self.from && spell.from < self.to);
        inside
            .map(|spell| {
                let x = self.place(spell.from).max(0.0);
                Band {
                    x: percent(x),
                    width: percent(self.place(spell.to).min(100.0) - x),
                    class: daylight_class(spell.light),
                }
            })
            .collect()
    }

    fn place(&self, moment: Timestamp) -> f64 {
        self.share(moment.duration_since(self.from).as_secs_f64())
    }
}

/// Words that tell the same as the bands.
pub(super) fn daylight_words(facts: &NightFacts) -> Vec<String> {
    let time = |at: Timestamp| clock(at, &facts.time_zone);
    let borders = facts.sky.windows(2);
    let told = borders.filter_map(|pair| {
        let (before, after) = (pair[0].light, pair[1]);
        match (before, after.light) {
            (Daylight::Day, _) => Some(format!("sunset {}", time(after.from))),
            (_, Daylight::Day) => Some(format!("sunrise {}", time(after.from))),
            (_, Daylight::Dark) => Some(format!("dark {} to {}", time(after.from), time(after.to))),
            _ => None,
        }
    });
    let mut words: Vec<String> = told.collect();
    if !facts.sky.iter().any(|spell| spell.light == Daylight::Dark) {
        words.push("never fully dark".to_owned());
    }
    words
}

fn daylight_class(light: Daylight) -> &'static str {
    match light {
        Daylight::Day => "day",
        Daylight::Civil => "civil",
        Daylight::Nautical => "nautical",
        Daylight::Astronomical => "astronomical",
        Daylight::Dark => "dark",
    }
}

pub(super) fn percent(value: f64) -> String {
    format!("{value:.2}%")
}

pub(super) fn lasting(seconds: f64) -> SignedDuration {
    SignedDuration::try_from_secs_f64(seconds).unwrap_or(SignedDuration::ZERO)
}

fn later(moment: Timestamp, span: SignedDuration) -> Timestamp {
    moment.saturating_add(span).unwrap_or(Timestamp::MAX)
}

fn earlier(moment: Timestamp, span: SignedDuration) -> Timestamp {
    moment.saturating_sub(span).unwrap_or(Timestamp::MIN)
}

/// What lies so many times further from the lowest value than nine tenths of the values do is drawn
/// at the edge.
const OUTLYING: f64 = 4.0;

/// How values are spread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Spread {
    /// Evenly, over the range of the values, but at least so much.
    Near(f64),
    /// Evenly, from zero.
    FromZero,
    /// By their logarithm where they span more than a factor of six, else evenly.
    Wide,
}

/// From values to pixels.
pub(super) struct ValueAxis {
    low: f64,
    high: f64,
    logarithmic: bool,
    ticks: Vec<f64>,
    top: f64,
    bottom: f64,
}

impl ValueAxis {
    /// Limits around the bulk of the values, with round values between; outliers far above it do not squeeze it and are
    /// drawn at the edge. Nothing where there is no value.
    pub(super) fn new(values: &[f64], spread: Spread, top: f64, bottom: f64) -> Option<Self> {
        let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        let (&low, &high) = sorted.first().zip(sorted.last())?;
        if spread == Spread::Wide && low > 0.0 && high / low > 6.0 {
            let ticks = decades(low, high);
            return Some(Self {
                low: low.min(ticks[0]) / 1.1,
                high: high.max(*ticks.last()?) * 1.1,
                logarithmic: true,
                ticks,
                top,
                bottom,
            });
        }
        let bulk = sorted[(sorted.len() - 1) * 9 / 10];
        let reach = low + OUTLYING * (bulk - low);
        let high = if bulk > low { high.min(reach) } else { high };
        let (low, high) = match spread {
            Spread::FromZero => (low.min(0.0), high.max(f64::MIN_POSITIVE) * 1.06),
            Spread::Near(least) if high - low < least => {
                ((low + high - least) / 2.0, (low + high + least) / 2.0)
            }
            _ => {
                let room = (high - low).max(low.abs() * 1e-3).max(f64::MIN_POSITIVE) * 0.08;
                (low - room, high + room)
            }
        };
        let step = step(high - low);
        let first = (low / step).ceil() as i64;
        let last = (high / step).floor() as i64;
        Some(Self {
            low,
            high,
            logarithmic: false,
            ticks: (first..=last).map(|n| n as f64 * step).collect(),
            top,
            bottom,
        })
    }

    /// Pixel of a value, and whether it lies beyond the upper edge.
    pub(super) fn at(&self, value: f64) -> (f64, bool) {
        let part = if self.logarithmic {
            (value.max(f64::MIN_POSITIVE) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        let y = self.bottom - part.clamp(0.0, 1.0) * (self.bottom - self.top);
        (y, part > 1.0)
    }

    /// Pixel and label of each line.
    pub(super) fn ticks(&self) -> Vec<(f64, String)> {
        let finest = match self.ticks.as_slice() {
            [first, second, ..] if !self.logarithmic => second - first,
            [first, ..] => *first,
            [] => 1.0,
        };
        let decimals = (-finest.log10()).ceil().clamp(0.0, 4.0) as usize;
        let ticks = self.ticks.iter();
        ticks
            .map(|&tick| (self.at(tick).0, number(tick, decimals)))
            .collect()
    }
}

/// 1, 2 or 5 times a power of ten, so that about three steps cover the range.
fn step(range: f64) -> f64 {
    let rough = range / 3.5;
    let power = 10f64.powf(rough.log10().floor());
    let factor = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|factor| factor * power >= rough);
    factor.unwrap_or(10.0) * power
}

/// Round values over a logarithmic range: powers of ten, with halves between where they are few.
fn decades(low: f64, high: f64) -> Vec<f64> {
    let powers = low.log10().floor() as i32..=high.log10().ceil() as i32;
    let factors: &[f64] = if high / low > 300.0 {
        &[1.0]
    } else {
        &[1.0, 2.0, 5.0]
    };
    let all: Vec<f64> = powers
        .flat_map(|power| factors.iter().map(move |factor| factor * 10f64.powi(power)))
        .collect();
    let inside: Vec<f64> = all
        .iter()
        .copied()
        .filter(|v| (low..=high).contains(v))
        .collect();
    if inside.len() < 2 {
        vec![low, high]
    } else {
        inside
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn labels(values: &[f64], spread: Spread) -> Vec<String> {
        let axis = ValueAxis::new(values, spread, 0.0, 100.0).unwrap();
        axis.ticks().into_iter().map(|(_, label)| label).collect()
    }

    #[test]
    fn values_get_round_lines() {
        assert_eq!(
            labels(&[2.05, 2.95], Spread::Near(0.1)),
            ["2.0", "2.5", "3.0"]
        );
        assert_eq!(
            labels(&[0.4, 1.02], Spread::FromZero),
            ["0.0", "0.5", "1.0"]
        );
        assert_eq!(
            labels(&[-10.1, -9.9], Spread::Near(2.0)),
            ["\u{2212}11", "\u{2212}10", "\u{2212}9"]
        );
        assert_eq!(
            labels(&[90.0, 4000.0], Spread::Wide),
            ["100", "200", "500", "1000", "2000"]
        );
        assert!(!labels(&[0.0, 0.0], Spread::Wide).is_empty());
        assert!(ValueAxis::new(&[f64::NAN], Spread::Wide, 0.0, 1.0).is_none());
    }

    #[test]
    fn an_outlier_stands_at_the_edge() {
        let mut values = vec![2.0; 30];
        values.extend([2.4; 10]);
        values.push(40.0);
        let axis = ValueAxis::new(&values, Spread::Near(0.1), 10.0, 100.0).unwrap();
        assert_eq!(axis.at(40.0), (10.0, true));
        let (y, beyond) = axis.at(2.4);
        assert!(y < 85.0 && !beyond, "{y}");
    }
}
