//! Methods that keep a contiguous range of a pixel's sorted samples, and who is charged with what
//! they drop.
//!
//! Where equal samples lie on both sides of an end of the range, the earlier exposures among them
//! count as the smaller ones.

use std::ops::Range;

use crate::facts::InputCount;

use super::chunk::Row;
use super::esd::{self, Test};
use super::lanes::Lane;
use super::noise::Model;
use super::scalar::Sample;
use super::winsor;

/// One such method, ready for use.
pub(super) enum Ranked {
    Winsorized { low: f64, high: f64 },
    GeneralizedEsd(Test),
    Trimmed { low: usize, high: usize },
    NoiseModel(Model),
}

impl Ranked {
    /// The range of sorted samples that stays. There is at least one sample.
    pub(super) fn kept<T: Sample>(&mut self, sorted: &[T]) -> Range<usize> {
        match self {
            Self::Winsorized { low, high } => winsor::kept(sorted, *low, *high),
            Self::GeneralizedEsd(test) => test.kept(sorted),
            Self::Trimmed { low, high } => trimmed(sorted.len(), *low, *high),
            Self::NoiseModel(model) => model.kept(sorted),
        }
    }

    /// Lanes of sorted rows from which [`Ranked::kept`] drops nothing, as far as that is certain.
    #[inline(always)]
    pub(super) fn settled<T: Lane, const L: usize>(&mut self, rows: &[Row<T, L>]) -> [bool; L] {
        match self {
            Self::Winsorized { low, high } => winsor::settled(rows, *low, *high),
            Self::GeneralizedEsd(test) => esd::settled(rows, test.factors(rows.len())),
            Self::Trimmed { low, high } => [trimmed(rows.len(), *low, *high) == (0..rows.len()); L],
            Self::NoiseModel(model) => model.settled(rows),
        }
    }

    /// What [`Ranked::kept`] keeps of sorted lanes, as far as that is certain.
    #[inline(always)]
    pub(super) fn ranges<T: Lane, const L: usize>(&mut self, rows: &[Row<T, L>]) -> Ranges<L> {
        match self {
            Self::Winsorized { low, high } => winsor::ranges(rows, *low, *high),
            Self::GeneralizedEsd(test) => esd::ranges(rows, test.factors(rows.len())),
            Self::Trimmed { .. } | Self::NoiseModel(_) => Ranges::unknown(),
        }
    }

    /// The range that stays of every pixel with so many samples, where it does not depend on them.
    pub(super) fn fixed(&self, count: usize) -> Option<Range<usize>> {
        match self {
            Self::Trimmed { low, high } => Some(trimmed(count, *low, *high)),
            _ => None,
        }
    }
}

/// The rows that stay of each of several sorted lanes.
pub(super) struct Ranges<const L: usize> {
    pub start: [u16; L],
    /// The first that does not.
    pub end: [u16; L],
    /// Of which lanes that is certain.
    pub sure: [bool; L],
}

impl<const L: usize> Ranges<L> {
    pub(super) fn unknown() -> Self {
        Self {
            start: [0; L],
            end: [0; L],
            sure: [false; L],
        }
    }

    #[inline(always)]
    pub(super) fn of(&self, lane: usize) -> Range<usize> {
        self.start[lane].into()..self.end[lane].into()
    }

    #[inline(always)]
    pub(super) fn set(&mut self, lane: usize, range: Range<usize>) {
        (self.start[lane], self.end[lane]) = (range.start as u16, range.end as u16);
    }

    /// All bits of the lanes that keep a row.
    #[inline(always)]
    pub(super) fn inside(&self, row: usize) -> [u16; L] {
        let row = row as u16;
        let mut inside = [0; L];
        for (inside, (&start, &end)) in inside.iter_mut().zip(self.start.iter().zip(&self.end)) {
            *inside = u16::from((start <= row) & (row < end)).wrapping_neg();
        }
        inside
    }
}

/// The middle one or two stay, whatever is asked for.
fn trimmed(count: usize, low: usize, high: usize) -> Range<usize> {
    let most = count.saturating_sub(1) / 2;
    low.min(most)..count - high.min(most)
}

/// Charges exposures with what was dropped of one pixel, `kept` being the range that stays of its
/// samples that entered. `order` is a workspace.
pub(super) fn charge<T: Sample>(
    samples: impl Iterator<Item = T>,
    enters: impl Fn(T) -> bool,
    kept: &Range<usize>,
    order: &mut Vec<(f64, usize)>,
    rejected: &mut [InputCount],
) {
    order.clear();
    order.extend(
        samples
            .enumerate()
            .filter(|&(_, value)| enters(value))
            // Zeros of either sign are equal.
            .map(|(exposure, value)| (value.into() + 0.0, exposure)),
    );
    order.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    for &(_, exposure) in &order[..kept.start] {
        rejected[exposure].low += 1;
    }
    for &(_, exposure) in &order[kept.end..] {
        rejected[exposure].high += 1;
    }
}
