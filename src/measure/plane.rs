//! Level and noise of a plane, from a fixed subsample of its rows.

use std::convert::Infallible;
use std::iter;

use ndarray::ArrayView2;
use rayon::prelude::*;

use super::rows_to_sample;
use crate::combine::{MAD_TO_SD, mad, median};

/// About this many pixels are looked at.
const ENOUGH: usize = 200_000;

/// What a plane's level and noise are worked out from.
#[derive(Debug, Default, PartialEq)]
pub struct SampledRows {
    /// Finite pixels.
    values: Vec<f64>,
    /// Finite differences between neighbours in a row.
    differences: Vec<f64>,
}

impl SampledRows {
    /// Of a plane. `colour`: neighbours of the same colour are two pixels apart.
    pub fn of(plane: ArrayView2<'_, f32>, colour: bool) -> Self {
        let width = plane.ncols().max(1);
        let copy = |first: usize, rows: &mut [f32]| -> Result<(), Infallible> {
            let lines = plane.outer_iter().skip(first);
            for (row, line) in rows.chunks_mut(width).zip(lines) {
                row.iter_mut().zip(line).for_each(|(to, from)| *to = *from);
            }
            Ok(())
        };
        let Ok(sampled) = Self::read(plane.dim(), colour, copy);
        sampled
    }

    /// Of a plane of `(height, width)` that is read: `read` fills in whole rows from the one that it is given
    /// on, in several threads.
    ///
    /// # Errors
    /// Those of `read`.
    pub fn read<E: Send>(
        (height, width): (usize, usize),
        colour: bool,
        read: impl Fn(usize, &mut [f32]) -> Result<(), E> + Sync,
    ) -> Result<Self, E> {
        let runs = rows_to_sample(height);
        let count: usize = runs.iter().map(|(_, count)| count).sum();
        // Odd, so that all columns of a colour array take part.
        let step = (count * width / ENOUGH) | 1;
        let apart = if colour { 2 } else { 1 };
        let sample = |rows: &mut Vec<f32>, (first, count): (usize, usize)| {
            let mut sampled = Self::default();
            rows.resize(count * width, 0.0);
            read(first, rows)?;
            for row in rows.chunks_exact(width.max(1)) {
                let others = row
                    .iter()
                    .skip(apart)
                    .copied()
                    .chain(iter::repeat(f32::NAN));
                for (&one, other) in row.iter().zip(others).step_by(step) {
                    let (one, other) = (f64::from(one), f64::from(other));
                    sampled
                        .values
                        .extend(Some(one).filter(|one| one.is_finite()));
                    let difference = Some(other - one).filter(|one| one.is_finite());
                    sampled.differences.extend(difference);
                }
            }
            Ok(sampled)
        };
        let parts = runs.into_par_iter().map_init(Vec::new, sample);
        let parts: Vec<Self> = parts.collect::<Result<_, E>>()?;
        let all = |of: fn(&Self) -> &[f64]| parts.iter().map(of).collect::<Vec<_>>().concat();
        Ok(Self {
            values: all(|part| &part.values),
            differences: all(|part| &part.differences),
        })
    }

    /// Median of the plane in its own unit, over finite pixels; 0 where there are none.
    pub fn level(&self) -> f64 {
        median(&mut self.values.clone()).unwrap_or(0.0)
    }

    /// Standard deviation from pixel to pixel: 1.4826 MAD of the differences between neighbours in a row,
    /// over the square root of 2. Slow structure (vignetting, glow) does not enter.
    pub fn pixel_noise(&self) -> f64 {
        let Some(centre) = median(&mut self.differences.clone()) else {
            return 0.0;
        };
        let mad = mad(&self.differences, centre);
        mad.map_or(0.0, |mad| MAD_TO_SD * mad / std::f64::consts::SQRT_2)
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
            let noise = SampledRows::of(plane.view(), colour).pixel_noise();
            assert!((noise - 3.0).abs() < 0.05, "{noise}");
        }
        assert!((SampledRows::of(plane.view(), false).level() - 1250.0).abs() < 5.0);
    }

    /// Their definitions, worked out from whole rows one by one.
    #[test]
    fn figures_are_those_of_the_definition() {
        for (height, width) in [(1, 1), (1, 2), (2, 1), (3, 5), (300, 4001)] {
            let plane =
                Array2::from_shape_fn((height, width), |(y, x)| match (y * 7 + x * 3) % 97 {
                    0 => f32::NAN,
                    1 => f32::INFINITY,
                    other => (other * other % 89) as f32 + x as f32 * 0.25,
                });
            for colour in [false, true] {
                let apart = if colour { 2 } else { 1 };
                let rows: Vec<usize> = rows_to_sample(height)
                    .into_iter()
                    .flat_map(|(first, count)| first..first + count)
                    .collect();
                let step = (rows.len() * width / ENOUGH) | 1;
                let (mut values, mut differences) = (Vec::new(), Vec::new());
                for &y in &rows {
                    for x in (0..width).step_by(step) {
                        values.push(f64::from(plane[(y, x)]));
                        if x + apart < width {
                            differences
                                .push(f64::from(plane[(y, x + apart)]) - f64::from(plane[(y, x)]));
                        }
                    }
                }
                values.retain(|value| value.is_finite());
                differences.retain(|difference| difference.is_finite());
                let noise = median(&mut differences).and_then(|centre| mad(&differences, centre));
                let noise = noise.map_or(0.0, |mad| MAD_TO_SD * mad / std::f64::consts::SQRT_2);
                let sampled = SampledRows::of(plane.view(), colour);
                assert_eq!(sampled.level(), median(&mut values).unwrap_or(0.0));
                assert_eq!(sampled.pixel_noise(), noise, "{height} x {width}");
            }
        }
    }

    #[test]
    fn nothing_finite_is_no_panic() {
        let plane = Array2::from_elem((4, 4), f32::NAN);
        let sampled = SampledRows::of(plane.view(), true);
        assert_eq!((sampled.level(), sampled.pixel_noise()), (0.0, 0.0));
    }
}
