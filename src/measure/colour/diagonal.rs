//! The label of a colour filter array against a flat: greens are equal, red and blue are not.
//!
//! Equal greens prove on which diagonal they lie, and no more: exchanged red and blue need an object
//! of known colour. Where the flat's light gives red and blue the same level, all four photosites may
//! agree; then the label is neither proved nor refuted. A raw flat is asked, since in a master each
//! labelled colour was divided by its own mean. Its pedestal, a few parts in a hundred, only makes
//! differences look smaller.

use crate::facts::{Cfa, Colour, Fit, MESH, PlaneSample, Sample};
use crate::measure::samples_per_cell;

/// Greens of one array differ by less: crosstalk and two readout channels make up to a per cent or two.
const ALIKE: f64 = 0.03;
/// One diagonal must be this many times as uneven as the other,
const TIMES: f64 = 3.0;
/// and by so many standard errors.
const SURE: f64 = 5.0;

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

/// Compares both diagonals of a raw flat of `size` columns and rows. Nothing without a level.
pub fn diagonal(sample: &Sample, size: (usize, usize), cfa: Cfa) -> Option<Diagonal> {
    // Samples of one of the four photosites. Their spread holds vignetting, which all have alike, so
    // the error is rather too large.
    let count = samples_per_cell(size.0, size.1) * (MESH * MESH) as f64 / 4.0;
    let apart = |a: &PlaneSample, b: &PlaneSample| {
        let mean = (a.level + b.level) / 2.0;
        Fit {
            slope: (a.level - b.level) / mean,
            error: a.spread.hypot(b.spread) / mean / count.sqrt(),
        }
    };
    let [even_even, even_odd, odd_even, odd_odd] = &sample.planes;
    let (falling, rising) = (apart(even_even, odd_odd), apart(even_odd, odd_even));
    let (labelled, other) = match cfa.at(0, 0) {
        Colour::Green => (falling, rising),
        Colour::Red | Colour::Blue => (rising, falling),
    };
    let known = |fit: &Fit| fit.slope.is_finite() && fit.error.is_finite();
    (known(&labelled) && known(&other)).then_some(Diagonal {
        cfa,
        labelled,
        other,
    })
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

    /// A sentence where the label is wrong, short enough to stand whole in the digest.
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
                "the colour filter array is not {} as labelled: in the flat its greens differ by {}, \
                 the other two by {} (limit {:.0} %); it is {} or {}: look at pattern, offsets and \
                 row order",
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
    use crate::measure::{rows_to_sample, sample};

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

    fn of(plane: &Array2<f32>, label: &str) -> Option<Diagonal> {
        let (height, width) = plane.dim();
        let pixels = plane.as_slice().unwrap();
        let rows: Vec<(usize, &[f32])> = rows_to_sample(height)
            .into_iter()
            .map(|(first, count)| (first, &pixels[first * width..(first + count) * width]))
            .collect();
        let sample = sample(width, height, &rows, 65_535.0);
        diagonal(&sample, (width, height), Cfa::parse(label).unwrap())
    }

    #[test]
    fn equal_greens_prove_their_diagonal() {
        for truth in ["RGGB", "BGGR", "GRBG", "GBRG"] {
            for label in ["RGGB", "BGGR", "GRBG", "GBRG"] {
                let green = |word: &str| word.starts_with('G');
                let found = of(&flat(truth), label).unwrap();
                let wanted = Some(green(truth) == green(label));
                assert_eq!(found.holds(), wanted, "{truth} labelled {label}");
                assert_eq!(found.caution().is_some(), wanted == Some(false));
            }
        }
        let told = of(&flat("RGGB"), "GRBG").unwrap().caution().unwrap();
        // 2 (0.8 - 0.6) / (0.8 + 0.6) is 28.6 %.
        assert!(
            told.contains("differ by 28.") && told.contains("RGGB or BGGR"),
            "{told}"
        );
    }

    #[test]
    fn a_flat_of_one_level_says_nothing() {
        let even = Array2::from_elem((40, 60), 900.0);
        assert_eq!(of(&even, "RGGB").unwrap().holds(), None);
        assert_eq!(of(&Array2::zeros((8, 8)), "RGGB"), None);
    }
}
