//! Does what was measured of a sensor bear out a profile's claim that it does not glow?
//!
//! Scaling a dark by the ratio of exposures takes a dark signal for granted that is proportional to
//! time. A glow of the amplifier is not: it follows its own clock. (Neither is the level of a camera
//! that holds its black; that is `black`'s.) It does not know whether any dark is scaled, nor by what
//! factor.

use std::fmt;

use crate::facts::DarkSignal;

/// A contradiction must stand out by so many standard errors,
pub(super) const SURE: f64 = 4.0;

/// and by this part of the read noise, below which it would not be seen in a light.
pub(super) const OF_READ_NOISE: f64 = 0.5;

/// What darks say that should not be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// Part of the sensor is brighter in darks.
    Glow,
    /// Darks lie lower than the noise of their charge says.
    HeldBlack,
    /// Darks lie lower than the bias.
    BelowBias,
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
            Against::BelowBias => "lie below their bias by",
        };
        write!(
            f,
            "{what} {:.1} ADU, limit {:.1} ADU",
            self.value, self.limit
        )
    }
}

/// What darks have against a sensor being one without glow; nothing where that is true.
pub fn glow(dark: &DarkSignal) -> Option<Contradiction> {
    let least = OF_READ_NOISE * dark.bias_variance.value.max(0.0).sqrt();
    let found = Contradiction {
        against: Against::Glow,
        value: dark.glow.value,
        limit: least.max(SURE * dark.glow.error),
    };
    (found.value > found.limit).then_some(found)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::facts::Estimate;

    pub fn known(value: f64, error: f64) -> Estimate {
        Estimate { value, error }
    }

    /// 200 electrons of dark charge at 0.5 electrons per ADU over a read noise of 6 ADU.
    pub fn ccd() -> DarkSignal {
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

    /// Just below and just above each limit: half of 6 ADU, four errors.
    #[test]
    fn a_glow_has_its_limit() {
        assert_eq!(glow(&ccd()), None);
        for (value, error, is_told) in [
            (2.9, 0.2, false),
            (3.1, 0.2, true),
            (3.9, 1.0, false),
            (4.1, 1.0, true),
        ] {
            let mut dark = ccd();
            dark.glow = known(value, error);
            assert_eq!(glow(&dark).is_some(), is_told, "glow {value} +- {error}");
        }
    }
}
