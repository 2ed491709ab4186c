//! Triangles of stars, and which of two lists are alike.
//!
//! A triangle's shape is its middle and its shortest side over its longest, and the sense in which
//! these follow each other. Sides name the corners, so like triangles also say which star is which.

use std::ops::RangeInclusive;

use super::Point;
use super::similarity::Similarity;

#[derive(Clone, Copy, Debug)]
pub(super) struct Triangle {
    /// Middle side over longest.
    middle: f64,
    /// Shortest side over longest; negative where the corners run the other way round.
    short: f64,
    /// Longest side, pixels.
    long: f64,
    /// Ends of the longest side: the one at the shortest side first.
    ends: [Point; 2],
}

/// All triangles whose longest side has at least this length, by their middle side's ratio.
pub(super) fn triangles(points: &[Point], least: f64) -> Vec<Triangle> {
    let mut all = Vec::with_capacity(points.len().pow(3) / 6);
    for (i, &a) in points.iter().enumerate() {
        for (j, &b) in points.iter().enumerate().skip(i + 1) {
            let ab = length(a, b);
            for &c in &points[j + 1..] {
                let triangle = triangle([a, b, c], [length(b, c), length(a, c), ab]);
                if triangle.long >= least {
                    all.push(triangle);
                }
            }
        }
    }
    all.sort_unstable_by(|a, b| a.middle.total_cmp(&b.middle));
    all
}

fn length(a: Point, b: Point) -> f64 {
    ((a.x - b.x).powi(2) + (a.y - b.y).powi(2)).sqrt()
}

/// `sides[i]` lies opposite to `corners[i]`.
fn triangle(corners: [Point; 3], sides: [f64; 3]) -> Triangle {
    let mut order = [0, 1, 2];
    order.sort_unstable_by(|&a, &b| sides[b].total_cmp(&sides[a]));
    let [long, middle, short] = order;
    // The shortest side joins the corners opposite to the two others.
    let (near, far) = (corners[middle], corners[short]);
    let apex = corners[long];
    let turn = (far.x - near.x) * (apex.y - near.y) - (far.y - near.y) * (apex.x - near.x);
    Triangle {
        middle: sides[middle] / sides[long],
        short: (sides[short] / sides[long]).copysign(turn),
        long: sides[long],
        ends: [near, far],
    }
}

/// The similarities that carry a triangle of the first list onto a like one of the second. Sides
/// may be wrong by `tolerance` pixels; both lists are sorted as [`triangles`] gives them.
pub(super) fn proposals(
    reference: &[Triangle],
    other: &[Triangle],
    tolerance: f64,
    scales: RangeInclusive<f64>,
) -> Vec<Similarity> {
    let mut found = Vec::new();
    let mut from = 0;
    // No window is wider than that of the smallest triangle.
    let widest = reference
        .iter()
        .map(|triangle| tolerance / triangle.long)
        .fold(0.0, f64::max);
    for one in reference {
        let window = tolerance / one.long;
        while other
            .get(from)
            .is_some_and(|other| other.middle < one.middle - widest)
        {
            from += 1;
        }
        for two in &other[from..] {
            if two.middle > one.middle + window {
                break;
            }
            let alike = two.middle >= one.middle - window
                && (two.short - one.short).abs() <= window
                && two.long >= scales.start() * one.long
                && two.long <= scales.end() * one.long;
            if alike {
                found.extend(Similarity::of_line(one.ends, two.ends));
            }
        }
    }
    found
}
