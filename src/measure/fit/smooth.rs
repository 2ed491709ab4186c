//! What is smooth along a line of photosites of one colour, and what stands above it.

use crate::combine::median;

/// Photosites whose median is the level there.
pub(super) const STRETCH: usize = 64;

/// Level along a line: medians of its stretches, drawn through their middles. NaN values are unknown.
pub(super) fn trend(values: &[f64]) -> Vec<f64> {
    let middles: Vec<(f64, f64)> = values
        .chunks(STRETCH)
        .enumerate()
        .filter_map(|(number, stretch)| {
            let mut known: Vec<f64> = stretch.iter().copied().filter(|v| v.is_finite()).collect();
            let middle = (number * STRETCH) as f64 + (stretch.len() - 1) as f64 / 2.0;
            (2 * known.len() >= stretch.len()).then_some((middle, median(&mut known)?))
        })
        .collect();
    let at = |x: f64| match middles.as_slice() {
        [] => f64::NAN,
        [(_, level)] => *level,
        _ => {
            // Drawn on beyond the outermost.
            let next = middles.partition_point(|(middle, _)| *middle <= x);
            let next = next.clamp(1, middles.len() - 1);
            let ((x0, y0), (x1, y1)) = (middles[next - 1], middles[next]);
            y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        }
    };
    (0..values.len()).map(|x| at(x as f64)).collect()
}

/// Values less what is smooth around them: a parabola through the used ones of a window, by least
/// squares (A. Savitzky, M. J. E. Golay 1964, Analytical Chemistry 36, 1627), at its middle. Less a mean
/// only, the bends of glow and vignetting would be left, and where sky bends alike they would
/// correlate. Nothing where the middle or more than half of the window is not used. Near an end there
/// are no values on both sides, and what is smooth would show.
pub(super) fn high(values: &[[f64; 4]], used: &[bool], window: usize) -> Vec<Option<[f64; 4]>> {
    let half = window / 2;
    let whole = smoother(&vec![true; window]);
    let inside = half..values.len().saturating_sub(half);
    let rest = (0..values.len()).map(|at| {
        if !inside.contains(&at) || !used[at] {
            return None;
        }
        let around = at - half..at + half + 1;
        let mask = &used[around.clone()];
        let count = mask.iter().filter(|&&used| used).count();
        if 2 * count < window {
            return None;
        }
        let mut rest = values[at];
        let mut less = |weight: f64, values: &[f64; 4]| {
            for (rest, value) in rest.iter_mut().zip(values) {
                *rest -= weight * value;
            }
        };
        let near = &values[around];
        if count == window {
            for (&weight, values) in whole.iter().zip(near) {
                less(weight, values);
            }
        } else {
            for ((weight, values), _) in
                (smoother(mask).into_iter().zip(near).zip(mask)).filter(|(_, used)| **used)
            {
                less(weight, values);
            }
        }
        Some(rest)
    });
    rest.collect()
}

/// Weights of a window's values whose sum is their parabola at its middle. Enough of them are used to
/// draw one.
fn smoother(used: &[bool]) -> Vec<f64> {
    let middle = (used.len() / 2) as f64;
    let places = (0..used.len()).map(|at| at as f64 - middle);
    // Sums of the places' powers; whole numbers, so they are exact.
    let mut sums = [0.0; 5];
    for (place, _) in places.clone().zip(used).filter(|(_, used)| **used) {
        let mut power = 1.0;
        for sum in &mut sums {
            *sum += power;
            power *= place;
        }
    }
    let [s0, s1, s2, s3, s4] = sums;
    // The first row of the normal matrix's inverse.
    let row = [s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2];
    let determinant = s0 * row[0] + s1 * row[1] + s2 * row[2];
    places
        .map(|place| (row[0] + place * (row[1] + place * row[2])) / determinant)
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    #[test]
    fn a_parabola_is_smooth_whatever_is_missing() {
        let parabola = |x: f64| 700.0 - 3.0 * x + 0.4 * x * x;
        let values: Vec<[f64; 4]> = (0..128)
            .map(|at| match at % 7 {
                3 => [f64::NAN; 4],
                _ => [1.0, -1.0, 0.5, 0.0].map(|part| part * parabola(f64::from(at))),
            })
            .collect();
        // A star covers twelve, a stretch of twenty is saturated.
        let used: Vec<bool> = (0..128)
            .map(|at| at % 7 != 3 && !(40..52).contains(&at) && !(90..110).contains(&at))
            .collect();
        let rest = high(&values, &used, 33);
        for (at, rest) in rest.iter().enumerate() {
            let inside = (16..112).contains(&at);
            assert!(inside && used[at] || rest.is_none(), "{at}");
            assert!(
                rest.iter().flatten().all(|left| left.abs() < 1e-7),
                "{at}: {rest:?}"
            );
        }
        assert_eq!(rest.iter().flatten().count(), 50);
    }

    /// Weight of the middle value of 2m + 1 under a parabola (Savitzky and Golay 1964, as a formula in
    /// H. H. Madden 1978, Analytical Chemistry 50, 1383):
    /// 3 (3 m^2 + 3 m - 1) / ((2m - 1)(2m + 1)(2m + 3)).
    #[test]
    fn a_single_pixel_stands_out_by_what_is_published() {
        for window in [33, 65] {
            let m = (window / 2) as f64;
            let own = 3.0 * (3.0 * m * m + 3.0 * m - 1.0)
                / ((2.0 * m - 1.0) * (2.0 * m + 1.0) * (2.0 * m + 3.0));
            let mut values = vec![[0.0; 4]; 200];
            values[100] = [1.0; 4];
            let rest = high(&values, &[true; 200], window)[100].unwrap();
            assert!(
                rest.iter().all(|rest| (rest - (1.0 - own)).abs() < 1e-12),
                "{rest:?}"
            );
        }
    }
}
