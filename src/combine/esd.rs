//! The generalized extreme studentized deviate test (Rosner 1983, Technometrics 25, 165).
//!
//! The sample farthest from the mean of those that remain is taken out, time and again; step i has
//! R_i = its distance / standard deviation (divisor n - 1) and a limit lambda_i. The number of
//! outliers is the *largest* i with R_i > lambda_i: outliers mask each other, so an earlier step
//! that stays below its limit ends nothing.
//!
//! Distances and deviations are compared without division: with m samples left, sum S and sum of
//! squares Q, m times the distance against f_i sqrt(m Q - S^2), f_i = lambda_i sqrt(m / (m - 1)).

use super::away::{Away, sums};
use super::chunk::Row;
use super::ranked::Ranges;
use super::scalar::middle;
use super::small::Summed;
use super::student::student_t;

/// One step of the test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EsdStep {
    /// The sample taken out.
    pub removed: f64,
    /// Its distance from the mean of those that remained, in their standard deviations; 0 where
    /// they are all alike.
    pub deviate: f64,
    /// The limit, lambda_i.
    pub limit: f64,
}

/// lambda_i of n samples, i from 1 to n - 2 (NIST/SEMATECH e-Handbook of Statistical Methods,
/// 1.3.5.17.3).
fn lambda(alpha: f64, count: usize, step: usize) -> f64 {
    let rest = (count - step) as f64;
    let t = student_t(
        1.0 - alpha / (2.0 * (rest + 1.0)),
        u32::try_from(count - step - 1).unwrap_or(u32::MAX),
    );
    rest * t / ((rest - 1.0 + t * t) * (rest + 1.0)).sqrt()
}

/// Steps taken for n samples: as many as asked for, as long as more than half of the samples
/// remain; beyond that the rest is too small to speak for the whole. No step judges three: two that
/// happen to be alike would make an outlier of the third, whatever it is (its deviate is 1.1547, the
/// limit for alpha 0.05 is 1.1543).
fn steps(max_outliers: u32, count: usize) -> usize {
    if count < 4 {
        return 0;
    }
    (max_outliers as usize).min((count - 1) / 2)
}

/// All steps of the test, and the number of outliers: those of the first so many steps.
pub fn generalized_esd(samples: &[f64], alpha: f64, max_outliers: u32) -> (Vec<EsdStep>, usize) {
    let mut sorted = samples.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let mut taken = Vec::new();
    if sorted.is_empty() {
        return (taken, 0);
    }
    let mut test = Test::new(alpha, max_outliers);
    let kept = test.walk(&sorted, |removed, far, spread, factor, left| {
        let per = (left / (left - 1.0)).sqrt();
        taken.push(EsdStep {
            removed,
            deviate: if spread > 0.0 {
                far / spread / per
            } else {
                0.0
            },
            limit: factor / per,
        });
    });
    (taken, sorted.len() - kept.len())
}

/// A test with its limits, by number of samples.
pub(super) struct Test {
    alpha: f64,
    max_outliers: u32,
    factors: Vec<Option<Box<[f64]>>>,
}

impl Test {
    pub(super) fn new(alpha: f64, max_outliers: u32) -> Self {
        Self {
            alpha,
            max_outliers,
            factors: Vec::new(),
        }
    }

    /// f_i for n samples.
    pub(super) fn factors(&mut self, count: usize) -> &[f64] {
        if self.factors.len() <= count {
            self.factors.resize(count + 1, None);
        }
        let (alpha, most) = (self.alpha, steps(self.max_outliers, count));
        self.factors[count].get_or_insert_with(|| {
            let factor = |step: usize| {
                let left = (count - step + 1) as f64;
                lambda(alpha, count, step) * (left / (left - 1.0)).sqrt()
            };
            (1..=most).map(factor).collect()
        })
    }

    /// The range of sorted samples that stays. Of two that are equally far the larger goes first.
    pub(super) fn kept<T: Summed>(&mut self, sorted: &[T]) -> std::ops::Range<usize> {
        self.walk(sorted, |_, _, _, _, _| {})
    }

