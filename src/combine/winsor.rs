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

use super::chunk::{PART, Row};
use super::network::Ordered;
use super::scalar::middle;
use super::small::Summed;

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

/// A sample whose distance from another is a number.
pub(super) trait Away: Ordered {
    /// Distance from a reference, with a relative error of one rounding.
    fn away(self, reference: Self) -> f32;
}

/// Sum and sum of squares of each lane's distances, `away` giving that of a sample of a lane. A part of the
/// lanes after the other, so that their sums stay in registers.
#[inline(always)]
pub(super) fn sums<T: Copy, const L: usize>(
    rows: &[Row<T, L>],
    away: impl Fn(T, usize) -> f32,
) -> ([f32; L], [f32; L]) {
    let (mut sums, mut squares) = ([0.0; L], [0.0; L]);
    for place in 0..L / PART {
        let first = place * PART;
        let (mut sum, mut square) = ([0.0f32; PART], [0.0f32; PART]);
        for row in rows {
            let row = row.part(place);
            for lane in 0..PART {
                let away = away(row[lane], first + lane);
                sum[lane] += away;
                square[lane] += away * away;
            }
        }
        sums[first..first + PART].copy_from_slice(&sum);
        squares[first..first + PART].copy_from_slice(&square);
    }
    (sums, squares)
}

/// Lanes of sorted rows of which it is certain that [`kept`] drops nothing.
///
/// With s the least standard deviation that drops nothing: where pulling in at 1.5 s yields s or
/// more, the scheme ends at s or above it, for it never falls below a value that reproduces itself
/// or grows. The sums are `f32`; what they may be off by counts against the lane.
#[inline(always)]
pub(super) fn settled<T: Away, const L: usize>(
    rows: &[Row<T, L>],
    low: f64,
    high: f64,
) -> [bool; L] {
    let size = rows.len();
    let count = size as f32;
    let (per_low, per_high) = ((1.0 / low) as f32, (1.0 / high) as f32);
    let (first, last) = (&rows[0], &rows[size - 1]);
    let (below, reference) = (&rows[(size - 1) / 2], &rows[size / 2]);
    let mut centre = [0.0f32; L];
    let mut least = [0.0f32; L];
    let mut pull = [0.0f32; L];
    for lane in 0..L {
        centre[lane] = below[lane].away(reference[lane]) / 2.0;
        let down = centre[lane] - first[lane].away(reference[lane]);
        let up = last[lane].away(reference[lane]) - centre[lane];
        least[lane] = (down * per_low).greater(up * per_high) * 1.000_01;
        pull[lane] = least[lane] * PULL as f32;
    }
    let (sum, squares) = sums(rows, |value, lane| {
        let away = value.away(reference[lane]) - centre[lane];
        away.greater(-pull[lane]).lesser(pull[lane])
    });
    // Relative to n times the sum of squares, n additions put the variance off by less than this.
    let doubt = 1.0 - count * 4e-7;
    let factor = (WINSOR_TO_SD * WINSOR_TO_SD) as f32;
    let mut settled = [false; L];
    for lane in 0..L {
        let variance = count * squares[lane] * doubt - sum[lane] * sum[lane];
        let least = count * least[lane];
        // Out of the range of `f32` nothing is certain; where all are alike nothing can go.
        let bound = factor * variance;
        let sure = (bound < f32::INFINITY) & (least > 1e-12);
        settled[lane] = (least == 0.0) | (sure & (bound >= least * least));
    }
    settled
}
