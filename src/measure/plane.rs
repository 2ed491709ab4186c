//! Level and noise of a whole plane, from a fixed subsample of its rows.

use ndarray::ArrayView2;

use super::rows_to_sample;
use crate::combine::{MAD_TO_SD, mad, median};

/// About this many pixels are looked at.
const ENOUGH: usize = 200_000;

/// Median of a plane in its own unit, over finite pixels of the sampled rows; 0 where there are
/// none.
pub fn plane_level(plane: ArrayView2<'_, f32>) -> f64 {
    let mut values: Vec<f64> = Vec::new();
    for row in sampled(plane) {
        let step = step(plane);
        values.extend(
            plane
                .row(row)
                .iter()
                .step_by(step)
                .filter(|v| v.is_finite())
                .map(|&v| f64::from(v)),
        );
    }
    median(&mut values).unwrap_or(0.0)
}

/// Standard deviation from pixel to pixel: 1.4826 MAD of the differences between neighbours in a
/// row, over the square root of 2. Slow structure (vignetting, glow) does not enter. `colour`:
/// neighbours of the same colour are two pixels apart.
pub fn pixel_noise(plane: ArrayView2<'_, f32>, colour: bool) -> f64 {
    let apart = if colour { 2 } else { 1 };
    let mut differences: Vec<f64> = Vec::new();
    for row in sampled(plane) {
        let row = plane.row(row);
        let pairs = (0..row.len().saturating_sub(apart)).step_by(step(plane));
        differences.extend(
            pairs
                .map(|x| f64::from(row[x + apart]) - f64::from(row[x]))
                .filter(|difference| difference.is_finite()),
        );
    }
    let Some(centre) = median(&mut differences) else {
        return 0.0;
    };
    mad(&differences, centre).map_or(0.0, |mad| MAD_TO_SD * mad / std::f64::consts::SQRT_2)
}

fn sampled(plane: ArrayView2<'_, f32>) -> impl Iterator<Item = usize> {
    rows_to_sample(plane.nrows())
        .into_iter()
        .flat_map(|(first, count)| first..first + count)
}

/// Every how many columns a value is taken: odd, so that all columns of a colour array take part.
fn step(plane: ArrayView2<'_, f32>) -> usize {
    let rows: usize = rows_to_sample(plane.nrows())
        .iter()
        .map(|(_, count)| count)
        .sum();
    (rows * plane.ncols() / ENOUGH) | 1
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Known noise on a steep slope: the slope must not count.
    #[test]
    fn noise_is_found_on_a_slope() {
        let mut state = 1u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let plane = Array2::from_shape_fn((300, 400), |(y, x)| {
            let normal = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
            (1000.0 + 0.5 * x as f64 + y as f64 + 3.0 * normal) as f32
        });
        for colour in [false, true] {
            let noise = pixel_noise(plane.view(), colour);
            assert!((noise - 3.0).abs() < 0.05, "{noise}");
        }
        assert!((plane_level(plane.view()) - 1250.0).abs() < 5.0);
    }

    #[test]
    fn nothing_finite_is_no_panic() {
        let plane = Array2::from_elem((4, 4), f32::NAN);
        assert_eq!(
            (plane_level(plane.view()), pixel_noise(plane.view(), true)),
            (0.0, 0.0)
        );
    }
}
