//! Doubled stars: after a jump of the guiding every star stands twice, at the same offset.
//!
//! Each of the two may be round. The offset shows as a peak in the autocorrelation of the stars'
//! positions: where all pairs of stars are laid over each other, one offset comes up again and
//! again.

use std::collections::BTreeMap;

use super::deblend::Blob;
use crate::combine::median;
use crate::facts::{SecondImage, Shape};

/// The brightest stars are looked at.
const STARS: usize = 400;

/// Offsets are searched up to so many widths, and at least so many pixels, or this part of the shorter side:
/// a mount may jump by more than guiding does.
const REACH: (f32, f32) = (12.0, 40.0);
const REACH_PART: f32 = 1.0 / 16.0;

/// So many pairs at least, and this part of the stars.
const FEWEST: usize = 6;
const PART: f64 = 0.25;

/// What all stars of a frame have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Twin {
    /// Columns and rows from the brighter to the fainter one.
    dx: f64,
    dy: f64,
    /// The fainter one's part of the flux of both.
    share: f64,
}

impl Twin {
    /// The same without its direction.
    pub(super) fn image(&self) -> SecondImage {
        SecondImage {
            apart_px: self.dx.hypot(self.dy) as f32,
            share: self.share as f32,
        }
    }

    /// Elongation and direction (radians) of a star and its twin together, by second moments:
    /// each has those of a Gaussian of its width, and their distance adds share (1 - share) times
    /// its square along it.
    pub(super) fn with(&self, alone: &Shape) -> (f32, f64) {
        let sigma = f64::from(alone.fwhm_px) / f64::from(super::SIGMA_TO_FWHM);
        let drawn = f64::from(alone.elongation);
        let angle = f64::from(alone.angle_deg).to_radians();
        let part = self.share * (1.0 - self.share);
        // Mean squares along both axes of the single star.
        let (long, short) = (sigma * sigma * drawn, sigma * sigma / drawn);
        let (sin, cos) = angle.sin_cos();
        let xx = long * cos * cos + short * sin * sin + part * self.dx * self.dx;
        let yy = long * sin * sin + short * cos * cos + part * self.dy * self.dy;
        let xy = (long - short) * sin * cos + part * self.dx * self.dy;
        let (mean, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
        let elongation = ((mean + half) / (mean - half)).sqrt();
        (elongation as f32, 0.5 * f64::atan2(xy, (xx - yy) / 2.0))
    }
}

/// Columns and rows from the brighter star of two to the fainter, and the fainter's part of their flux.
type Pair = (f32, f32, f32);

/// The offset that comes up far more often than by chance.
pub(super) fn find(blobs: &[Blob], fwhm: f32, (width, height): (usize, usize)) -> Option<Twin> {
    let mut stars: Vec<&Blob> = blobs.iter().collect();
    stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    stars.truncate(STARS);
    let reach = (REACH.0 * fwhm).max(REACH.1);
    let reach = reach.max(REACH_PART * width.min(height) as f32);
    // Pairs by whole pixels of offset, from the brighter to the fainter.
    let mut cells: BTreeMap<(i32, i32), Vec<Pair>> = BTreeMap::new();
    for (at, bright) in stars.iter().enumerate() {
        for faint in &stars[at + 1..] {
            let (dx, dy) = (faint.x - bright.x, faint.y - bright.y);
            if dx.hypot(dy) <= reach {
                let cell = (dx.round() as i32, dy.round() as i32);
                let pair = (dx, dy, faint.flux / (faint.flux + bright.flux));
                cells.entry(cell).or_default().push(pair);
            }
        }
    }
    let near = |&(x, y): &(i32, i32)| {
        let cells = &cells;
        (-1..=1).flat_map(move |down| {
            (-1..=1).flat_map(move |right| cells.get(&(x + right, y + down)).into_iter().flatten())
        })
    };
    let (count, best) = cells
        .keys()
        .map(|cell| (near(cell).count(), cell))
        .max_by_key(|&(count, cell)| (count, std::cmp::Reverse(cell)))?;
    let area = (width * height) as f64;
    // By chance: pairs in nine cells of one of both directions each.
    let chance = 9.0 * (stars.len() as f64).powi(2) / 2.0 / area;
    // A pair makes two stars one.
    let wanted = (PART * stars.len() as f64 / 2.0).max(FEWEST as f64);
    if (count as f64) < wanted + chance + 5.0 * chance.sqrt() {
        return None;
    }
    let over = |figure: fn(&Pair) -> f32| {
        median(
            &mut near(best)
                .map(|pair| f64::from(figure(pair)))
                .collect::<Vec<_>>(),
        )
    };
    Some(Twin {
        dx: over(|pair| pair.0)?,
        dy: over(|pair| pair.1)?,
        share: over(|pair| pair.2)?,
    })
}
