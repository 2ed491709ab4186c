//! Raw frames without their overscan.
//!
//! Where the profile names an overscan, it is cut off and its level subtracted from every pixel, as
//! one number per frame. What is saturated is judged by raw levels, before the subtraction.

use crate::facts::{Camera, Card, Refusal, Value, Window};
use crate::fits::{FitsError, Source};
use crate::measure;

/// A raw frame, open.
pub(super) struct Exposure {
    /// Its image.
    pub(super) source: Source,
    /// The level of its overscan, ADU.
    pub(super) overscan: Option<f64>,
}

/// Cuts the overscan off: the image, and the overscan's level in ADU.
///
/// # Errors
/// As for reading pixels; a refusal where the overscan has no pixel that is a number.
pub fn trim(source: Source, camera: &Camera) -> Result<(Source, Option<f64>), FitsError> {
    let Some(overscan) = camera.overscan else {
        return Ok((source, None));
    };
    let mut pixels = Vec::new();
    for region in overscan.regions() {
        let before = pixels.len();
        pixels.resize(before + region.width * region.height, 0.0);
        source.pixels_f32(region, &mut pixels[before..])?;
    }
    let level = measure::overscan_level(pixels).ok_or_else(|| {
        let why = "no pixel of its overscan is a number";
        FitsError::Refused(Refusal::Unreadable(why.to_owned()))
    })?;
    Ok((source.crop(overscan.image())?, Some(level)))
}

impl Exposure {
    /// Subtracts the overscan's level from raw pixels below `saturation`.
    pub(super) fn level(&self, saturation: f64, pixels: &mut [f32]) {
        let Some(level) = self.overscan else {
            return;
        };
        for pixel in pixels {
            let raw = f64::from(*pixel);
            if raw < saturation {
                *pixel = (raw - level) as f32;
            }
        }
    }

    /// The cards of a light, where its overscan is cut off true for what is left.
    pub(super) fn cards(&self, camera: &Camera, cards: Vec<Card>) -> Vec<Card> {
        let (Some(overscan), Some(level)) = (camera.overscan, self.overscan) else {
            return cards;
        };
        let image = overscan.image();
        let stale = |card: &Card| STALE.contains(&card.keyword.as_str());
        let cards = cards.into_iter().filter(|card| !stale(card));
        let mut cards: Vec<Card> = cards.map(|card| moved(card, image)).collect();
        let origin = |keyword, unbinned: u32, binning: u32, comment| {
            let value = Value::Integer((unbinned / binning.max(1)).into());
            Card::new(keyword, value, comment)
        };
        let (x, y) = camera.origin;
        let (across, down) = camera.binning;
        cards.push(origin("XORGSUBF", x, across, "first column on the sensor"));
        cards.push(origin("YORGSUBF", y, down, "first row on the sensor"));
        cards.push(Card::new(
            "DLOSCAN",
            Value::Real(level),
            "[adu] overscan level taken off",
        ));
        cards
    }
}

/// Keywords that speak of the frame as it was stored.
const STALE: [&str; 9] = [
    "BIASSEC", "TRIMSEC", "DATASEC", "CCDSEC", "DETSEC", "XORGSUBF", "YORGSUBF", "XORG", "YORG",
];

/// A reference pixel of celestial coordinates counted from the image's first one (FITS Standard
/// 4.0, section 8.1), any other card as it is.
fn moved(card: Card, image: Window) -> Card {
    let axis = card.keyword.strip_prefix("CRPIX");
    let offset = match axis.map(|axis| axis.trim_end_matches(|c: char| c.is_ascii_uppercase())) {
        Some("1") => image.left,
        Some("2") => image.top,
        _ => return card,
    };
    match card.value {
        Value::Real(pixel) => Card::new(
            &card.keyword,
            Value::Real(pixel - offset as f64),
            &card.comment,
        ),
        Value::Integer(pixel) => Card::new(
            &card.keyword,
            Value::Integer(pixel.saturating_sub(offset as i64)),
            &card.comment,
        ),
        _ => card,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reference_pixels_move_with_the_corner() {
        let image = Window {
            left: 24,
            top: 3,
            width: 10,
            height: 10,
        };
        for (keyword, value, wanted) in [
            ("CRPIX1", Value::Real(100.5), Value::Real(76.5)),
            ("CRPIX2A", Value::Integer(7), Value::Integer(4)),
            ("CRPIX3", Value::Real(1.0), Value::Real(1.0)),
            ("CRVAL1", Value::Real(1.0), Value::Real(1.0)),
        ] {
            let card = moved(Card::new(keyword, value, "kept"), image);
            assert_eq!((card.value, card.comment.as_str()), (wanted, "kept"));
        }
    }
}
