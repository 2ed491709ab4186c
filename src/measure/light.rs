//! Everything that is measured on one calibrated light.

use super::{Light, stars};
use crate::facts::Measured;

/// Measures a calibrated light; nothing where no pixel is a number.
pub fn light(light: &Light<'_>) -> Option<Measured> {
    let found = stars(light)?;
    Some(Measured {
        background_adu: found.background.level,
        noise_adu: found.background.noise,
        gradient_adu: found.gradient_adu,
        stars: found.stars,
        trails: found.trails,
        ..Measured::default()
    })
}
