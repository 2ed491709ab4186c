//! Did the masters fit? What is left of a master's own structure in a light that was calibrated with
//! it.
//!
//! A master's noise goes into the light with the master, with the opposite sign, so a plain regression
//! of the light on the master is biased low even for a perfect one. Here two masters stand for it, A
//! of every second exposure and B of the others: the light is calibrated with A and regressed on B,
//! and the other way round. With `z` the structure of one half, `x` that of the other and `y` what is
//! left in the light calibrated with that other, the slope is sum(zy) / sum(zx): the estimate by
//! an instrumental variable (P. G. Wright 1928), which noise of neither half biases.
//!
//! Only structure from pixel to pixel counts, so the sky's own gradients and nebulae play no part;
//! [`moved_shadows`] looks for what is larger. A pair of rows says little; [`Left`] adds up over a
//! light's rows, and [`Pooled`] over a night's lights.
//!
//! It does not know where a master's halves lie.

mod maps;
mod rows;
mod shadows;
mod smooth;
mod words;

use std::ops::Add;

use crate::facts::Fit;

pub use maps::{Map, map};
pub use rows::{dark_left, flat_left};
pub use shadows::{moved_in_most, moved_shadows};
pub use words::{UNTOLD, dark_caution, dark_fits, flat_caution, flat_fits};

/// Of so many pairs of neighbouring rows a master keeps both halves, spread evenly; all rows of a
/// smaller image. One row of a pair has the red pixels of a colour sensor, the other the blue ones.
const PAIRS: usize = 16;

/// The master must show so many standard errors of structure before its fit means something,
const SEEN: f64 = 5.0;
/// and in as much as so many equal blocks, lest a single hot pixel speak for all.
const FEW: f64 = 5.0;

/// At least this part of a light's variance is shared with the others, however they scatter: they show
/// the same stars on much the same pixels, and were calibrated with the same halves.
const SHARED: f64 = 0.25;

/// True for the rows of an image of `height` rows whose halves a master keeps.
pub fn is_kept(row: usize, height: usize) -> bool {
    let pairs = height.div_ceil(2).max(1);
    (row / 2 * PAIRS + pairs / 2) % pairs < PAIRS
}

/// What is left in a light of a master's structure, as sums over blocks of pixels. Sums of parts of a
/// light add up to those of the whole.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Left {
    /// Sum of zy, and of the square of each block's sum.
    left: [f64; 2],
    /// The same of zx.
    own: [f64; 2],
    /// Sum of the products of a block's zy and zx.
    both: f64,
    /// Sum of the squares of what noise alone may make of a block's zx.
    noise: f64,
}

impl Left {
    /// Adds a block by its sums of zy and zx, and half the difference of the two ways to have zx.
    fn block(&mut self, left: f64, own: f64, noise: f64) {
        self.left[0] += left;
        self.left[1] += left * left;
        self.own[0] += own;
        self.own[1] += own * own;
        self.both += left * own;
        self.noise += noise * noise;
    }

    /// Slope and standard error; nothing where the master shows no structure to speak of. The error
    /// is the spread of blocks around the slope, so it holds whatever the noise is made of, and
    /// noise that neighbours share is in it.
    pub fn fit(&self) -> Option<Fit> {
        let [own, own_squares] = self.own;
        if own <= SEEN * self.noise.sqrt() || own * own <= FEW * own_squares {
            return None;
        }
        let slope = self.left[0] / own;
        let squares = self.left[1] - 2.0 * slope * self.both + slope * slope * own_squares;
        let error = squares.max(0.0).sqrt() / own;
        Some(Fit { slope, error }).filter(|fit| fit.slope.is_finite() && fit.error > 0.0)
    }
}

impl Add for Left {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            left: [0, 1].map(|at| self.left[at] + other.left[at]),
            own: [0, 1].map(|at| self.own[at] + other.own[at]),
            both: self.both + other.both,
            noise: self.noise + other.noise,
        }
    }
}

