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

    /// The range that stays of every pixel with so many samples, where it does not depend on them.
    pub(super) fn fixed(&self, count: usize) -> Option<Range<usize>> {
        match self {
            Self::Trimmed { low, high } => Some(trimmed(count, *low, *high)),
            _ => None,
        }
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
