//! The same stars in two lights: by how far, by what angle and by what scale the field has moved,
//! and how much of their flux has come through.
//!
//! Most lights of a night differ by a shift, or by a shift and the half turn of a meridian flip:
//! these are looked for first ([`shifts`]). Else triangles of bright stars are compared by their shape
//! (E. J. Groth 1986, AJ 91, 1244). Each pair of like triangles proposes a similarity: a shift, a
//! rotation and a scale, no reflection. A proposal is tried on all stars, and taken where an unrelated field would hardly pair as many
//! stars by chance. The stars it pairs then fix the similarity by least squares, in three rounds
//! of which each drops what no longer lies close enough.
//!
//! # Invariants
//!
//! The answer depends on the two lists as sets: neither on their order nor on flux units. Stars
//! that are missing on either side, doubled or new, do no harm as long as enough others are left.
//!
//! It does not know what the shift or the lost flux means.

mod shifts;
mod similarity;
mod triangles;

#[cfg(test)]
mod tests;

use crate::combine::{MAD_TO_SD, MEDIAN_ERROR, mad, median};
use crate::facts::Star;

use shifts::shifts;
use similarity::{Pairing, Similarity};
use triangles::{proposals, triangles};

/// Triangles are made of so many stars at a time: 2024 of them.
const CORNERS: usize = 24;

/// Where the brightest do not match, the same number further down the list is tried: what is
/// saturated in one light is the brightest of all in another under clouds.
const FURTHER: usize = 12;

/// Stars of one rig lie at the same scale but for temperature, focus and refraction.
const SCALES: std::ops::RangeInclusive<f64> = 0.9..=1.1;

/// An unrelated field may match with this chance, by the count of proposals and pairs.
const CHANCE: f64 = 1e-5;

/// Paired stars are at least so many, whatever the chance: two always fit.
const FEWEST: usize = 3;

/// How the field of one light lies on that of another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Match {
    /// Where the other light's centre lies on the reference, from the reference's centre, pixels
    /// along its columns and rows.
    pub shift_px: (f64, f64),
    /// Direction of the other's columns' axis as seen from the reference's, degrees from columns
    /// towards rows, -180 to 180: what stands at an angle in the reference stands at that angle
    /// plus this in the other.
    pub rotation_deg: f64,
    /// Lengths in the other over lengths in the reference.
    pub scale: f64,
    /// Stars found in both.
    pub pairs: usize,
    /// Flux in the other over flux in the reference: the median over the brighter half of the pairs,
    /// since faint ones are found more easily where noise has made them brighter.
    pub flux_ratio: f64,
    /// Its standard error, from the scatter of the pairs.
    pub flux_error: f64,
}

impl Match {
    /// How a light lies on this match's reference that lies as `next` says on this match's other light.
    pub fn then(self, next: Self) -> Self {
        let (x, y) = next.shift_px;
        let (sin, cos) = (-self.rotation_deg).to_radians().sin_cos();
        let turned = self.rotation_deg + next.rotation_deg;
        let flux_ratio = self.flux_ratio * next.flux_ratio;
        let part = |of: Self| of.flux_error / of.flux_ratio;
        Self {
            shift_px: (
                self.shift_px.0 + (x * cos - y * sin) / self.scale,
                self.shift_px.1 + (x * sin + y * cos) / self.scale,
            ),
            rotation_deg: turned - 360.0 * (turned / 360.0).round(),
            scale: self.scale * next.scale,
            pairs: self.pairs.min(next.pairs),
            flux_ratio,
            flux_error: flux_ratio * part(self).hypot(part(next)),
        }
    }
}