/// How a master fits many lights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pooled {
    /// Mean of the lights' slopes, each weighted by the inverse of its variance. Of its error only
    /// that part goes down with the number of lights by which they scatter.
    pub fit: Fit,
    /// How many lights.
    pub lights: usize,
    /// Chi-square of the lights' slopes around the mean, per degree of freedom; 1 for a single light.
    pub scatter: f64,
}

impl Pooled {
    /// Over the lights whose fit could be told; nothing without one. Their order does not matter
    /// beyond rounding.
    pub fn over(fits: &[Fit]) -> Option<Self> {
        let weight = |fit: &Fit| fit.error.powi(-2);
        let weights: f64 = fits.iter().map(weight).sum();
        if fits.is_empty() || !weights.is_finite() {
            return None;
        }
        let slope = fits.iter().map(|fit| weight(fit) * fit.slope).sum::<f64>() / weights;
        let away = |fit: &Fit| weight(fit) * (fit.slope - slope).powi(2);
        let scatter = match fits.len() - 1 {
            0 => 1.0,
            freedom => fits.iter().map(away).sum::<f64>() / freedom as f64,
        };
        let own = fits.len() as f64 / weights;
        let variance = match fits.len() {
            1 => own,
            many => own * ((1.0 - scatter).max(SHARED) + scatter / many as f64),
        };
        Some(Self {
            fit: Fit {
                slope,
                error: variance.sqrt(),
            },
            lights: fits.len(),
            scatter,
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    /// Weighted mean and chi-square of P. R. Bevington's textbook formulas, by hand: weights 1, 4, 4.
    #[test]
    fn lights_are_pooled_by_their_errors() {
        let fit = |slope, error| Fit { slope, error };
        let all = [fit(0.0, 1.0), fit(2.0, 0.5), fit(1.0, 0.5)];
        let pooled = Pooled::over(&all).unwrap();
        assert!((pooled.fit.slope - 12.0 / 9.0).abs() < 1e-12);
        // (16/9 + 4 * 4/9 + 4 * 1/9) / 2 = 2.
        assert!((pooled.scatter - 2.0).abs() < 1e-12, "{pooled:?}");
        // A quarter of the mean variance of 1/3 is shared, 2/3 of it go down by three.
        assert!((pooled.fit.error.powi(2) - (1.0 / 12.0 + 2.0 / 9.0)).abs() < 1e-12);
        let alike = Pooled::over(&[fit(1.0, 0.5); 4]).unwrap();
        assert_eq!(alike.fit, fit(1.0, 0.5), "their error is shared");
        assert_eq!(Pooled::over(&all[..1]).unwrap().fit, all[0]);
        assert_eq!(Pooled::over(&[]), None);
    }

    #[test]
    fn sums_of_parts_are_those_of_the_whole() {
        let mut parts = [Left::default(); 2];
        let mut whole = Left::default();
        for at in 0..40 {
            let (left, own) = (f64::from(at % 7) - 3.0, 1.0 + f64::from(at % 3));
            parts[at as usize % 2].block(left, own, 0.5);
            whole.block(left, own, 0.5);
        }
        assert_eq!(parts[0] + parts[1], whole);
        let fit = whole.fit().unwrap();
        assert!(fit.slope.abs() < 3.0 * fit.error, "{fit:?}");
        assert_eq!(Left::default().fit(), None);
    }

    #[test]
    fn rows_are_spread_evenly_and_both_parities_alike() {
        for height in [1, 7, 32, 33, 64, 1000, 4160, 4176, 6388] {
            let rows: Vec<usize> = (0..height).filter(|&y| is_kept(y, height)).collect();
            // The last row of an odd height has no partner.
            let wanted = height.min(2 * PAIRS);
            assert!(
                (wanted - height % 2..=wanted).contains(&rows.len()),
                "{height}"
            );
            let gap = rows.windows(2).map(|pair| pair[1] - pair[0]).max();
            assert!(gap.unwrap_or(1) <= height / PAIRS + 2, "{height}");
            let odd = rows.iter().filter(|&row| row % 2 == 1).count();
            assert!(rows.len() - odd <= odd + 1, "{height}: {odd} odd rows");
            assert!(rows.len() < 2 || odd > 0, "{height}");
        }
    }
}
