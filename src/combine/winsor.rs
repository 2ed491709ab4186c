//! Winsorized clipping: Huber's scheme (Huber 1981, Robust Statistics, 6.7; ISO 13528, algorithm A,
//! has the same steps).
//!
//! The centre c is the median. Samples beyond c +- 1.5 s are pulled in to that bound, and s becomes
//! 1.1334 times the standard deviation (divisor n) of what results; this is repeated to
//! convergence, from an s so wide that it pulls nothing. Then samples beyond c - low s and
//! c + high s go.
//!
//! The repetition never widens s again, so it ends at the largest s that reproduces itself. That is
//! found here in a few steps instead of dozens: as long as the same samples are pulled, the s that
//! reproduces itself is the root of a quadratic equation. Between the true scheme and one that
//! keeps pulling the same samples, the true one never gives the larger s (it pulls in further, and
//! pulling in never widens), so each root still lies at or above the end, and after at most n
//! steps no further sample is pulled.
//!
//! Many pixels side by side are bracketed in `f32` instead: the scheme certainly does not end above the one and
//! below the other of two standard deviations, and mostly no sample lies between the bounds of both. Of most it is
//! certain before they are sorted through that they lose nothing: their median, extremes, and sums with the outer samples
//! pulled in tell it.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use super::away::{Away, sums};
use super::chunk::Row;
use super::lanes::LANES;
use super::near::{Chunks, NEAR, means_from, pulled, whole_below};
use super::network::Ordered;
use super::ranked::Ranges;
use super::scalar::middle;
use super::small::Summed;
use super::strays::Flags;

/// 1 / standard deviation of a unit normal distribution winsorized at 1.5:
/// 1 / sqrt(2 (Phi(1.5) - 1/2 - 1.5 phi(1.5)) + 2 * 1.5^2 Phi(-1.5)).
pub const WINSOR_TO_SD: f64 = 1.133_392_655_462_487;

/// Where samples are pulled in to, in standard deviations.
const PULL: f64 = 1.5;

/// The range of sorted samples that stays.
pub(super) fn kept<T: Summed>(sorted: &[T], low: f64, high: f64) -> std::ops::Range<usize> {
    let centre = middle(sorted);
    let sd = winsorized_sd(sorted, centre);
    let offset = |value: T| value.into() - centre;
    let start = sorted
        .iter()
        .take_while(|&&x| offset(x) < -low * sd)
        .count();
    let above = sorted[start..].iter().rev();
    let end = sorted.len() - above.take_while(|&&x| offset(x) > high * sd).count();
    start..end
}

/// The standard deviation at which Huber's scheme arrives.
fn winsorized_sd<T: Summed>(sorted: &[T], centre: f64) -> f64 {
    let offset = |value: T| value.into() - centre;
    let count = sorted.len() as f64;
    let (mut sum, mut squares) = T::sums(sorted, centre);
    let mut inside = 0..sorted.len();
    let mut sd = WINSOR_TO_SD * (count * squares - sum * sum).max(0.0).sqrt() / count;
    loop {
        let before = inside.clone();
        while inside.start < inside.end && offset(sorted[inside.start]) < -PULL * sd {
            let away = offset(sorted[inside.start]);
            (sum, squares) = (sum - away, squares - away * away);
            inside.start += 1;
        }
        while inside.start < inside.end && offset(sorted[inside.end - 1]) > PULL * sd {
            let away = offset(sorted[inside.end - 1]);
            (sum, squares) = (sum - away, squares - away * away);
            inside.end -= 1;
        }
        if inside == before {
            return sd;
        }
        if !T::EXACT {
            (sum, squares) = T::sums(&sorted[inside.clone()], centre);
        }
        let pulled = (inside.start as f64, (sorted.len() - inside.end) as f64);
        sd = reproduced(count, sum, squares, pulled).min(sd);
    }
}

/// The s that reproduces itself while the same samples are pulled, `sum` and `squares` being those
/// of the others counted from the centre: n^2 s^2 / k^2 = n (squares + 1.5^2 s^2 P) -
/// (sum + 1.5 s D)^2, with P samples pulled in all and D more from above than from below.
fn reproduced(count: f64, sum: f64, squares: f64, (lower, upper): (f64, f64)) -> f64 {
    let (all, more) = (lower + upper, upper - lower);
    let a = (count / WINSOR_TO_SD).powi(2) - PULL * PULL * (count * all - more * more);
    let b = 2.0 * PULL * sum * more;
    let q = count * squares - sum * sum;
    let root = (b * b + 4.0 * a * q).max(0.0).sqrt();
    if b < 0.0 {
        // Only a > 0 leaves a root here; the caller's minimum covers the rest.
        if a > 0.0 {
            (root - b) / (2.0 * a)
        } else {
            f64::INFINITY
        }
    } else if q > 0.0 {
        2.0 * q / (b + root)
    } else {
        0.0
    }
}

