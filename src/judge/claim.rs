//! Does what was measured of a sensor bear out a profile's claim that it is a CCD without glow?
//!
//! Scaling a dark by the ratio of exposures takes a dark signal for granted that is proportional to
//! time. Two things speak against it: a glow of the amplifier, which follows its own clock, and a
//! camera that holds its black level, so that the level says nothing of the dark charge. It does not
//! know whether any dark is scaled, nor by what factor.

use std::fmt;

use crate::facts::{DarkSignal, Estimate};

/// A contradiction must stand out by so many standard errors,
const SURE: f64 = 4.0;

/// and by this part of the read noise, below which it would not be seen in a light.
const OF_READ_NOISE: f64 = 0.5;

/// A level may differ by this part from what its noise says: gains are not known better on every
/// sensor. Charge of which this part would not be seen says nothing: a bias that drifted since is as
/// much as it.
const OF_LEVEL: f64 = 0.1;

/// What speaks against the claim.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// Part of the sensor is brighter in darks.
    Glow,
    /// Darks lie lower than the noise of their charge says.
    HeldBlack,
}

/// One contradiction with its limit, ADU.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contradiction {
    /// Which.
    pub against: Against,
    /// How much of it there is.
    pub value: f64,
    /// What would be put up with.
    pub limit: f64,
}

impl fmt::Display for Contradiction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self.against {
            Against::Glow => "glow by",
            Against::HeldBlack => "lie below the level that their noise tells by",
        };
        write!(
            f,
            "{what} {:.1} ADU, limit {:.1} ADU",
            self.value, self.limit
        )
    }
}

/// What darks have against the claim `ccd-without-glow`; nothing for one that is true. Whether the
/// black level is held is told only where the gain is known, electrons per ADU, and where the charge
/// is not small beside what a bias may drift by.
pub fn against_ccd_without_glow(
    dark: &DarkSignal,
    electrons_per_adu: Option<Estimate>,
) -> Vec<Contradiction> {
    let least = OF_READ_NOISE * dark.bias_variance.value.max(0.0).sqrt();
    let glow = Contradiction {
        against: Against::Glow,
        value: dark.glow.value,
        limit: least.max(SURE * dark.glow.error),
    };
    // Charges of Q electrons have a variance of Q: of Q / K^2 in ADU, where their level is Q / K.
    let held = electrons_per_adu.and_then(|gain| {
        let told = dark.variance.by(gain);
        let error = told.error.hypot(dark.level.error);
        let allowed = OF_LEVEL * told.value;
        (allowed >= least).then(|| Contradiction {
            against: Against::HeldBlack,
            value: told.value - dark.level.value,
            limit: allowed.max(SURE * error),
        })
    });
    let all = std::iter::once(glow).chain(held);
    all.filter(|found| found.value > found.limit).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(value: f64, error: f64) -> Estimate {
        Estimate { value, error }
    }

    /// 200 electrons of dark charge at 0.5 electrons per ADU over a read noise of 6 ADU.
    fn ccd() -> DarkSignal {
        DarkSignal {
            bias_level: 500.0,
            bias_variance: known(36.0, 0.1),
            middle: 400.0,
            level: known(400.0, 0.1),
            tail: known(0.0, 0.0),
            variance: known(800.0, 1.0),
            pattern: known(1600.0, 5.0),
            glow: known(0.0, 0.2),
            hot_per_megapixel: known(500.0, 20.0),
            pixels: 1_000_000,
        }
    }

    fn found(dark: &DarkSignal, gain: Option<f64>) -> Vec<Contradiction> {
        against_ccd_without_glow(dark, gain.map(|gain| known(gain, 0.005)))
    }

    #[test]
    fn a_true_claim_is_believed() {
        assert_eq!(found(&ccd(), Some(0.5)), []);
        assert_eq!(found(&ccd(), None), []);
        // A gain that is 8 % off, and a level above what the noise tells, prove nothing.
        assert_eq!(found(&ccd(), Some(0.54)), []);
        let mut drifted = ccd();
        drifted.level.value = 460.0;
        assert_eq!(found(&drifted, Some(0.5)), []);
    }

    /// Just below and just above each limit: half of 6 ADU, four errors, a tenth of 400 ADU.
    #[test]
    fn each_contradiction_has_its_limit() {
        for (glow, error, is_told) in [
            (2.9, 0.2, false),
            (3.1, 0.2, true),
            (3.9, 1.0, false),
            (4.1, 1.0, true),
        ] {
            let mut dark = ccd();
            dark.glow = known(glow, error);
            let told = found(&dark, None);
            assert_eq!(!told.is_empty(), is_told, "glow {glow} +- {error}");
            assert!(told.iter().all(|told| told.against == Against::Glow));
        }
        for (level, is_told) in [(362.0, false), (358.0, true), (0.0, true)] {
            let mut dark = ccd();
            dark.level.value = level;
            let told = found(&dark, Some(0.5));
            assert_eq!(!told.is_empty(), is_told, "level {level}");
            assert!(told.iter().all(|told| told.against == Against::HeldBlack));
        }
    }

    #[test]
    fn a_gain_that_is_hardly_known_proves_little() {
        // Four times 10 % of 400 ADU.
        for (level, is_told) in [(245.0, false), (235.0, true)] {
            let mut dark = ccd();
            dark.level.value = level;
            let told = against_ccd_without_glow(&dark, Some(known(0.5, 0.05)));
            assert_eq!(!told.is_empty(), is_told, "level {level}");
        }
    }

    /// Ten times half of 6 ADU: below that, what is missing may as well be the bias's drift.
    #[test]
    fn a_bias_that_drifts_downwards_is_no_held_black() {
        for (charge, level, is_told) in [
            (20.0, 12.0, false),
            (28.0, 0.0, false),
            (32.0, 29.5, false),
            (32.0, 0.0, true),
        ] {
            let mut dark = ccd();
            dark.variance = known(2.0 * charge, 0.1);
            dark.level.value = level;
            let told = found(&dark, Some(0.5));
            assert_eq!(!told.is_empty(), is_told, "{charge} ADU, level {level}");
        }
    }
}
