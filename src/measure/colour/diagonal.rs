//! The label of a colour filter array against a flat: greens are equal, red and blue are not.
//!
//! Equal greens prove on which diagonal they lie, and no more: exchanged red and blue need an object
//! of known colour. Where the flat's light gives red and blue the same level, or each labelled
//! colour was divided by its own mean, all four photosites may agree; then the label is neither
//! proved nor refuted.

use ndarray::ArrayView2;

use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::{Cfa, Colour, Fit};

/// About so many cells are looked at.
const CELLS: usize = 200_000;
/// Greens of one array differ by less: crosstalk and two readout channels make up to a per cent or two.
const ALIKE: f64 = 0.03;
/// One diagonal must be this many times as uneven as the other,
const TIMES: f64 = 3.0;
/// and by so many standard errors.
const SURE: f64 = 5.0;
/// Standard error of a median over that of a mean, normal samples.
const MEDIAN_ERROR: f64 = 1.2533;

/// How a flat's photosites differ along the diagonals of the 2x2 cell, in parts of their mean, each
/// with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Diagonal {
    /// The label.
    pub cfa: Cfa,
    /// Between the two that are labelled green.
    pub labelled: Fit,
    /// Between the other two.
    pub other: Fit,
}

/// Compares both diagonals of a flat above its pedestal, a master or one exposure. Nothing for a plane
/// of less than a cell.
pub fn diagonal(flat: ArrayView2<'_, f32>, cfa: Cfa) -> Option<Diagonal> {
    let (height, width) = flat.dim();
    let (rows, columns) = (height / 2, width / 2);
    let step = (rows * columns / CELLS).max(1);
    let (mut falling, mut rising) = (Vec::new(), Vec::new());
    for cell in (0..rows * columns).step_by(step) {
        let (y, x) = (2 * (cell / columns), 2 * (cell % columns));
        let at = |dy, dx| f64::from(flat[[y + dy, x + dx]]);
        let apart = |a: f64, b: f64| 2.0 * (a - b) / (a + b);
        let both = [apart(at(0, 0), at(1, 1)), apart(at(0, 1), at(1, 0))];
        if both.iter().all(|apart| apart.is_finite()) {
            falling.push(both[0]);
            rising.push(both[1]);
        }
    }
    let (falling, rising) = (middle(falling)?, middle(rising)?);
    let (labelled, other) = match cfa.at(0, 0) {
        Colour::Green => (falling, rising),
        Colour::Red | Colour::Blue => (rising, falling),
    };
    Some(Diagonal {
        cfa,
        labelled,
        other,
    })
}

fn middle(mut values: Vec<f64>) -> Option<Fit> {
    let slope = median(&mut values)?;
    let error = MEDIAN_ERROR * MAD_TO_SD * mad(&values, slope)? / (values.len() as f64).sqrt();
    Some(Fit { slope, error })
}

impl Diagonal {
    /// Whether the greens lie where the label says; nothing where the flat does not tell.
    pub fn holds(&self) -> Option<bool> {
        let uneven = |a: Fit, b: Fit| {
            let size = a.slope.abs();
            size > ALIKE && size > SURE * a.error && size > TIMES * b.slope.abs()
        };
        match (
            uneven(self.labelled, self.other),
            uneven(self.other, self.labelled),
        ) {
            (true, _) => Some(false),
            (_, true) => Some(true),
            _ => None,
        }
    }

    /// A sentence where the label is wrong.
    pub fn caution(&self) -> Option<String> {
        let figures = |fit: Fit| {
            format!(
                "{:.1} +- {:.1} %",
                100.0 * fit.slope.abs(),
                100.0 * fit.error
            )
        };
        (self.holds() == Some(false)).then(|| {
            format!(
                "the colour filter array is labelled {}, but in the flat its greens differ by {} \
                 and the other two photosites by {}, where {:.0} % is the limit: the greens lie on \
                 the other diagonal, as in {} or {}; look at the pattern, its offsets and the row \
                 order",
                self.cfa,
                figures(self.labelled),
                figures(self.other),
                100.0 * ALIKE,
                self.cfa.shifted(1, 0),
                self.cfa.shifted(0, 1),
            )
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use ndarray::Array2;

    use super::*;

    /// A flat of a true array: red 0.6, blue 0.8 of green, vignetted, greens off by a percent.
    fn flat(truth: &str) -> Array2<f32> {
        let cfa = Cfa::parse(truth).unwrap();
        Array2::from_shape_fn((180, 240), |(y, x)| {
            let shade = 1.0 - 2e-6 * ((x as f32 - 120.0).powi(2) + (y as f32 - 90.0).powi(2));
            let grain = 1.0 + 0.01 * (((x * 7919 + y * 104_729) % 101) as f32 / 50.0 - 1.0);
            let level = match cfa.at(x, y) {
                Colour::Red => 0.6,
                Colour::Green => 1.0 + 0.01 * (y % 2) as f32,
                Colour::Blue => 0.8,
            };
            20_000.0 * level * shade * grain
        })
    }

    #[test]
    fn equal_greens_prove_their_diagonal() {
        let holds = |truth, label| {
            let label = Cfa::parse(label).unwrap();
            diagonal(flat(truth).view(), label).unwrap().holds()
        };
        for truth in ["RGGB", "BGGR", "GRBG", "GBRG"] {
            for label in ["RGGB", "BGGR", "GRBG", "GBRG"] {
                let green = |word: &str| word.starts_with('G');
                let wanted = Some(green(truth) == green(label));
                assert_eq!(holds(truth, label), wanted, "{truth} labelled {label}");
            }
        }
    }

    /// As a master is by default: each labelled colour divided by its own mean.
    #[test]
    fn a_wrong_label_shows_in_a_master_whose_colours_are_equalised() {
        let equalised = |truth: &str, label: &str| {
            let cfa = Cfa::parse(label).unwrap();
            let mut plane = flat(truth);
            for colour in [Colour::Red, Colour::Green, Colour::Blue] {
                let of = |(y, x): (usize, usize)| cfa.at(x, y) == colour;
                let all: Vec<f32> = plane
                    .indexed_iter()
                    .filter(|(at, _)| of(*at))
                    .map(|(_, v)| *v)
                    .collect();
                let mean = all.iter().map(|&v| f64::from(v)).sum::<f64>() / all.len() as f64;
                plane
                    .indexed_iter_mut()
                    .filter(|(at, _)| of(*at))
                    .for_each(|(_, v)| *v /= mean as f32);
            }
            diagonal(plane.view(), cfa).unwrap()
        };
        let wrong = equalised("RGGB", "GRBG");
        assert_eq!(wrong.holds(), Some(false));
        // 2 (0.8 - 0.6) / (0.8 + 0.6).
        assert!(
            (wrong.labelled.slope.abs() - 0.2857).abs() < 0.01,
            "{wrong:?}"
        );
        let told = wrong.caution().unwrap();
        assert!(
            told.contains("differ by 29.") && told.contains("RGGB or BGGR"),
            "{told}"
        );
        let right = equalised("RGGB", "RGGB");
        assert_eq!((right.holds(), right.caution()), (None, None));
    }

    #[test]
    fn what_is_too_small_says_nothing() {
        let cfa = Cfa::parse("RGGB").unwrap();
        assert_eq!(diagonal(Array2::zeros((1, 9)).view(), cfa), None);
        assert_eq!(diagonal(Array2::zeros((8, 8)).view(), cfa), None);
    }
}
