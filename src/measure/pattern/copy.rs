//! A pattern's own copy: every star twice, at one distance, after a jump of the guiding.

use crate::facts::Star;

/// Copies nearer than this are no second star to find but a drawn-out one, pixels.
const NEAREST: f64 = 2.0;

/// A jump carries stars no further than this part of the frame's longer side, nor than so many pixels.
const FURTHEST: (f64, f64) = (0.15, 60.0);

/// Copies lie at the same distance within this, pixels.
const TOLERANCE: f64 = 1.2;

/// The logarithm of a copy's flux over its star's is the same within this.
const LOG_FLUX: f64 = 0.35;

/// At least so many stars, and this part of those that could have one, have their copy in the list.
const FEWEST: usize = 4;
const SHARE: f64 = 0.5;

/// An undoubled field may look doubled with this chance.
const CHANCE: f64 = 1e-6;

/// A second image of each star.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Twin {
    /// From each star to its fainter image, pixels along columns and rows.
    pub offset_px: (f64, f64),
    /// Flux of the fainter image over that of the brighter one.
    pub flux_ratio: f64,
    /// Stars that have one.
    pub pairs: usize,
}

impl Twin {
    /// Distance of the two images, pixels.
    pub fn distance_px(&self) -> f64 {
        self.offset_px.0.hypot(self.offset_px.1)
    }
}

/// Finds the offset at which stars have a copy of themselves, all with one ratio of flux. None
/// where the stars as they lie could show it by chance: the number of pairs at one offset is
/// compared with what as many stars strewn evenly would have (a Poisson number, its tail bounded
/// after H. Chernoff 1952).
pub fn twin(stars: &[Star], size: (u32, u32)) -> Option<Twin> {
    let longer = f64::from(size.0.max(size.1));
    let reach = (FURTHEST.0 * longer).min(FURTHEST.1);
    let mut offsets: Vec<Offset> = Vec::new();
    for (at, one) in stars.iter().enumerate() {
        for other in &stars[at + 1..] {
            let offset = Offset::between(one, other);
            let distance = offset.x.hypot(offset.y);
            if (NEAREST..=reach).contains(&distance) && offset.log_flux.is_finite() {
                offsets.push(offset);
            }
        }
    }
    let alike = |one: &Offset| -> Vec<Offset> {
        let all = offsets.iter().filter_map(|other| other.beside(one));
        all.collect()
    };
    let best = offsets
        .iter()
        .map(alike)
        .max_by_key(|alike| alike.len())
        .filter(|alike| alike.len() >= FEWEST)?;
    let pairs = best.len();
    if (pairs as f64) < SHARE * stars.len() as f64 / 2.0 {
        return None;
    }
    // Offsets by chance: all pairs of stars, over the frame's area; two spots, since the fainter of
    // two may lie on either side, and two images of like flux are no evidence on theirs.
    let area = f64::from(size.0) * f64::from(size.1);
    let count = stars.len() as f64;
    let spot = std::f64::consts::PI * TOLERANCE * TOLERANCE / area;
    let expected = count * (count - 1.0) / 2.0 * spot * 2.0;
    let hits = pairs as f64 - 1.0;
    let surprise = hits - expected - hits * (hits / expected).ln();
    if hits <= expected || surprise + (offsets.len() as f64).ln() > CHANCE.ln() {
        return None;
    }
    let mean = |part: fn(&Offset) -> f64| best.iter().map(part).sum::<f64>() / pairs as f64;
    Some(Twin {
        offset_px: (mean(|o| o.x), mean(|o| o.y)),
        flux_ratio: mean(|o| o.log_flux).exp().min(1.0),
        pairs,
    })
}

/// From a brighter star to a fainter one.
#[derive(Clone, Copy)]
struct Offset {
    x: f64,
    y: f64,
    /// Logarithm of the second's flux over the first's, not above 0.
    log_flux: f64,
}

impl Offset {
    fn between(one: &Star, other: &Star) -> Self {
        let (bright, faint) = if one.flux >= other.flux {
            (one, other)
        } else {
            (other, one)
        };
        Self {
            x: f64::from(faint.x - bright.x),
            y: f64::from(faint.y - bright.y),
            log_flux: f64::from(faint.flux / bright.flux).ln(),
        }
    }

    /// This one where it tells of the same copy as `one`. Of two images of nearly the same flux
    /// noise decides which is the brighter: then it is turned round.
    fn beside(&self, one: &Self) -> Option<Self> {
        let turned = Self {
            x: -self.x,
            y: -self.y,
            log_flux: -self.log_flux,
        };
        [*self, turned].into_iter().find(|offset| {
            (offset.x - one.x).hypot(offset.y - one.y) <= TOLERANCE
                && (offset.log_flux - one.log_flux).abs() <= LOG_FLUX
        })
    }
}
