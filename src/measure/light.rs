//! Everything that is measured on one calibrated light.

use ndarray::ArrayView2;

use super::{BAND_ROWS, band, fold, row_step};
use crate::facts::{Cfa, Measured};

/// Measures a calibrated light, ADU. NaN pixels never enter.
pub fn light(plane: ArrayView2<'_, f32>, cfa: Option<Cfa>) -> Measured {
    let (height, width) = plane.dim();
    let step = row_step(width, height);
    let pixels = plane.as_slice().unwrap_or_default();
    let bands = pixels.chunks(BAND_ROWS * width.max(1));
    let bands: Vec<_> = bands.map(|rows| band(width, rows, cfa, step)).collect();
    let background = fold(&bands);
    Measured {
        background_adu: background.map_or(0.0, |found| found.level),
        noise_adu: background.map_or(0.0, |found| found.noise),
        ..Measured::default()
    }
}
