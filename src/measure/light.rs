//! Everything that is measured on one calibrated light.

use super::colour::colour_sky;
use super::{Light, stars};
use crate::facts::Measured;

/// Measures a calibrated light, but for its channel lines and how its masters fit; nothing where no
/// pixel is a number.
pub fn light(light: &Light<'_>) -> Option<Measured> {
    let found = stars(light)?;
    let Light { plane, cfa, .. } = *light;
    Some(Measured {
        background_adu: found.background.level,
        noise_adu: found.background.noise,
        gradient_adu: found.gradient_adu,
        stars: found.stars,
        trails: found.trails,
        sky: cfa.map_or_else(Vec::new, |cfa| colour_sky(plane, cfa)),
        ..Measured::default()
    })
}