/// What rounding to `f32` puts a bound of a lane off by is less than this part of it.
const MARGIN: f32 = 1e-5;

/// Roots taken: nearly all lanes of a camera's noise are certain after two.
const ROOTS: usize = 2;

/// The samples of each lane that lie beyond a bound.
struct Outer<const L: usize> {
    /// How many.
    count: [u32; L],
    /// How far the next one lies from the median.
    next: [f32; L],
}

/// What the samples of several lanes are counted from.
struct Centres<'a, T, const L: usize> {
    /// Samples of each lane.
    size: usize,
    /// The upper of the middle two samples, and how far above it the median lies.
    reference: &'a Row<T, L>,
    median: [f32; L],
}

impl<'a, T: Away, const L: usize> Centres<'a, T, L> {
    /// Those of rows of which the middle two are in their places.
    #[inline(always)]
    fn of(rows: &'a [Row<T, L>]) -> Self {
        let (below, reference) = (&rows[(rows.len() - 1) / 2], &rows[rows.len() / 2]);
        let mut median = [0.0; L];
        for lane in 0..L {
            median[lane] = below[lane].away(reference[lane]) / 2.0;
        }
        Self {
            size: rows.len(),
            reference,
            median,
        }
    }

    /// Distance of a sample from the median of its lane. No sample is nearer to the median than the
    /// reference is, so that the second rounding is as small a part of the distance as the first.
    #[inline(always)]
    fn away(&self, value: T, lane: usize) -> f32 {
        value.away(self.reference[lane]) - self.median[lane]
    }

    /// How far the smallest samples lie below the median, and the largest ones above it.
    #[inline(always)]
    fn outermost(&self, least: &Row<T, L>, most: &Row<T, L>) -> Outermost<L> {
        let mut outermost = Outermost {
            down: [0.0; L],
            up: [0.0; L],
        };
        for lane in 0..L {
            outermost.down[lane] = -self.away(least[lane], lane);
            outermost.up[lane] = self.away(most[lane], lane);
        }
        outermost
    }

    /// Bound on what n additions put off: n^2 times the variance, relative to n times the sum of squares. Of
    /// fewer than five samples the margins cover the rest.
    fn doubt(&self) -> f32 {
        self.size as f32 * 4e-7
    }

    /// Lanes of which it is certain that samples as far out as the outermost stay: that the scheme comes to rest at
    /// `least` standard deviations, s, or above. Where pulling in at 1.5 s yields s or more it never falls below
    /// s. `variance` is n^2 times that of what results, or less.
    #[inline(always)]
    fn stays(&self, outermost: &Outermost<L>, least: &[f32; L], variance: &[f32; L]) -> [bool; L] {
        let count = self.size as f32;
        let factor = (WINSOR_TO_SD * WINSOR_TO_SD) as f32;
        let mut stays = [false; L];
        for lane in 0..L {
            let wanted = count * least[lane] * (1.0 + MARGIN);
            // Out of the range of `f32` nothing is certain.
            let bound = factor * variance[lane];
            let sure = (bound < f32::INFINITY) & (wanted > 1e-12);
            let at_median = (outermost.down[lane] == 0.0) & (outermost.up[lane] == 0.0);
            stays[lane] = at_median | (sure & (bound >= wanted * wanted));
        }
        stays
    }

    /// The same of sorted rows.
    #[inline(always)]
    fn stays_of(
        &self,
        rows: &[Row<T, L>],
        outermost: &Outermost<L>,
        low: f64,
        high: f64,
    ) -> [bool; L] {
        let least = outermost.least(low, high);
        let pull = least.map(|sd| sd * PULL as f32);
        self.stays(outermost, &least, &self.pulled_variance(rows, &pull))
    }

    /// n^2 times the variance of each lane, or less, once samples farther than `pull` from the median are
    /// pulled in to there.
    #[inline(always)]
    fn pulled_variance(&self, rows: &[Row<T, L>], pull: &[f32; L]) -> [f32; L] {
        let count = self.size as f32;
        let (sum, squares) = sums(rows, |value, lane| {
            let away = self.away(value, lane);
            away.greater(-pull[lane]).lesser(pull[lane])
        });
        let keep = 1.0 - self.doubt();
        let mut variance = [0.0; L];
        for lane in 0..L {
            variance[lane] = count * squares[lane] * keep - sum[lane] * sum[lane];
        }
        variance
    }

