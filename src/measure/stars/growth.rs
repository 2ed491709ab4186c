//! How a star's flux grows with the radius around it.

use super::field::Field;
use super::moffat::Moffat;

/// A pixel's side is parted into so many.
const PARTS: usize = 5;

/// Rings per pixel of radius.
const RINGS: f64 = 4.0;

/// Pixels, as flat squares of the sum of their parts, widen an image by their own width twice: once
/// in the sensor, once in the sum. That adds 1/12 to the mean square along each axis each time.
const PIXEL: f64 = 2.0 / 12.0;

/// Places between green photosites hold the mean of four neighbours a pixel away, which adds 1/2 to
/// the mean square along each axis there, and half of all places are such.
const QUINCUNX: f64 = 0.25;

/// Flux within rings around a star.
pub(super) struct Growth {
    /// Flux within each radius, in steps of 1/RINGS pixels.
    within: Vec<f64>,
    /// Added mean square along each axis, pixels squared.
    widened: f64,
}

impl Growth {
    /// Around a place up to a radius, above a background, ADU.
    pub(super) fn of(field: &Field<'_>, (x, y): (f64, f64), radius: f64, background: f64) -> Self {
        let reach = radius.ceil() as isize + 1;
        let (left, top) = (x.round() as isize - reach, y.round() as isize - reach);
        let side = 2 * reach as usize + 1;
        let mut pixels = Vec::new();
        field.read((top, side), (left, side), &mut pixels);
        let mut rings = vec![0.0; (radius * RINGS).floor() as usize];
        let shares = (PARTS * PARTS) as f64;
        for (at, &value) in pixels.iter().enumerate() {
            let dx = (left + (at % side) as isize) as f64 - x;
            let dy = (top + (at / side) as isize) as f64 - y;
            let share = (f64::from(value) - background) / shares;
            for part in 0..PARTS * PARTS {
                let part_at = |part: usize| (part as f64 + 0.5) / PARTS as f64 - 0.5;
                let (right, up) = (dx + part_at(part % PARTS), dy + part_at(part / PARTS));
                let ring = ((right * right + up * up).sqrt() * RINGS) as usize;
                if let Some(ring) = rings.get_mut(ring) {
                    *ring += share;
                }
            }
        }
        let mut sum = 0.0;
        let within = rings.iter().map(|ring| {
            sum += ring;
            sum
        });
        Self {
            within: within.collect(),
            widened: PIXEL + field.light.cfa.map_or(0.0, |_| QUINCUNX),
        }
    }

    /// Flux within the outermost radius.
    pub(super) fn flux(&self) -> f64 {
        self.within.last().copied().unwrap_or(0.0)
    }

    /// Diameter of the circle that holds half of the star's flux, less what pixels add to it. The
    /// flux beyond the outermost radius is that of the fitted profile.
    pub(super) fn half_flux(&self, profile: &Moffat) -> Option<f64> {
        let radius = self.within.len() as f64 / RINGS;
        let whole = self.flux() / (1.0 - profile.beyond(radius));
        let half = whole / 2.0;
        let after = self.within.iter().position(|&sum| sum >= half)?;
        let before = after.checked_sub(1).map_or(0.0, |at| self.within[at]);
        let share = (half - before) / (self.within[after] - before);
        let diameter = 2.0 * (after as f64 + share) / RINGS;
        // Of a Gaussian, whose half-flux diameter squared is 8 ln 2 times the mean square.
        let added = 8.0 * std::f64::consts::LN_2 * self.widened;
        (diameter * diameter > added).then(|| (diameter * diameter - added).sqrt())
    }
}
