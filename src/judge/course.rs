//! How a group of lights went through the night: dithering, drift and jumps of the pointing,
//! passing clouds.
//!
//! It does not know which lights are set aside but by their verdicts.

#[cfg(test)]
mod tests;

use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::{Judged, SetAside};

use super::verdict::Subframe;

/// So many lights in a row that lie within a pixel of each other are not dithered.
const IN_A_ROW: usize = 10;
const DITHERED_PX: f64 = 1.0;

/// Lights on either side of a jump of the pointing.
const BESIDE: usize = 3;

/// A jump is at least this part of the longer side, and so many times the usual scatter.
const JUMP: f64 = 0.01;
const JUMP_SD: f64 = 5.0;

/// A drift over less time than this is no drift, hours.
const DRIFT_OVER_H: f64 = 0.25;

/// Lights at the edges of a cloud have at most this transparency.
const HAZE: f64 = 0.85;

/// What became of the pointing and of the sky in the course of a group. Lights are named by their
/// place in the group; all is told in order of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Course {
    /// Where ten lights in a row lie within a pixel of each other, as they mostly do: by how many
    /// pixels they spread.
    pub undithered_px: Option<f64>,
    /// Steady motion of the pointing.
    pub drift: Option<Drift>,
    /// Lights before which the pointing jumped, and stayed.
    pub jumps: Vec<Jump>,
    /// Passing clouds.
    pub clouds: Vec<Passage>,
}

/// Steady motion of the pointing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Pixels per hour along the reference's columns and rows.
    pub px_per_h: (f64, f64),
    /// Arc seconds per hour in all, where the pixel scale is known.
    pub arcsec_per_h: Option<f64>,
}

/// A sudden change of the pointing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jump {
    /// The first light after it.
    pub before: usize,
    /// How far, pixels.
    pub px: f64,
    /// How far, arc seconds, where the pixel scale is known.
    pub arcsec: Option<f64>,
}

/// A dip of the transparency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Passage {
    /// The first light with it.
    pub first: usize,
    /// The last.
    pub last: usize,
    /// Transparency in the thickest cloud.
    pub lowest: f64,
}

