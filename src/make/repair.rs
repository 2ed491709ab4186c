//! Hot and dead pixels replaced from their neighbours.
//!
//! A pixel gets the median of its unflagged neighbours of the same colour: of the eight nearest,
//! else of the sixteen around those. Flagged pixels never serve, so the order of repairs plays no
//! part. A pixel without such neighbours stays as it is, and so does one whose eight are all flagged and
//! some of them saturated by light: it lies inside a star, where the sky around would leave a hole.

use std::ops::Range;

use super::mask::{DEAD, HOT, REPAIRED, SATURATED};
use crate::combine::median;

/// Rows above and below that a repair looks at: two rings of pixels that are two apart.
pub(super) const REACH: usize = 4;

/// Repairs the pixels at places `own` of a stretch of whole rows of `width` pixels, and flags them.
/// `sigma`, the pixels' standard deviations, is as long as they are, or empty.
pub(super) fn repair(
    width: usize,
    colour: bool,
    own: Range<usize>,
    mask: &mut [u8],
    pixels: &mut [f32],
    sigma: &mut [f32],
) {
    let apart = if colour { 2 } else { 1 };
    for place in own {
        if mask[place] & (HOT | DEAD) == 0 {
            continue;
        }
        let good = |ring| -> Vec<usize> {
            ring_around(width, mask.len(), place, ring, apart)
                .filter(|&at| mask[at] == 0)
                .collect()
        };
        // A hot pixel may be saturated by its own charge, without any light.
        let in_a_star = || {
            ring_around(width, mask.len(), place, 1, apart)
                .any(|at| mask[at] & (SATURATED | HOT) == SATURATED)
        };
        let mut around = good(1);
        if around.is_empty() && !in_a_star() {
            around = good(2);
        }
        if let Some(value) = median_at(&around, pixels) {
            pixels[place] = value;
            mask[place] |= REPAIRED;
            if !sigma.is_empty() {
                sigma[place] = median_at(&around, sigma).unwrap_or(f32::NAN);
            }
        }
    }
}

/// The median of a plane's numbers at `places`.
fn median_at(places: &[usize], plane: &[f32]) -> Option<f32> {
    let values = places.iter().map(|&at| f64::from(plane[at]));
    let mut values: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    median(&mut values).map(|median| median as f32)
}

/// Pixels of the square ring number `ring` around `place`, in an image of `length` pixels.
fn ring_around(
    width: usize,
    length: usize,
    place: usize,
    ring: isize,
    apart: isize,
) -> impl Iterator<Item = usize> {
    let (x, y) = (place % width, place / width);
    let offsets = (-ring..=ring).flat_map(move |dy| (-ring..=ring).map(move |dx| (dx, dy)));
    let on_ring = offsets.filter(move |(dx, dy)| dx.abs().max(dy.abs()) == ring);
    on_ring.filter_map(move |(dx, dy)| {
        let column = x.checked_add_signed(dx * apart).filter(|&x| x < width)?;
        let at = y.checked_add_signed(dy * apart)? * width + column;
        (at < length).then_some(at)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 9;

    fn at(x: usize, y: usize) -> usize {
        y * WIDTH + x
    }

    #[test]
    fn the_median_of_good_neighbours_of_the_same_colour() {
        // Columns and rows of one colour are even; the others hold what must never enter.
        let same = |place: usize| ((place % WIDTH) | (place / WIDTH)).is_multiple_of(2);
        let mut values: Vec<f32> = (0..81)
            .map(|place| {
                if same(place) {
                    100.0 + place as f32
                } else {
                    -1e6
                }
            })
            .collect();
        let mut sigma = vec![3.0; 81];
        let mut mask = vec![0; 81];
        let hot = at(4, 4);
        (values[hot], sigma[hot], mask[hot]) = (9000.0, 300.0, HOT);
        // Its upper neighbour is saturated: seven are left, the lower middle one counts.
        (values[at(4, 2)], mask[at(4, 2)]) = (65_000.0, SATURATED);
        repair(WIDTH, true, 0..81, &mut mask, &mut values, &mut sigma);
        assert_eq!(values[hot], 100.0 + at(6, 4) as f32);
        assert_eq!((sigma[hot], mask[hot]), (3.0, HOT | REPAIRED));
        assert_eq!(values[at(4, 2)], 65_000.0);
    }

    /// The middle of nine whose flags are these, and what is left of it: 7 all around.
    fn middle(own: u8, ring: impl Fn(usize, usize) -> u8) -> (f32, u8) {
        let (mut values, mut mask) = (vec![7.0; 81], vec![0; 81]);
        for y in 3..6 {
            for x in 3..6 {
                (values[at(x, y)], mask[at(x, y)]) = (9000.0, ring(x, y));
            }
        }
        mask[at(4, 4)] = own;
        repair(WIDTH, false, 0..81, &mut mask, &mut values, &mut []);
        (values[at(4, 4)], mask[at(4, 4)])
    }

    #[test]
    fn a_clump_is_repaired_from_farther_away_and_a_field_of_them_not_at_all() {
        assert_eq!(middle(DEAD, |_, _| DEAD), (7.0, DEAD | REPAIRED));
        // Hot pixels that saturate by themselves are no star.
        let hot = |x, _| if x == 3 { HOT | SATURATED } else { DEAD };
        assert_eq!(middle(HOT, hot), (7.0, HOT | REPAIRED));
        let (mut values, mut mask) = (vec![9000.0; 81], vec![DEAD; 81]);
        repair(WIDTH, false, 0..81, &mut mask, &mut values, &mut []);
        assert!(values.iter().all(|value| *value == 9000.0));
        assert!(mask.iter().all(|flags| *flags == DEAD));
    }

    #[test]
    fn a_hot_pixel_inside_a_saturated_star_makes_no_hole() {
        assert_eq!(middle(HOT, |_, _| SATURATED), (9000.0, HOT));
        let beside_another = |x, y| if (x, y) == (3, 3) { HOT } else { SATURATED };
        assert_eq!(middle(HOT, beside_another), (9000.0, HOT));
    }

    #[test]
    fn only_a_replaced_pixel_is_flagged_as_such() {
        let mut values = vec![f32::NAN; 81];
        let (mut mask, mut sigma) = (vec![0; 81], vec![3.0; 81]);
        let hot = at(4, 4);
        (values[hot], mask[hot], sigma[hot]) = (9000.0, HOT, 300.0);
        repair(WIDTH, false, 0..81, &mut mask, &mut values, &mut sigma);
        assert_eq!((values[hot], mask[hot], sigma[hot]), (9000.0, HOT, 300.0));
    }
}
