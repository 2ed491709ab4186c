//! Which pixels of a product are not what they seem, as bits in a plane of bytes called `DLMASK`.
//!
//! | bit | value | meaning |
//! |---|---|---|
//! | [`SATURATED`] | 1 | light: saturated in the raw frame |
//! | [`HOT`] | 2 | far above its neighbours of the same colour in the dark or bias |
//! | [`DEAD`] | 4 | without signal in the flat, where it counts as 1 |
//! | [`REPAIRED`] | 8 | light: hot or dead, and replaced from its neighbours |
//! | [`LOST`] | 16 | no exposure of a master was left for it: the median of all stands there |
//!
//! A master always has its mask; a light's is the sum of its masters' and its own.

use crate::combine::{Exposures, combine};
pub(super) use crate::facts::mask::{DEAD, HOT, LOST, REPAIRED, SATURATED};
use crate::facts::{Card, Combining, InputCount, Value};

/// The name of the extension.
pub(super) const NAME: &str = "DLMASK";

/// The cards of the extension.
pub(super) fn cards() -> Vec<Card> {
    let note = |text: &str| Card::new("COMMENT", Value::None, text);
    vec![
        Card::new("EXTNAME", Value::Text(NAME.to_owned()), "flagged pixels"),
        note("1 saturated, 2 hot, 4 dead in the flat, 8 repaired, 16 no exposure left"),
    ]
}

/// Flags the `count` pixels of a stretch that no exposure was left for. `out` is what they were
/// combined to.
pub(super) fn flag_lost(
    method: &Combining,
    samples: Exposures<'_>,
    saturation: f64,
    out: &[f32],
    count: usize,
    mask: &mut [u8],
) {
    // Where all were saturated or no numbers, the median of all is no number below saturation.
    let low = |value: f32| f64::from(value) < saturation;
    if count == out.iter().filter(|value| !low(**value)).count() {
        for (flags, value) in mask.iter_mut().zip(out) {
            *flags |= if low(*value) { 0 } else { LOST };
        }
    } else {
        search_lost(method, samples, saturation, mask);
    }
}

/// The same where clipping left nothing, which shows only in the count: halves the stretch as long
/// as it has one.
fn search_lost(method: &Combining, samples: Exposures<'_>, saturation: f64, mask: &mut [u8]) {
    let mut out = vec![0.0; mask.len()];
    let mut rejected = vec![InputCount::default(); samples.count()];
    let found = combine(method, samples, saturation, &mut out, &mut rejected);
    if found.without_survivors == 0 {
        return;
    }
    if found.without_survivors == mask.len() {
        mask.iter_mut().for_each(|flags| *flags |= LOST);
        return;
    }
    let (left, right) = mask.split_at_mut(mask.len() / 2);
    let cut = left.len();
    match samples {
        Exposures::U16(rows) => {
            let (a, b): (Vec<_>, Vec<_>) = rows.iter().map(|row| row.split_at(cut)).unzip();
            search_lost(method, Exposures::U16(&a), saturation, left);
            search_lost(method, Exposures::U16(&b), saturation, right);
        }
        Exposures::F32(rows) => {
            let (a, b): (Vec<_>, Vec<_>) = rows.iter().map(|row| row.split_at(cut)).unzip();
            search_lost(method, Exposures::F32(&a), saturation, left);
            search_lost(method, Exposures::F32(&b), saturation, right);
        }
        Exposures::Scaled {
            samples: rows,
            levels,
        } => {
            let (a, b): (Vec<_>, Vec<_>) = rows.iter().map(|row| row.split_at(cut)).unzip();
            // Behind an odd cut even places become odd ones.
            let turned: Vec<[f64; 2]> = levels
                .iter()
                .map(|&[even, odd]| [[even, odd], [odd, even]][cut % 2])
                .collect();
            let scaled = |samples, levels| Exposures::Scaled { samples, levels };
            search_lost(method, scaled(&a, levels), saturation, left);
            search_lost(method, scaled(&b, &turned), saturation, right);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::combine::{Stored, stored};

    #[test]
    fn pixels_without_a_survivor_are_found_one_by_one() {
        let width = 301;
        for lost in [
            vec![],
            vec![0],
            vec![300],
            vec![3, 4, 5, 77, 200],
            (0..width).collect(),
        ] {
            let rows: Vec<Vec<Stored>> = (0..5)
                .map(|row| {
                    let value = |x| stored(if lost.contains(&x) { 65_535 } else { 100 + row });
                    (0..width).map(value).collect()
                })
                .collect();
            let slices: Vec<&[Stored]> = rows.iter().map(Vec::as_slice).collect();
            let samples = Exposures::U16(&slices);
            let (mut out, mut rejected) = (vec![0.0; width], vec![InputCount::default(); 5]);
            let method = Combining::Mean;
            let count = combine(&method, samples, 65_535.0, &mut out, &mut rejected);
            let (mut mask, mut searched) = (vec![0; width], vec![0; width]);
            let count = count.without_survivors;
            flag_lost(&method, samples, 65_535.0, &out, count, &mut mask);
            search_lost(&method, samples, 65_535.0, &mut searched);
            assert_eq!(mask, searched);
            let found: Vec<usize> = (0..width).filter(|&x| mask[x] == LOST).collect();
            assert_eq!(found, lost);
        }
    }
}
