//! Statistics of one sample of numbers.

/// Scales the median absolute deviation of a normal sample to its standard deviation:
/// 1 / Phi^-1(3/4).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// The median of n normal values errs by this many standard deviations over the root of n
/// (the square root of pi/2).
pub const MEDIAN_ERROR: f64 = 1.2533;

/// Numbers of which sums are formed.
pub trait Summed: Copy + Into<f64> {
    /// Whether sums of offsets from a pixel's median, and of their squares, are exact in `f64` (for
    /// up to half a million samples).
    const EXACT: bool;

    /// Sum of offsets from `centre`, and of their squares. `centre` is a median of such numbers, or one of
    /// them.
    fn sums(values: &[Self], centre: f64) -> (f64, f64) {
        values.iter().fold((0.0, 0.0), |(sum, squares), &value| {
            let away = value.into() - centre;
            (sum + away, squares + away * away)
        })
    }
}

impl Summed for f64 {
    const EXACT: bool = false;
}

impl Summed for f32 {
    const EXACT: bool = false;
}

impl Summed for u16 {
    const EXACT: bool = true;

    /// Twice a median is a whole number: in whole numbers an addition need not wait for the one before it to
    /// be rounded.
    fn sums(values: &[Self], centre: f64) -> (f64, f64) {
        let twice = (2.0 * centre) as i64;
        let (sum, squares) = values.iter().fold((0, 0), |(sum, squares), &value| {
            let away = 2 * i64::from(value) - twice;
            (sum + away, squares + away * away)
        });
        (sum as f64 / 2.0, squares as f64 / 4.0)
    }
}

/// Mean and standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moments {
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation with divisor n - 1; zero for a single value.
    pub sd: f64,
}

/// Mean and standard deviation in two passes, the second one corrected for the rounding of the
/// first (Chan, Golub, LeVeque 1983, The American Statistician 37, 242, eq. 1.7). Nothing for no
/// values.
pub fn mean_and_sd(values: &[f64]) -> Option<Moments> {
    let count = values.len() as f64;
    let first = *values.first()?;
    // Counted from a member, so that a pedestal costs no digits.
    let offset = values.iter().map(|value| value - first).sum::<f64>() / count;
    let (sum, squares) = values.iter().fold((0.0, 0.0), |(sum, squares), value| {
        let away = value - first - offset;
        (sum + away, squares + away * away)
    });
    let mean = first + (offset + sum / count);
    let variance = if values.len() > 1 {
        (squares - sum * sum / count) / (count - 1.0)
    } else {
        0.0
    };
    Some(Moments {
        mean,
        sd: variance.max(0.0).sqrt(),
    })
}

/// Median; the mean of the middle two for an even number, nothing for no values. Reorders them.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let even = values.len().is_multiple_of(2);
    if values.is_empty() {
        return None;
    }
    let half = values.len() / 2;
    let (below, &mut upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    if !even {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some((lower + upper) / 2.0)
}

/// Median absolute deviation from `centre`, not scaled (see [`MAD_TO_SD`]).
pub fn mad(values: &[f64], centre: f64) -> Option<f64> {
    let mut away: Vec<f64> = values.iter().map(|value| (value - centre).abs()).collect();
    median(&mut away)
}

/// What is left of a sample after clipping.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clip {
    /// Mean of the survivors.
    pub mean: f64,
    /// Median of the survivors.
    pub median: f64,
    /// Standard deviation of the survivors, divisor n.
    pub sd: f64,
    /// How many survive.
    pub count: usize,
    /// How many lie below the survivors.
    pub below: usize,
}

/// Clips a sample around its median at `limit` standard deviations (divisor n), at most `rounds`
/// times. Sorts the values; nothing where there are none. Values must not be NaN.
pub fn clipped(values: &mut [f64], limit: f64, rounds: u32) -> Option<Clip> {
    values.sort_unstable_by(f64::total_cmp);
    clipped_sorted(values, limit, rounds)
}

/// [`clipped`] for values in ascending order.
pub fn clipped_sorted<T: Summed>(sorted: &[T], limit: f64, rounds: u32) -> Option<Clip> {
    let mut kept = sorted;
    let mut clip = describe(kept)?;
    let mut below = 0;
    for _ in 0..rounds {
        let (lower, upper) = (clip.median - limit * clip.sd, clip.median + limit * clip.sd);
        let start = kept.partition_point(|&value| value.into() < lower);
        let end = kept.partition_point(|&value| value.into() <= upper);
        if start >= end || end - start == kept.len() {
            break;
        }
        below += start;
        kept = &kept[start..end];
        clip = describe(kept)?;
    }
    Some(Clip { below, ..clip })
}

fn describe<T: Summed>(sorted: &[T]) -> Option<Clip> {
    let count = sorted.len();
    let upper: f64 = (*sorted.get(count / 2)?).into();
    let lower: f64 = (*sorted.get((count - 1) / 2)?).into();
    let median = (lower + upper) / 2.0;
    let (sum, squares) = T::sums(sorted, median);
    Some(Clip::of_sums(count, median, sum, squares))
}

impl Clip {
    /// Of `count` samples: their median, the sum of what they lie above it, and of its squares.
    pub(super) fn of_sums(count: usize, median: f64, sum: f64, squares: f64) -> Self {
        let offset = sum / count as f64;
        let variance = (squares - sum * offset) / count as f64;
        Self {
            mean: median + offset,
            median,
            sd: variance.max(0.0).sqrt(),
            count,
            below: 0,
        }
    }
}