impl Course {
    /// Follows a group with its verdicts, both in the same order. Lights without a time are left
    /// out.
    pub fn of(group: &[Subframe<'_>], judged: &[Judged]) -> Self {
        let mut order: Vec<usize> = (0..group.len().min(judged.len()))
            .filter(|&at| group[at].start.is_some())
            .collect();
        order.sort_by_key(|&at| (group[at].start, at));
        let path = Path::of(group, judged, &order);
        Self {
            undithered_px: path.undithered(),
            drift: path.drift(),
            jumps: path.jumps(),
            clouds: clouds(judged, &order),
        }
    }

    /// What a person should change, as a sentence without its subject.
    pub fn warning(&self) -> Option<String> {
        let spread = self.undithered_px?;
        Some(format!(
            "not dithered: {IN_A_ROW} lights in a row lie within {spread:.1} px of each other, so \
             hot pixels and fixed pattern will not average out; want some pixels between them"
        ))
    }
}

/// The pointing against time, of the lights on the target.
struct Path {
    places: Vec<Place>,
    /// Arc seconds per pixel.
    scale: Option<f64>,
    longer_side: f64,
}

struct Place {
    light: usize,
    hour: f64,
    x: f64,
    y: f64,
}

impl Path {
    fn of(group: &[Subframe<'_>], judged: &[Judged], order: &[usize]) -> Self {
        let first = order.first().and_then(|&at| group[at].start);
        let on_target = |at: usize| {
            let off = |finding: &crate::facts::Finding| finding.reason == SetAside::OffTarget;
            !judged[at].findings.iter().any(off)
        };
        let place = |&at: &usize| {
            let hour = group[at].start?.duration_since(first?).as_secs_f64() / 3600.0;
            let (x, y) = judged[at].relative.filter(|_| on_target(at))?.shift_px;
            Some(Place {
                light: at,
                hour,
                x,
                y,
            })
        };
        let longer = |light: &Subframe<'_>| f64::from(light.size.0.max(light.size.1));
        Self {
            places: order.iter().filter_map(place).collect(),
            scale: order.first().and_then(|&at| group[at].pixel_scale),
            longer_side: group.iter().map(longer).fold(0.0, f64::max),
        }
    }

    fn undithered(&self) -> Option<f64> {
        let mut spreads: Vec<f64> = self
            .places
            .windows(IN_A_ROW)
            .map(|row| {
                let width = |part: fn(&Place) -> f64| {
                    let values = || row.iter().map(part);
                    values().fold(f64::NEG_INFINITY, f64::max)
                        - values().fold(f64::INFINITY, f64::min)
                };
                width(|place| place.x).hypot(width(|place| place.y))
            })
            .collect();
        median(&mut spreads).filter(|&spread| spread < DITHERED_PX)
    }

    /// The median of the slopes between all pairs (P. K. Sen 1968, JASA 63, 1379): jumps and lights that
    /// strayed do not bend it.
    fn drift(&self) -> Option<Drift> {
        let over = self.places.last()?.hour - self.places.first()?.hour;
        if over < DRIFT_OVER_H || self.places.len() < 5 {
            return None;
        }
        let slope = |part: fn(&Place) -> f64| {
            let mut slopes = Vec::new();
            for (at, one) in self.places.iter().enumerate() {
                for other in &self.places[at + 1..] {
                    if other.hour - one.hour > over / 4.0 {
                        slopes.push((part(other) - part(one)) / (other.hour - one.hour));
                    }
                }
            }
            median(&mut slopes)
        };
        let px_per_h = (slope(|place| place.x)?, slope(|place| place.y)?);
        Some(Drift {
            px_per_h,
            arcsec_per_h: self.scale.map(|scale| scale * px_per_h.0.hypot(px_per_h.1)),
        })
    }

    /// The place beside this one that lies furthest from its predecessor.
    fn steepest(&self, about: usize) -> usize {
        let step = |at: usize| {
            let (one, other) = (&self.places[at - 1], &self.places[at]);
            (other.x - one.x).hypot(other.y - one.y)
        };
        let near = about.saturating_sub(1).max(1)..=(about + 1).min(self.places.len() - 1);
        near.max_by(|&a, &b| step(a).total_cmp(&step(b)))
            .unwrap_or(about)
    }

    /// Medians of a few lights on either side tell a jump from a light that strayed alone.
    fn jumps(&self) -> Vec<Jump> {
        let step = |at: usize| {
            let across = |part: fn(&Place) -> f64| {
                let side = |row: &[Place]| {
                    median(&mut row.iter().map(part).collect::<Vec<f64>>()).unwrap_or(0.0)
                };
                side(&self.places[at..at + BESIDE]) - side(&self.places[at - BESIDE..at])
            };
            across(|place| place.x).hypot(across(|place| place.y))
        };
        let last = (self.places.len() + 1).saturating_sub(BESIDE);
        let steps: Vec<f64> = (BESIDE..last).map(step).collect();
        let usual = median(&mut steps.clone()).unwrap_or(0.0);
        let sd = MAD_TO_SD * mad(&steps, usual).unwrap_or(0.0);
        let least = (JUMP * self.longer_side).max(usual + JUMP_SD * sd);
        let is_peak = |&at: &usize| {
            let near = &steps[at.saturating_sub(BESIDE - 1)..steps.len().min(at + BESIDE)];
            // The first of equal ones.
            let peak = near.iter().copied().fold(0.0, f64::max);
            let earlier = &steps[at.saturating_sub(BESIDE - 1)..at];
            steps[at] > least && steps[at] >= peak && earlier.iter().all(|&step| step < peak)
        };
        (0..steps.len())
            .filter(is_peak)
            .map(|at| Jump {
                before: self.places[self.steepest(at + BESIDE)].light,
                px: steps[at],
                arcsec: self.scale.map(|scale| scale * steps[at]),
            })
            .collect()
    }
}

/// Rows of hazy lights in which one is set aside for clouds.
fn clouds(judged: &[Judged], order: &[usize]) -> Vec<Passage> {
    // What was found by its stars' number alone has no match, but a value.
    let cloud = |at: usize| {
        let mut findings = judged[at].findings.iter();
        findings.find(|finding| finding.reason == SetAside::Clouds)
    };
    let through = |at: usize| {
        let found = cloud(at).map(|finding| finding.value);
        found.or(judged[at].relative.map(|relative| relative.transparency))
    };
    let hazy = |at: usize| through(at).is_some_and(|through| through < HAZE);
    order
        .chunk_by(|&a, &b| hazy(a) == hazy(b))
        .filter(|row| row.iter().any(|&at| cloud(at).is_some()))
        .filter_map(|row| {
            let lowest = row.iter().filter_map(|&at| through(at));
            Some(Passage {
                first: *row.first()?,
                last: *row.last()?,
                lowest: lowest.fold(f64::INFINITY, f64::min),
            })
        })
        .collect()
}