    /// Takes every step and tells of each: the sample taken out, m times its distance,
    /// sqrt(m Q - S^2), f_i and m.
    fn walk<T: Summed>(
        &mut self,
        sorted: &[T],
        mut tell: impl FnMut(f64, f64, f64, f64, f64),
    ) -> std::ops::Range<usize> {
        let mut centre = middle(sorted);
        let mut left = 0..sorted.len();
        let mut kept = left.clone();
        let (mut sum, mut squares) = T::sums(sorted, centre);
        for &factor in self.factors(sorted.len()) {
            let count = left.len() as f64;
            let (smallest, largest) = (sorted[left.start].into(), sorted[left.end - 1].into());
            let down = sum - count * (smallest - centre);
            let up = count * (largest - centre) - sum;
            let removed = if up >= down {
                left.end -= 1;
                largest
            } else {
                left.start += 1;
                smallest
            };
            let far = up.max(down);
            let spread = (count * squares - sum * sum).max(0.0).sqrt();
            if far > factor * spread {
                kept = left.clone();
            }
            tell(removed, far, spread, factor, count);
            if T::EXACT {
                let away = removed - centre;
                (sum, squares) = (sum - away, squares - away * away);
            } else {
                // Taking a square away that dwarfs the rest would leave rounding only.
                centre = middle(&sorted[left.clone()]);
                (sum, squares) = T::sums(&sorted[left.clone()], centre);
            }
        }
        kept
    }
}

#[inline(always)]
fn distances<T: Away, const L: usize>(away: &mut [f32; L], row: &Row<T, L>, reference: &Row<T, L>) {
    for lane in 0..L {
        away[lane] = row[lane].away(reference[lane]);
    }
}

/// Moves rows up by one in the lanes that `which` has all bits of once those of `turned` are turned over.
#[inline(always)]
fn advance<const L: usize>(rows: &mut [[f32; L]], which: &[u32; L], turned: u32) {
    for place in 1..rows.len() {
        let (head, tail) = rows.split_at_mut(place);
        replace(&mut head[place - 1], &tail[0], which, turned);
    }
}

#[inline(always)]
fn replace<const L: usize>(row: &mut [f32; L], next: &[f32; L], which: &[u32; L], turned: u32) {
    for lane in 0..L {
        let (here, next) = (row[lane].to_bits(), next[lane].to_bits());
        row[lane] = f32::from_bits(here ^ ((here ^ next) & (which[lane] ^ turned)));
    }
}

/// What rounding to `f32` puts a bound off by is less than this part of it.
const MARGIN: f32 = 1e-6;

/// A step of the test in several lanes, all bits of a lane where something is so.
struct Step<const L: usize> {
    /// The largest sample is taken out, not the smallest.
    from_above: [u32; L],
    /// It lies certainly beyond the limit, or certainly within. One within it is an outlier nevertheless where
    /// a later one lies beyond.
    beyond: [u32; L],
    within: [u32; L],
}

#[inline(always)]
fn bits(is_so: bool) -> u32 {
    u32::from(is_so).wrapping_neg()
}

/// Whole numbers below this are exact in `f32`.
const EXACT: f32 = (1 << f32::MANTISSA_DIGITS) as f32;

