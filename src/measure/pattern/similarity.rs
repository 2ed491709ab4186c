//! Similarities of the plane, and which stars one of them pairs.
//!
//! A similarity is written with complex numbers: z becomes a z + b, where the length of a is the
//! scale and its direction the rotation. Places count from the centre of the frame.

use super::{Field, Point};

#[derive(Clone, Copy, Debug)]
pub(super) struct Similarity {
    a: (f64, f64),
    b: (f64, f64),
}

impl Similarity {
    /// A shift, after a half turn where `turn` is -1.
    pub(super) fn of_shift(turn: f64, shift: (f64, f64)) -> Self {
        Self {
            a: (turn, 0.0),
            b: shift,
        }
    }

    /// The one that carries one line onto another. None for lines without a length.
    pub(super) fn of_line(from: [Point; 2], to: [Point; 2]) -> Option<Self> {
        let (x, y) = (from[1].x - from[0].x, from[1].y - from[0].y);
        let (u, v) = (to[1].x - to[0].x, to[1].y - to[0].y);
        let square = x * x + y * y;
        let a = ((u * x + v * y) / square, (v * x - u * y) / square);
        let turned = Self { a, b: (0.0, 0.0) }.apply(from[0].x, from[0].y);
        let b = (to[0].x - turned.0, to[0].y - turned.1);
        (square > 0.0).then_some(Self { a, b })
    }

    /// Least squares over pairs of reference and other star. None where they all coincide.
    pub(super) fn fit(
        reference: &[Point],
        other: &Pairing,
        pairs: &[(usize, usize)],
    ) -> Option<Self> {
        let count = pairs.len() as f64;
        let sum = |value: &dyn Fn(Point, Point) -> f64| -> f64 {
            let values = pairs
                .iter()
                .map(|&(from, to)| value(reference[from], *other.point(to)));
            values.sum::<f64>() / count
        };
        let (x, y) = (sum(&|p, _| p.x), sum(&|p, _| p.y));
        let (u, v) = (sum(&|_, q| q.x), sum(&|_, q| q.y));
        let square = sum(&|p, _| (p.x - x).powi(2) + (p.y - y).powi(2));
        let along = sum(&|p, q| (p.x - x) * (q.x - u) + (p.y - y) * (q.y - v));
        let across = sum(&|p, q| (p.x - x) * (q.y - v) - (p.y - y) * (q.x - u));
        let a = (along / square, across / square);
        let turned = Self { a, b: (0.0, 0.0) }.apply(x, y);
        let b = (u - turned.0, v - turned.1);
        (square > 0.0).then_some(Self { a, b })
    }

    pub(super) fn apply(&self, x: f64, y: f64) -> (f64, f64) {
        (
            self.a.0 * x - self.a.1 * y + self.b.0,
            self.a.1 * x + self.a.0 * y + self.b.1,
        )
    }

    pub(super) fn scale(&self) -> f64 {
        self.a.0.hypot(self.a.1)
    }

    pub(super) fn rotation_deg(&self) -> f64 {
        self.a.1.atan2(self.a.0).to_degrees()
    }

    /// What is carried to the centre: -b/a.
    pub(super) fn centre(&self) -> (f64, f64) {
        let square = self.a.0 * self.a.0 + self.a.1 * self.a.1;
        (
            -(self.b.0 * self.a.0 + self.b.1 * self.a.1) / square,
            -(self.b.1 * self.a.0 - self.b.0 * self.a.1) / square,
        )
    }
}

/// The other light's stars, sorted by column so that those near a place are quickly found.
pub(super) struct Pairing {
    points: Vec<Point>,
    /// The first star of each strip of columns.
    strips: Vec<usize>,
    strip: f64,
    left: f64,
}

impl Pairing {
    pub(super) fn new(other: &[Point], tolerance: f64) -> Self {
        let mut points = other.to_vec();
        points.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
        let left = points.first().map_or(0.0, |point| point.x);
        let right = points.last().map_or(0.0, |point| point.x);
        let strip = ((right - left) / 256.0).max(tolerance);
        let count = ((right - left) / strip) as usize + 2;
        let strips = (0..count)
            .map(|index| points.partition_point(|point| point.x < left + strip * index as f64))
            .collect();
        Self {
            points,
            strips,
            strip,
            left,
        }
    }

    pub(super) fn len(&self) -> usize {
        self.points.len()
    }

    pub(super) fn point(&self, index: usize) -> &Point {
        &self.points[index]
    }

    /// The star nearest to a place, within `reach`: its index and squared distance.
    fn nearest(&self, (x, y): (f64, f64), reach: f64) -> Option<(usize, f64)> {
        let strip = ((x - reach - self.left) / self.strip).max(0.0) as usize;
        let first = *self.strips.get(strip)?;
        let mut best = (usize::MAX, reach * reach);
        for (index, point) in self.points.iter().enumerate().skip(first) {
            if point.x > x + reach {
                break;
            }
            let distance = (point.x - x).powi(2) + (point.y - y).powi(2);
            if distance < best.1 {
                best = (index, distance);
            }
        }
        (best.0 < usize::MAX).then_some(best)
    }

    /// Pairs of reference star and other star within `reach`, by the reference's order, none used
    /// twice; and how many of the reference's stars fall into the other frame at all.
    pub(super) fn pairs(
        &self,
        field: &Field,
        reference: &[Point],
        similarity: &Similarity,
        reach: f64,
    ) -> (Vec<(usize, usize)>, usize) {
        let mut inside = 0;
        let mut taken = vec![f64::INFINITY; self.points.len()];
        let mut pairs: Vec<(usize, usize)> = Vec::new();
        for (from, point) in reference.iter().enumerate() {
            let place = similarity.apply(point.x, point.y);
            if !field.holds(place) {
                continue;
            }
            inside += 1;
            let Some((to, distance)) = self.nearest(place, reach) else {
                continue;
            };
            if distance < taken[to] {
                if taken[to].is_finite() {
                    pairs.retain(|pair| pair.1 != to);
                }
                taken[to] = distance;
                pairs.push((from, to));
            }
        }
        (pairs, inside.max(FEWEST_INSIDE))
    }
}

/// Corners that a fit has moved a hair beyond the edge still count.
const FEWEST_INSIDE: usize = super::FEWEST;