/// Finds the similarity that carries the reference's stars onto the other's. Both lights have
/// `size` columns and rows. None where the fields have too little in common to be sure: fewer than
/// about five stars anywhere, or three with a small shift and without a rotation but for the half turn of a
/// meridian flip.
///
/// Meant for up to some sixty stars each: every star of one list votes with every star of the other.
pub fn align(reference: &[Star], other: &[Star], size: (u32, u32)) -> Option<Match> {
    let field = Field::new(size);
    let (reference, other) = (field.points(reference), field.points(other));
    let pairing = Pairing::new(&other, field.tolerance);
    let search = Search {
        field: &field,
        reference: &reference,
        pairing: &pairing,
    };
    let by_shift = || {
        let offsets = 2.0 * (reference.len() * other.len()) as f64;
        let proposed = shifts(&field, &reference, &other);
        search.best(
            &proposed,
            Evidence {
                tried: offsets,
                free: 1,
                near: 1.0,
                enough: f64::NEG_INFINITY,
            },
        )
    };
    let by_triangles = |from: usize| {
        let corners = |points: &[Point]| {
            // A short list has nothing further down: it stays as it is.
            let from = from.min(points.len().saturating_sub(CORNERS));
            let to = points.len().min(from + CORNERS);
            triangles(&points[from..to], 0.15 * field.half.0.max(field.half.1))
        };
        let (one, two) = (corners(&reference), corners(&other));
        let proposed = proposals(&one, &two, field.tolerance, SCALES);
        let tried = proposed.len() as f64;
        search.best(
            &proposed,
            Evidence {
                tried,
                free: FEWEST,
                near: NEAR,
                enough: 3.0 * CHANCE.ln(),
            },
        )
    };
    let longer = reference.len().max(other.len()) > CORNERS;
    by_shift()
        .or_else(|| by_triangles(0))
        .or_else(|| longer.then(|| by_triangles(FURTHER)).flatten())
}

/// A star from the centre of its frame.
#[derive(Clone, Copy, Debug)]
struct Point {
    x: f64,
    y: f64,
    flux: f64,
}

/// The frame and what follows from its size.
struct Field {
    half: (f64, f64),
    /// Paired stars lie so close, pixels: the error of a position, and on large sensors what
    /// optics and refraction distort.
    tolerance: f64,
}

impl Field {
    fn new((width, height): (u32, u32)) -> Self {
        let (width, height) = (f64::from(width), f64::from(height));
        Self {
            half: (width / 2.0, height / 2.0),
            tolerance: 1.5 + 0.0003 * width.hypot(height),
        }
    }

    /// Brightest first; ties by place, so that the order of the list is of no account.
    fn points(&self, stars: &[Star]) -> Vec<Point> {
        let mut points: Vec<Point> = stars
            .iter()
            .map(|star| Point {
                x: f64::from(star.x) + 0.5 - self.half.0,
                y: f64::from(star.y) + 0.5 - self.half.1,
                flux: f64::from(star.flux),
            })
            .filter(|point| point.x.is_finite() && point.y.is_finite() && point.flux > 0.0)
            .collect();
        points.sort_by(|a, b| {
            let place = || a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y));
            b.flux.total_cmp(&a.flux).then_with(place)
        });
        points
    }

    fn holds(&self, (x, y): (f64, f64)) -> bool {
        x.abs() <= self.half.0 && y.abs() <= self.half.1
    }

    /// The chance that a place in the frame lies within `reach` of one of so many stars.
    fn hit(&self, stars: usize, reach: f64) -> f64 {
        let area = 4.0 * self.half.0 * self.half.1;
        (stars as f64 * std::f64::consts::PI * reach * reach / area).clamp(1e-9, 0.5)
    }

    /// Which part of all similarities is as near to a plain shift, or to one after a half turn, as
    /// those of a night are: within 3 degrees, 1 % in scale and a quarter of the sides.
    fn is_near(&self, similarity: &Similarity) -> bool {
        let turned = similarity.rotation_deg().abs();
        let (x, y) = similarity.centre();
        turned.min(180.0 - turned) < 3.0
            && (similarity.scale() - 1.0).abs() < 0.01
            && x.abs() < 0.5 * self.half.0
            && y.abs() < 0.5 * self.half.1
    }
}

/// The share of similarities that [`Field::is_near`] holds for: twice six degrees of 360; a tenth
/// of the range of scales; a quarter of the sides each way of the shifts that overlap at all.
const NEAR: f64 = (12.0 / 360.0) * 0.1 * (0.25 * 0.25);