    /// Standard deviations that the scheme does not end above: roots, as in [`winsorized_sd`], of
    /// equations whose coefficients err to the side that makes them larger.
    #[inline(always)]
    fn ends_below(&self, rows: &[Row<T, L>]) -> [f32; L] {
        let count = self.size as f32;
        let doubt = self.doubt();
        let (sum, squares) = sums(rows, |value, lane| self.away(value, lane));
        let mut ends = [f32::INFINITY; L];
        for lane in 0..L {
            let whole = count * squares[lane];
            let variance = whole - sum[lane] * sum[lane] + doubt * whole;
            let sd = WINSOR_TO_SD as f32 / count * variance.sqrt() * (1.0 + MARGIN);
            // Below that, squares may have left the range of `f32`.
            ends[lane] = if sd < f32::INFINITY {
                sd.greater(1e-12)
            } else {
                f32::INFINITY
            };
        }
        for _ in 0..ROOTS {
            self.lower(rows, &mut ends);
        }
        ends
    }

    /// One root further down.
    #[inline(always)]
    fn lower(&self, rows: &[Row<T, L>], ends: &mut [f32; L]) {
        let count = self.size as f32;
        let doubt = self.doubt();
        let mut pull = [0.0; L];
        for lane in 0..L {
            pull[lane] = ends[lane] * PULL as f32;
        }
        let is_pulled = |away: f32, lane: usize| (away < -pull[lane]) | (away > pull[lane]);
        let (sum, squares) = sums(rows, |value, lane| {
            let away = self.away(value, lane);
            if is_pulled(away, lane) { 0.0 } else { away }
        });
        let below = self.outer(rows.iter(), |away, lane| away < -pull[lane]);
        let above = self.outer(rows.iter().rev(), |away, lane| away > pull[lane]);
        let square = PULL as f32 * PULL as f32;
        let most = (count / WINSOR_TO_SD as f32).powi(2);
        for lane in 0..L {
            let lower = below.count[lane] as i32 as f32;
            let upper = above.count[lane] as i32 as f32;
            let (all, more) = (lower + upper, upper - lower);
            let a = most - square * (count * all - more * more) - most * MARGIN;
            let whole = count * squares[lane];
            // By Cauchy's inequality the sum is off by less than this.
            let off = doubt * whole.sqrt();
            let b = 2.0 * PULL as f32 * (sum[lane] * more - off * more.abs());
            let q = whole - sum[lane] * sum[lane] + doubt * whole;
            let root = (b * b + 4.0 * a * q).sqrt();
            let end = if b < 0.0 {
                (root - b) / (2.0 * a)
            } else if b + root > 0.0 {
                2.0 * q / (b + root)
            } else {
                0.0
            };
            let end = (end * (1.0 + MARGIN)).greater(1e-12);
            // False for what is no number.
            let is_lower = (a > 0.0) & (root < f32::INFINITY) & (end < ends[lane]);
            ends[lane] = if is_lower { end } else { ends[lane] };
        }
    }

    /// Counts the outer ones of each lane: samples from the first of sorted `rows` on that are `beyond`.
    #[inline(always)]
    fn outer<'r>(
        &self,
        rows: impl Iterator<Item = &'r Row<T, L>>,
        beyond: impl Fn(f32, usize) -> bool,
    ) -> Outer<L>
    where
        T: 'r,
    {
        let mut outer = Outer {
            count: [0; L],
            next: [0.0; L],
        };
        let mut before = [u32::MAX; L];
        for row in rows {
            let mut any = 0;
            for lane in 0..L {
                let away = self.away(row[lane], lane);
                let is_beyond = u32::from(beyond(away, lane)).wrapping_neg();
                outer.count[lane] += is_beyond & 1;
                // The first that is not.
                let is_next = before[lane] & !is_beyond;
                outer.next[lane] = if is_next == 0 { outer.next[lane] } else { away };
                before[lane] &= is_beyond;
                any |= is_beyond;
            }
            if any == 0 {
                break;
            }
        }
        outer
    }
}

/// How far the outermost samples of each lane lie below and above the median.
struct Outermost<const L: usize> {
    down: [f32; L],
    up: [f32; L],
}

impl<const L: usize> Outermost<L> {
    /// The least standard deviations that leave them where they are.
    #[inline(always)]
    fn least(&self, low: f64, high: f64) -> [f32; L] {
        let (per_low, per_high) = ((1.0 / low) as f32, (1.0 / high) as f32);
        let mut least = [0.0; L];
        for lane in 0..L {
            let (down, up) = (self.down[lane] * per_low, self.up[lane] * per_high);
            least[lane] = down.greater(up) * (1.0 + MARGIN);
        }
        least
    }
}

