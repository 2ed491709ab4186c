//! The specification: one pixel at a time, plainly.
//!
//! Survivors of clipping are always a contiguous range of the sorted samples, so a round of
//! clipping moves the two ends of a range. The fast forms share [`Bounds`] and the two functions
//! that compute it, and hand over pixels that need more than the fast way offers.

use crate::facts::{Combining, InputCount};

use super::Combined;
use super::chunk::Row;
use super::form::{Basic, Form, Limits};
use super::ranked::charge;
use super::small::Summed;
use super::stored::{Stored, sample};

/// A round's bounds, in units of 1/`scale`. Samples below `lower` or above `upper` go; those on a
/// bound stay.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    lower: f64,
    upper: f64,
    scale: f64,
}

impl Bounds {
    #[inline(always)]
    pub(super) fn below(&self, value: f64) -> bool {
        value * self.scale < self.lower
    }

    #[inline(always)]
    pub(super) fn above(&self, value: f64) -> bool {
        value * self.scale > self.upper
    }
}

/// Bounds for integer samples counted from the pixel's smallest. `variance` is the variance of the
/// `count` survivors times count squared (count times their sum of squares less their sum
/// squared); `centre` is their centre times twice the count. Both are whole numbers.
///
/// In this scale the square root is the one thing that is rounded, so a sample that lies exactly
/// on a bound is seen to lie there.
#[inline(always)]
pub(super) fn integer_bounds(limits: &Limits, count: f64, variance: f64, centre: f64) -> Bounds {
    let spread = 2.0 * variance.sqrt();
    Bounds {
        lower: centre - limits.low * spread,
        upper: centre + limits.high * spread,
        scale: 2.0 * count,
    }
}

/// Bounds for float samples. `sum` and `squares` are those of the survivors counted from
/// `reference`, the upper of their middle two (the middle one, where there is one).
///
/// The mean lies within one standard deviation of the median, so the subtraction in the variance
/// loses at most about one bit, whatever the pedestal.
#[inline(always)]
pub(super) fn float_bounds(
    limits: &Limits,
    count: f64,
    sum: f64,
    squares: f64,
    reference: f64,
    median: f64,
) -> Bounds {
    let offset = sum / count;
    let variance = (squares - sum * offset) / count;
    let spread = variance.max(0.0).sqrt();
    let centre = if limits.median_centre {
        median
    } else {
        reference + offset
    };
    Bounds {
        lower: centre - limits.low * spread,
        upper: centre + limits.high * spread,
        scale: 1.0,
    }
}

/// What both kinds of sample can do.
pub(super) trait Sample: Summed + PartialOrd {
    /// Any order that sorts finite samples by value.
    fn order(&self, other: &Self) -> std::cmp::Ordering;
    /// Zero of the scale in which [`Sample::bounds`] counts, from the pixel's smallest sample.
    fn origin(smallest: Self) -> f64;
    /// Bounds around sorted survivors, counted from `origin`.
    fn bounds(survivors: &[Self], origin: f64, limits: &Limits) -> Bounds;
    /// Mean of sorted survivors.
    fn mean(survivors: &[Self]) -> f64;
}

/// A sample as it is handed in.
pub(super) trait Raw: Copy {
    type Value: Sample;

    fn value(self) -> Self::Value;
}

impl Raw for Stored {
    type Value = u16;

    #[inline(always)]
    fn value(self) -> u16 {
        sample(self)
    }
}

impl Raw for f32 {
    type Value = Self;

    #[inline(always)]
    fn value(self) -> Self {
        self
    }
}