/// What proposals are worth as evidence.
#[derive(Clone, Copy)]
struct Evidence {
    /// So many could have been proposed by chance.
    tried: f64,
    /// So many of the pairs made the proposal, and do not speak for it.
    free: usize,
    /// How much rarer they are by chance where [`Field::is_near`] holds.
    near: f64,
    /// A proposal with less chance than this needs no comparison with others.
    enough: f64,
}

/// Two lists of stars, one of them ready to be searched.
struct Search<'a> {
    field: &'a Field,
    reference: &'a [Point],
    pairing: &'a Pairing,
}

impl Search<'_> {
    /// The match that is least likely by chance, where that is unlikely enough.
    fn best(&self, proposed: &[Similarity], evidence: Evidence) -> Option<Match> {
        let mut best: Option<(f64, Similarity)> = None;
        for &proposal in proposed {
            let Some((log_chance, similarity)) = self.consider(proposal, evidence) else {
                continue;
            };
            if best.is_none_or(|(least, _)| log_chance < least) {
                best = Some((log_chance, similarity));
                if log_chance < evidence.enough {
                    break;
                }
            }
        }
        let (log_chance, similarity) = best?;
        (log_chance < CHANCE.ln()).then(|| self.finish(&similarity))
    }

    /// Fits a proposal to all stars it pairs: the logarithm of the number of unrelated fields'
    /// proposals that would do as well (a number of false alarms after Desolneux, Moisan and Morel
    /// 2000, IJCV 40, 7), and the fitted similarity. None where it is hopeless from the start.
    fn consider(
        &self,
        mut similarity: Similarity,
        evidence: Evidence,
    ) -> Option<(f64, Similarity)> {
        let mut log_chance = 0.0;
        for reach in [2.0, 1.0, 1.0] {
            let reach = reach * self.field.tolerance;
            let (pairs, inside) = self.pairs(&similarity, reach);
            if pairs.len() < FEWEST {
                return None;
            }
            let chance = self.field.hit(self.pairing.len(), reach);
            let near = self.field.is_near(&similarity);
            let tried = evidence.tried * if near { evidence.near } else { 1.0 };
            let (trials, hits) = (inside - evidence.free, pairs.len() - evidence.free);
            log_chance = log_tail(trials, hits, chance) + tried.ln();
            if log_chance > 0.0 {
                return None;
            }
            similarity = Similarity::fit(self.reference, self.pairing, &pairs)?;
            if !SCALES.contains(&similarity.scale()) {
                return None;
            }
        }
        Some((log_chance, similarity))
    }

    fn pairs(&self, similarity: &Similarity, reach: f64) -> (Vec<(usize, usize)>, usize) {
        self.pairing
            .pairs(self.field, self.reference, similarity, reach)
    }

    fn finish(&self, similarity: &Similarity) -> Match {
        let (pairs, _) = self.pairs(similarity, self.field.tolerance);
        // Reference stars come brightest first.
        let brighter = pairs.len().div_ceil(2).max(5).min(pairs.len());
        let ratios: Vec<f64> = pairs[..brighter]
            .iter()
            .map(|&(from, to)| (self.pairing.point(to).flux / self.reference[from].flux).ln())
            .collect();
        let ratio = median(&mut ratios.clone()).unwrap_or(0.0);
        let spread = MAD_TO_SD * mad(&ratios, ratio).unwrap_or(0.0);
        let flux_ratio = ratio.exp();
        Match {
            shift_px: similarity.centre(),
            rotation_deg: similarity.rotation_deg(),
            scale: similarity.scale(),
            pairs: pairs.len(),
            flux_ratio,
            flux_error: flux_ratio * spread * MEDIAN_ERROR / (brighter.max(1) as f64).sqrt(),
        }
    }
}

/// The logarithm of a bound on the chance of `hits` or more in `trials`, each with `chance`
/// (W. Hoeffding 1963, JASA 58, 13, theorem 1).
fn log_tail(trials: usize, hits: usize, chance: f64) -> f64 {
    let share = hits as f64 / trials.max(1) as f64;
    if share <= chance {
        return 0.0;
    }
    let term = |part: f64, by_chance: f64| match part {
        0.0 => 0.0,
        part => part * (part / by_chance).ln(),
    };
    -(trials as f64) * (term(share, chance) + term(1.0 - share, 1.0 - chance))
}