/// Takes every step in sorted lanes side by side, in `f32`, and tells of each; what the sums may be off by
/// counts against certainty. Yields the lanes of which anything is certain at all.
#[inline(always)]
fn walk_lanes<T: Away, const L: usize>(
    rows: &[Row<T, L>],
    factors: &[f64],
    mut tell: impl FnMut(&Step<L>),
) -> [bool; L] {
    let size = rows.len();
    let reference = &rows[size / 2];
    let (mut sum, mut squares) = sums(rows, |value, lane| value.away(reference[lane]));
    // Bounds of what n additions put off, by Cauchy's inequality: of m times a distance, and of m
    // times the sum of squares.
    let rounding = size as f32 * 4e-7;
    let mut off = [0.0f32; L];
    let mut doubt = [0.0f32; L];
    let mut in_range = [false; L];
    for lane in 0..L {
        let whole = size as f32 * squares[lane];
        let is_exact = T::WHOLE & (whole < EXACT);
        off[lane] = if is_exact {
            0.0
        } else {
            rounding * whole.sqrt()
        };
        doubt[lane] = if is_exact { 0.0 } else { rounding * whole };
        in_range[lane] = is_exact | (doubt[lane] >= 1e-24) & (doubt[lane] < f32::INFINITY);
    }
    // The smallest and the largest that are left, the next one of each side after them.
    let mut smallest = vec![[0.0; L]; factors.len()];
    let mut largest = smallest.clone();
    for (away, row) in smallest.iter_mut().zip(rows) {
        distances(away, row, reference);
    }
    for (away, row) in largest.iter_mut().zip(rows.iter().rev()) {
        distances(away, row, reference);
    }
    let (mut far, mut spread, mut doubtful) = ([0.0f32; L], [0.0f32; L], [0u32; L]);
    let mut taken = Step {
        from_above: [0; L],
        beyond: [0; L],
        within: [0; L],
    };
    for (step, &factor) in factors.iter().enumerate() {
        let count = (size - step) as f32;
        let square = (factor * factor) as f32;
        let (low, high) = (&smallest[0], &largest[0]);
        for lane in 0..L {
            let down = sum[lane] - count * low[lane];
            let up = count * high[lane] - sum[lane];
            let further = up - down;
            taken.from_above[lane] = bits(further >= 0.0);
            far[lane] = if further >= 0.0 { up } else { down };
            doubtful[lane] = bits(further.abs() < 2.0 * off[lane]);
            spread[lane] = count * squares[lane] - sum[lane] * sum[lane];
            let removed = if further >= 0.0 {
                high[lane]
            } else {
                low[lane]
            };
            sum[lane] -= removed;
            squares[lane] -= removed * removed;
        }
        for lane in 0..L {
            let (reach, least) = (far[lane] + off[lane], far[lane] - off[lane]);
            let bound = square * (1.0 - MARGIN) * (spread[lane] - doubt[lane]);
            let beyond = square * (1.0 + MARGIN) * (spread[lane] + doubt[lane]);
            // Out of the range of `f32` nothing is certain.
            let certain = bits(beyond < f32::INFINITY) & !doubtful[lane];
            taken.within[lane] = bits(reach * reach <= bound) & certain;
            taken.beyond[lane] = bits(least * least > beyond) & bits(least > 0.0) & certain;
        }
        tell(&taken);
        let left = factors.len() - step;
        advance(&mut largest[..left], &taken.from_above, 0);
        advance(&mut smallest[..left], &taken.from_above, u32::MAX);
    }
    in_range
}

/// Lanes whose samples are all alike: nothing can go.
#[inline(always)]
fn alike<T: Away, const L: usize>(rows: &[Row<T, L>]) -> [bool; L] {
    let (first, last) = (&rows[0], &rows[rows.len() - 1]);
    let mut alike = [false; L];
    for lane in 0..L {
        alike[lane] = last[lane].away(first[lane]) == 0.0;
    }
    alike
}

/// Lanes of sorted rows of which it is certain that [`Test::kept`] drops nothing.
#[inline(always)]
pub(super) fn settled<T: Away, const L: usize>(rows: &[Row<T, L>], factors: &[f64]) -> [bool; L] {
    let mut stay = [u32::MAX; L];
    let in_range = walk_lanes(rows, factors, |step| {
        for (stay, within) in stay.iter_mut().zip(&step.within) {
            *stay &= within;
        }
    });
    let mut settled = alike(rows);
    for lane in 0..L {
        settled[lane] |= in_range[lane] & (stay[lane] != 0);
    }
    settled
}

/// What [`Test::kept`] keeps of sorted lanes, as far as that is certain.
#[inline(always)]
pub(super) fn ranges<T: Away, const L: usize>(rows: &[Row<T, L>], factors: &[f64]) -> Ranges<L> {
    let mut sure = [u32::MAX; L];
    // How many were taken out below and above; and when the last outlier was.
    let (mut below, mut above) = ([0; L], [0; L]);
    let (mut start, mut end) = ([0; L], [0; L]);
    let in_range = walk_lanes(rows, factors, |step| {
        for lane in 0..L {
            sure[lane] &= step.within[lane] | step.beyond[lane];
            above[lane] += step.from_above[lane] & 1;
            below[lane] += !step.from_above[lane] & 1;
            start[lane] = if step.beyond[lane] == 0 {
                start[lane]
            } else {
                below[lane]
            };
            end[lane] = if step.beyond[lane] == 0 {
                end[lane]
            } else {
                above[lane]
            };
        }
    });
    let mut ranges = Ranges::unknown();
    let alike = alike(rows);
    for lane in 0..L {
        let (start, end) = if alike[lane] {
            (0, 0)
        } else {
            (start[lane], end[lane])
        };
        ranges.start[lane] = start as u16;
        ranges.end[lane] = (rows.len() as u32 - end) as u16;
        ranges.sure[lane] = (in_range[lane] & (sure[lane] != 0)) | alike[lane];
    }
    ranges
}
