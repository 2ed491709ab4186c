//! What became of a light, as a mark of its own shape and colour.

use jiff::Timestamp;

use super::morning::NightFacts;
use super::text::{clock, exposure, filter_word};
use crate::facts::{LightEntry, Verdict};

/// What became of a light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Mark {
    Kept,
    /// Calibrated, and nobody has judged it yet.
    Unjudged,
    SetAside,
    Waiting,
    Refused,
}

impl Mark {
    /// In the order of the legend.
    pub(super) const ALL: [Self; 5] = [
        Self::Kept,
        Self::Unjudged,
        Self::SetAside,
        Self::Waiting,
        Self::Refused,
    ];

    pub(super) fn of(light: &LightEntry) -> Self {
        match (light.state.as_str(), light.verdict) {
            ("waiting", _) => Self::Waiting,
            ("refused", _) => Self::Refused,
            (_, Some(Verdict::SetAside)) => Self::SetAside,
            (_, Some(Verdict::Kept)) => Self::Kept,
            (_, None) => Self::Unjudged,
        }
    }

    /// Calibration frames have the marks of lights in the like state.
    pub(super) fn of_calibration(state: &str) -> Self {
        match state {
            "used" => Self::Kept,
            "left-out" => Self::SetAside,
            "refused" => Self::Refused,
            "spare" => Self::Unjudged,
            _ => Self::Waiting,
        }
    }

    /// What it means of a calibration frame.
    pub(super) fn word_of_calibration(self) -> &'static str {
        match self {
            Self::Kept => "used",
            Self::Unjudged => "spare",
            Self::SetAside => "left out",
            Self::Waiting => "waiting",
            Self::Refused => "refused",
        }
    }

    /// Also the symbol's name in the page, and its class in the styles.
    pub(super) fn class(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Unjudged => "unjudged",
            Self::SetAside => "aside",
            Self::Waiting => "waiting",
            Self::Refused => "refused",
        }
    }

    /// How high it stands in the timeline, pixels: verdicts differ in height and form, so that they can
    /// be told without colour.
    pub(super) fn height(self) -> usize {
        match self {
            Self::Kept | Self::Unjudged => 18,
            Self::Waiting => 13,
            Self::SetAside | Self::Refused => 8,
        }
    }

    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Unjudged => "calibrated",
            Self::SetAside => "set aside",
            Self::Waiting => "waiting",
            Self::Refused => "refused",
        }
    }
}

/// A light with its place in the log.
#[derive(Clone, Copy)]
pub(super) struct Sub<'a> {
    /// Index into the log's lights, which names its row.
    pub(super) at: usize,
    pub(super) light: &'a LightEntry,
    pub(super) start: Option<Timestamp>,
    pub(super) mark: Mark,
}

impl<'a> Sub<'a> {
    pub(super) fn new(at: usize, light: &'a LightEntry) -> Self {
        let start = light.start_utc.as_ref();
        Self {
            at,
            light,
            start: start.and_then(|text| text.parse().ok()),
            mark: Mark::of(light),
        }
    }

    /// What a mark of it says.
    pub(super) fn title(&self, facts: &NightFacts) -> String {
        let reasons = self.light.set_aside_for.iter();
        let reasons: Vec<&str> = reasons.map(|reason| reason.word()).collect();
        let colon = if reasons.is_empty() { "" } else { ": " };
        format!(
            "{} {}, {} s, {}{colon}{}",
            self.start
                .map_or(String::new(), |at| clock(at, &facts.time_zone)),
            filter_word(&self.light.filter),
            exposure(self.light.exposure_s),
            self.mark.word(),
            reasons.join(", "),
        )
    }
}