/// Lanes of sorted rows of which it is certain that [`kept`] drops nothing: with s the least standard deviation
/// that drops nothing the scheme comes to rest at s or above it.
#[inline(always)]
pub(super) fn settled<T: Away, const L: usize>(
    rows: &[Row<T, L>],
    low: f64,
    high: f64,
) -> [bool; L] {
    let centres = Centres::of(rows);
    let outermost = centres.outermost(&rows[0], &rows[rows.len() - 1]);
    centres.stays_of(rows, &outermost, low, high)
}

/// One for lanes that may lose something, else zero, and the means of the others: as [`settled`] tells without
/// sorted rows, by one more look at the samples of a chunk by its number. Of `rows` the middle two are in their
/// places; `least` and `most` are the extremes.
#[inline(always)]
pub(super) fn may_lose(
    exposures: &Chunks,
    chunk: usize,
    rows: &[Row<i16, LANES>],
    (least, most): (&Row<i16, LANES>, &Row<i16, LANES>),
    (low, high): (f64, f64),
) -> ([f32; LANES], Flags<LANES>) {
    let centres = Centres::of(rows);
    let reference = centres.reference;
    let outermost = centres.outermost(least, most);
    let sd = outermost.least(low, high);
    let mut is_near = [false; LANES];
    let [mut low, mut high] = [Row([0; LANES]); 2];
    for lane in 0..LANES {
        let below = reference[lane].saturating_sub(least[lane]);
        let above = most[lane].saturating_sub(reference[lane]);
        let (pull, median) = (sd[lane] * PULL as f32, centres.median[lane]);
        let (down, up) = (
            -whole_below(pull - median, 1.0),
            whole_below(pull + median, 1.0),
        );
        is_near[lane] = below.greater(above) <= NEAR;
        low[lane] = if is_near[lane] { down } else { 0 };
        high[lane] = if is_near[lane] { up } else { 0 };
    }
    let sums = pulled::<true>(exposures, chunk, reference, &low, &high);
    let count = rows.len() as f32;
    let mut variance = [0.0; LANES];
    for lane in 0..LANES {
        let (sum, squares) = (sums.plain[lane] as f32, sums.squares[lane] as f32);
        let (below, above) = (
            sums.below[lane] as i32 as f32,
            sums.above[lane] as i32 as f32,
        );
        let (low, high) = (f32::from(low[lane]), f32::from(high[lane]));
        // They were pulled in to whole numbers, and go out to their bounds again: by less than one, and by one at most
        // where the number is not the last before its bound.
        let (pull, median) = (sd[lane] * PULL as f32, centres.median[lane]);
        let down = (low - (median - pull)).greater(0.0).lesser(1.0);
        let up = ((median + pull) - high).greater(0.0).lesser(1.0);
        let sum = sum + above * up - below * down;
        let squares = squares + above * up * (high + high + up) + below * down * (down - low - low);
        // With no whole number between the bounds nothing is certain.
        let count = if low <= high { count } else { 0.0 };
        variance[lane] = count * squares * (1.0 - MARGIN) - sum * sum;
    }
    let settled = centres.stays(&outermost, &sd, &variance);
    let mut may_lose = [0; LANES];
    for lane in 0..LANES {
        may_lose[lane] = u8::from(!(settled[lane] & is_near[lane]));
    }
    (means_from(reference, &sums.all, rows.len()), may_lose)
}

/// What [`kept`] keeps of sorted lanes, as far as that is certain: what goes where the scheme ends no higher than
/// some standard deviation goes, and nothing else where it ends no lower than the least that leaves the others.
#[inline(always)]
pub(super) fn ranges<T: Away, const L: usize>(
    rows: &[Row<T, L>],
    low: f64,
    high: f64,
) -> Ranges<L> {
    let centres = Centres::of(rows);
    let most = centres.ends_below(rows);
    let (mut lowest, mut highest) = ([0.0; L], [0.0; L]);
    for lane in 0..L {
        lowest[lane] = -(low as f32) * most[lane] * (1.0 + MARGIN);
        highest[lane] = high as f32 * most[lane] * (1.0 + MARGIN);
    }
    let below = centres.outer(rows.iter(), |away, lane| away < lowest[lane]);
    let above = centres.outer(rows.iter().rev(), |away, lane| away > highest[lane]);
    let outermost = Outermost {
        down: below.next.map(|away| -away),
        up: above.next,
    };
    let stays = centres.stays_of(rows, &outermost, low, high);
    let mut ranges = Ranges::unknown();
    for (lane, sure) in stays.into_iter().enumerate() {
        let (start, end) = (below.count[lane], above.count[lane]);
        let sure = sure & (start + end < rows.len() as u32);
        ranges.sure[lane] = sure;
        ranges.start[lane] = if sure { start as u16 } else { 0 };
        ranges.end[lane] = if sure {
            (rows.len() as u32 - end) as u16
        } else {
            0
        };
    }
    ranges
}
