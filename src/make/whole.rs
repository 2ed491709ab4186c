//! Calibrated pixels as unsigned 16-bit integers.
//!
//! A level is added, so that noise around 0 keeps its lower half; the sum is rounded, half to even,
//! and cut off at 0 and 65535. The format has no number to spare for "undefined": a pixel that is
//! no number becomes 0, and the mask says why. How many pixels were cut off or undefined is counted.

use crate::combine::Level;
use crate::facts::{Card, Value};

/// Rounds `values`; the number of those that did not fit.
pub(super) fn round(values: &[f32], added_level: u16, out: &mut Vec<u16>) -> u64 {
    let range = 0.0..=f64::from(u16::MAX);
    out.resize(values.len(), 0);
    Level::widest().run(|| {
        let mut cut = 0;
        for (whole, &value) in out.iter_mut().zip(values) {
            let rounded = (f64::from(value) + f64::from(added_level)).round_ties_even();
            cut += u64::from(!range.contains(&rounded));
            // The conversion ends at both ends of the range and makes 0 of what is no number.
            *whole = rounded as u16;
        }
        cut
    })
}

/// What a reader must know of the pixels.
pub(super) fn cards(added_level: u16, cut: u64) -> [Card; 2] {
    let integer = |number: u64| Value::Integer(i64::try_from(number).unwrap_or(i64::MAX));
    [
        Card::new(
            "DLADDED",
            integer(added_level.into()),
            "[adu] level added to every pixel",
        ),
        Card::new("DLCUT", integer(cut), "pixels cut off at 0 or 65535"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_to_even_and_cut_off_at_both_ends() {
        let values = [
            -0.5,
            0.5,
            1.5,
            -1000.4,
            -1000.6,
            64_535.4,
            64_535.6,
            f32::NAN,
            f32::INFINITY,
        ];
        let mut out = vec![7];
        let cut = round(&values, 1000, &mut out);
        assert_eq!(
            out,
            [1000, 1000, 1002, 0, 0, 65_535, 65_535, 0, 65_535],
            "{values:?}"
        );
        assert_eq!(cut, 4, "below, above, undefined, infinite");
    }
}