impl Sample for u16 {
    fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.cmp(other)
    }

    fn origin(smallest: Self) -> f64 {
        f64::from(smallest)
    }

    fn bounds(survivors: &[Self], origin: f64, limits: &Limits) -> Bounds {
        let offset = |value: u16| u64::from(value - origin as u16);
        let count = survivors.len() as u64;
        let sum: u64 = survivors.iter().map(|&value| offset(value)).sum();
        let squares: u64 = survivors.iter().map(|&value| offset(value).pow(2)).sum();
        let centre = if limits.median_centre {
            let half = survivors.len() / 2;
            let other = (survivors.len() - 1) / 2;
            count * (offset(survivors[other]) + offset(survivors[half]))
        } else {
            2 * sum
        };
        let variance = count * squares - sum * sum;
        integer_bounds(limits, count as f64, variance as f64, centre as f64)
    }

    fn mean(survivors: &[Self]) -> f64 {
        let sum: u64 = survivors.iter().map(|&value| u64::from(value)).sum();
        sum as f64 / survivors.len() as f64
    }
}

/// Sum and sum of squares counted from the survivors' reference, and the reference.
pub(super) fn float_sums(survivors: &[f32]) -> (f64, f64, f64) {
    let reference = f64::from(survivors[survivors.len() / 2]);
    let (sum, squares) = f32::sums(survivors, reference);
    (sum, squares, reference)
}

impl Sample for f32 {
    fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.total_cmp(other)
    }

    fn origin(_: Self) -> f64 {
        0.0
    }

    fn bounds(survivors: &[Self], _: f64, limits: &Limits) -> Bounds {
        let (sum, squares, reference) = float_sums(survivors);
        let count = survivors.len() as f64;
        float_bounds(limits, count, sum, squares, reference, middle(survivors))
    }

    fn mean(survivors: &[Self]) -> f64 {
        let (sum, _, reference) = float_sums(survivors);
        reference + sum / survivors.len() as f64
    }
}

/// Median of sorted samples; the mean of the middle two for an even number.
pub(super) fn middle<T: Copy + Into<f64>>(sorted: &[T]) -> f64 {
    let count = sorted.len();
    (sorted[(count - 1) / 2].into() + sorted[count / 2].into()) / 2.0
}

/// [`float_sums`] of sorted lanes, without the squares: sums and references.
#[inline(always)]
pub(super) fn float_sums_of_rows<T: Copy + Into<f64>, const L: usize>(
    rows: &[Row<T, L>],
) -> ([f64; L], [f64; L]) {
    let reference = rows[rows.len() / 2].0.map(Into::into);
    let mut sums = [0.0; L];
    for row in rows {
        for lane in 0..L {
            sums[lane] += row[lane].into() - reference[lane];
        }
    }
    (sums, reference)
}

/// Whether a sample may enter: finite and not saturated.
pub(super) fn enters(value: impl Into<f64>, saturation: f64) -> bool {
    let value: f64 = value.into();
    let saturated = value >= saturation;
    value.is_finite() && !saturated
}

/// Negative zero becomes zero: sorting does not tell the two apart, so neither does the result.
#[inline(always)]
pub(super) fn unsigned_zero(value: f32) -> f32 {
    value + 0.0
}

/// The range of `sorted` that survives, and the bounds that decided. Without rounds everything
/// survives.
pub(super) fn survivors<T: Sample>(
    sorted: &[T],
    limits: &Limits,
) -> (std::ops::Range<usize>, Option<Bounds>) {
    let origin = T::origin(sorted[0]);
    let mut kept = 0..sorted.len();
    let mut last = None;
    for _ in 0..limits.iterations {
        let bounds = T::bounds(&sorted[kept.clone()], origin, limits);
        last = Some(bounds);
        let before = kept.clone();
        while kept.start < kept.end && bounds.below(sorted[kept.start].into() - origin) {
            kept.start += 1;
        }
        while kept.end > kept.start && bounds.above(sorted[kept.end - 1].into() - origin) {
            kept.end -= 1;
        }
        if kept.is_empty() || kept == before {
            break;
        }
    }
    if let Some(bounds) = last.filter(|_| !kept.is_empty()) {
        // A bound may have moved outwards past a sample that an earlier round dropped. That takes
        // limits well below one standard deviation, but then the last bounds decide.
        while kept.start > 0 && !bounds.below(sorted[kept.start - 1].into() - origin) {
            kept.start -= 1;
        }
        while kept.end < sorted.len() && !bounds.above(sorted[kept.end].into() - origin) {
            kept.end += 1;
        }
    }
    (kept, last)
}

