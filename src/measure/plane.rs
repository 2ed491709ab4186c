//! Level and noise of a plane, from a fixed subsample of its rows.

use ndarray::{Array2, ArrayView2, Axis};

use super::rows_to_sample;
use crate::combine::{MAD_TO_SD, mad, median};

/// About this many pixels are looked at.
const ENOUGH: usize = 200_000;

/// The rows of a plane that its level and noise are worked out from.
pub struct SampledRows(Array2<f32>);

impl SampledRows {
    /// Those of a plane.
    pub fn of(plane: ArrayView2<'_, f32>) -> Self {
        let runs = rows_to_sample(plane.nrows()).into_iter();
        let rows: Vec<usize> = runs
            .flat_map(|(first, count)| first..first + count)
            .collect();
        Self(plane.select(Axis(0), &rows))
    }

    /// Those of a plane of `(height, width)` that is read: `read` fills in whole rows from the one that it is
    /// given on.
    ///
    /// # Errors
    /// Those of `read`.
    pub fn read<E>(
        (height, width): (usize, usize),
        mut read: impl FnMut(usize, &mut [f32]) -> Result<(), E>,
    ) -> Result<Self, E> {
        let runs = rows_to_sample(height);
        let count = runs.iter().map(|(_, count)| count).sum();
        let mut rows = Array2::zeros((count, width));
        let mut rest = rows.as_slice_mut().unwrap_or_default();
        for (first, count) in runs {
            let (run, others) = rest.split_at_mut(count * width);
            read(first, run)?;
            rest = others;
        }
        Ok(Self(rows))
    }

    /// Median of the plane in its own unit, over finite pixels; 0 where there are none.
    pub fn level(&self) -> f64 {
        let columns = self.0.outer_iter();
        let mut values: Vec<f64> = columns
            .flat_map(|row| row.into_iter().step_by(self.step()))
            .filter(|value| value.is_finite())
            .map(|&value| f64::from(value))
            .collect();
        median(&mut values).unwrap_or(0.0)
    }

    /// Standard deviation from pixel to pixel: 1.4826 MAD of the differences between neighbours in a row,
    /// over the square root of 2. Slow structure (vignetting, glow) does not enter. `colour`: neighbours of
    /// the same colour are two pixels apart.
    pub fn pixel_noise(&self, colour: bool) -> f64 {
        let apart = if colour { 2 } else { 1 };
        let mut differences: Vec<f64> = Vec::new();
        for row in self.0.outer_iter() {
            let pairs = (0..row.len().saturating_sub(apart)).step_by(self.step());
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
    fn step(&self) -> usize {
        (self.0.len() / ENOUGH) | 1
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

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
            let noise = SampledRows::of(plane.view()).pixel_noise(colour);
            assert!((noise - 3.0).abs() < 0.05, "{noise}");
        }
        let rows = SampledRows::of(plane.view());
        assert!((rows.level() - 1250.0).abs() < 5.0);
        let read = SampledRows::read(plane.dim(), |first, run| {
            let rows = plane.slice(ndarray::s![first..first + run.len() / 400, ..]);
            run.copy_from_slice(rows.to_slice().unwrap());
            Ok::<_, ()>(())
        });
        assert_eq!(read.unwrap().0, rows.0);
    }

    #[test]
    fn nothing_finite_is_no_panic() {
        let plane = Array2::from_elem((4, 4), f32::NAN);
        let rows = SampledRows::of(plane.view());
        assert_eq!((rows.level(), rows.pixel_noise(true)), (0.0, 0.0));
    }
}
