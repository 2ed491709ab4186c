//! Level and noise of a plane, from a fixed subsample of its rows: those of [`rows_to_sample`].

use ndarray::{Array2, ArrayView2, Axis};

use super::rows_to_sample;
use crate::combine::{MAD_TO_SD, mad, median};

/// About this many pixels are looked at.
const ENOUGH: usize = 200_000;

/// The rows of a plane that [`plane_level`] and [`pixel_noise`] are worked out from.
pub fn sampled_rows(plane: ArrayView2<'_, f32>) -> Array2<f32> {
    let runs = rows_to_sample(plane.nrows()).into_iter();
    let rows: Vec<usize> = runs
        .flat_map(|(first, count)| first..first + count)
        .collect();
    plane.select(Axis(0), &rows)
}

/// Median of a plane in its own unit, over finite pixels of its sampled rows; 0 where there are
/// none.
pub fn plane_level(rows: ArrayView2<'_, f32>) -> f64 {
    let mut values: Vec<f64> = Vec::new();
    let step = step(rows);
    for row in rows.outer_iter() {
        values.extend(
            row.iter()
                .step_by(step)
                .filter(|v| v.is_finite())
                .map(|&v| f64::from(v)),
        );
    }
    median(&mut values).unwrap_or(0.0)
}

/// Standard deviation of a plane from pixel to pixel, by its sampled rows: 1.4826 MAD of the differences between neighbours in a
/// row, over the square root of 2. Slow structure (vignetting, glow) does not enter. `colour`:
/// neighbours of the same colour are two pixels apart.
pub fn pixel_noise(rows: ArrayView2<'_, f32>, colour: bool) -> f64 {
    let apart = if colour { 2 } else { 1 };
    let mut differences: Vec<f64> = Vec::new();
    let step = step(rows);
    for row in rows.outer_iter() {
        let pairs = (0..row.len().saturating_sub(apart)).step_by(step);
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

/// Every how many columns a value is taken: odd, so that all columns of a colour array take part.
fn step(rows: ArrayView2<'_, f32>) -> usize {
    (rows.len() / ENOUGH) | 1
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
            let noise = pixel_noise(sampled_rows(plane.view()).view(), colour);
            assert!((noise - 3.0).abs() < 0.05, "{noise}");
        }
        assert!((plane_level(sampled_rows(plane.view()).view()) - 1250.0).abs() < 5.0);
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
