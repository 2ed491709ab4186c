//! Hot and dead pixels replaced from their neighbours.
//!
//! A pixel gets the median of its unflagged neighbours of the same colour: of the eight nearest,
//! else of the sixteen around those. Flagged pixels never serve, so the order of repairs plays no
//! part. A pixel without such neighbours stays as it is.

use std::ops::Range;

use super::mask::{DEAD, HOT, REPAIRED};
use crate::combine::median;

/// Rows above and below that a repair looks at: two rings of pixels that are two apart.
pub(super) const REACH: usize = 4;

/// Repairs the pixels at places `own` of a stretch of whole rows of `width` pixels, and flags them.
/// `planes` are as long as the mask, or empty.
pub(super) fn repair(
    width: usize,
    colour: bool,
    own: Range<usize>,
    mask: &mut [u8],
    planes: &mut [&mut Vec<f32>],
) {
    let apart = if colour { 2 } else { 1 };
    for place in own {
        if mask[place] & (HOT | DEAD) == 0 {
            continue;
        }
        let Some(around) = (1..=2)
            .map(|ring| neighbours(width, mask, place, ring, apart))
            .find(|around| !around.is_empty())
        else {
            continue;
        };
        for plane in planes.iter_mut().filter(|plane| !plane.is_empty()) {
            let values = around.iter().map(|&at| f64::from(plane[at]));
            let mut values: Vec<f64> = values.filter(|value| value.is_finite()).collect();
            if let Some(median) = median(&mut values) {
                plane[place] = median as f32;
                mask[place] |= REPAIRED;
            }
        }
    }
}

/// Unflagged pixels of the square ring number `ring` around `place`.
fn neighbours(width: usize, mask: &[u8], place: usize, ring: isize, apart: isize) -> Vec<usize> {
    let (x, y) = (place % width, place / width);
    let mut found = Vec::new();
    for dy in -ring..=ring {
        for dx in -ring..=ring {
            if dx.abs().max(dy.abs()) < ring {
                continue;
            }
            let column = x.checked_add_signed(dx * apart).filter(|&x| x < width);
            let row = y.checked_add_signed(dy * apart);
            if let (Some(column), Some(row)) = (column, row)
                && mask.get(row * width + column) == Some(&0)
            {
                found.push(row * width + column);
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::super::mask::SATURATED;
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
        repair(
            WIDTH,
            true,
            0..81,
            &mut mask,
            &mut [&mut values, &mut sigma],
        );
        assert_eq!(values[hot], 100.0 + at(6, 4) as f32);
        assert_eq!((sigma[hot], mask[hot]), (3.0, HOT | REPAIRED));
        assert_eq!(values[at(4, 2)], 65_000.0);
    }

    #[test]
    fn a_clump_is_repaired_from_farther_away_and_a_field_of_them_not_at_all() {
        let mut values = vec![7.0; 81];
        let mut mask = vec![0; 81];
        for y in 3..6 {
            for x in 3..6 {
                (values[at(x, y)], mask[at(x, y)]) = (9000.0, HOT);
            }
        }
        repair(WIDTH, false, 0..81, &mut mask, &mut [&mut values]);
        assert!(values.iter().all(|value| *value == 7.0), "{values:?}");
        let (mut values, mut mask) = (vec![9000.0; 81], vec![DEAD; 81]);
        repair(WIDTH, false, 0..81, &mut mask, &mut [&mut values]);
        assert!(values.iter().all(|value| *value == 9000.0));
        assert!(mask.iter().all(|flags| *flags == DEAD));
    }
}