/// One pixel's workspace.
pub(super) struct Pixel<T> {
    form: Form,
    entered: Vec<T>,
    finite: Vec<f64>,
    order: Vec<(f64, usize)>,
}

impl<T: Sample> Pixel<T> {
    pub(super) fn new(method: &Combining) -> Self {
        Self {
            form: Form::of(method),
            entered: Vec::new(),
            finite: Vec::new(),
            order: Vec::new(),
        }
    }

    /// Combines one pixel.
    pub(super) fn combine<R: Raw<Value = T>>(
        &mut self,
        exposures: &[&[R]],
        at: usize,
        saturation: f64,
        rejected: &mut [InputCount],
        seen: &mut Combined,
    ) -> f32 {
        let samples = exposures.iter().map(|exposure| exposure[at].value());
        let enters = |value: T| enters(value, saturation);
        self.entered.clear();
        self.entered
            .extend(samples.clone().filter(|&value| enters(value)));
        seen.excluded += (rejected.len() - self.entered.len()) as u64;
        if self.entered.is_empty() {
            return last_resort(samples, &mut self.finite, seen);
        }
        let value = match &mut self.form {
            Form::Basic(Basic::Mean) => {
                let sum: f64 = self.entered.iter().map(|&value| value.into()).sum();
                sum / self.entered.len() as f64
            }
            Form::Basic(Basic::Median) => {
                self.entered.sort_unstable_by(T::order);
                middle(&self.entered)
            }
            Form::Basic(Basic::Clip(limits)) => {
                self.entered.sort_unstable_by(T::order);
                let origin = T::origin(self.entered[0]);
                let (kept, bounds) = survivors(&self.entered, limits);
                if let Some(bounds) = bounds.filter(|_| kept.len() < self.entered.len()) {
                    for (value, count) in samples.clone().zip(rejected) {
                        let offset = value.into() - origin;
                        if enters(value) {
                            count.low += u64::from(bounds.below(offset));
                            count.high += u64::from(bounds.above(offset));
                        }
                    }
                }
                if kept.is_empty() {
                    return last_resort(samples, &mut self.finite, seen);
                }
                T::mean(&self.entered[kept])
            }
            Form::Ranked(ranked) => {
                self.entered.sort_unstable_by(T::order);
                let kept = ranked.kept(&self.entered);
                if kept.len() < self.entered.len() {
                    charge(samples.clone(), enters, &kept, &mut self.order, rejected);
                }
                if kept.is_empty() {
                    return last_resort(samples, &mut self.finite, seen);
                }
                T::mean(&self.entered[kept])
            }
        };
        unsigned_zero(value as f32)
    }
}

/// The median of all finite samples, the saturated ones included. `finite` is a workspace.
pub(super) fn last_resort<T: Into<f64>>(
    samples: impl Iterator<Item = T>,
    finite: &mut Vec<f64>,
    seen: &mut Combined,
) -> f32 {
    seen.without_survivors += 1;
    finite.clear();
    finite.extend(samples.map(Into::into).filter(|value| value.is_finite()));
    finite.sort_unstable_by(f64::total_cmp);
    if finite.is_empty() {
        f32::NAN
    } else {
        unsigned_zero(middle(finite) as f32)
    }
}

/// Combines a stretch, one pixel after the other.
pub(super) fn combine<R: Raw>(
    method: &Combining,
    exposures: &[&[R]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    let mut seen = Combined::default();
    let mut pixel = Pixel::new(method);
    for (at, value) in out.iter_mut().enumerate() {
        *value = pixel.combine(exposures, at, saturation, rejected, &mut seen);
    }
    seen
}
