//! What darks say that should not be, with value and limit.

use std::fmt;

use crate::facts::DarkSignal;

/// A contradiction must stand out by so many standard errors,
pub(super) const SURE: f64 = 4.0;

/// and by this part of the read noise, below which it would not be seen in a light.
const OF_READ_NOISE: f64 = 0.5;

/// Which.
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

impl Contradiction {
    /// Where the value is beyond the limit.
    pub(super) fn of(against: Against, value: f64, limit: f64) -> Option<Self> {
        let found = Self {
            against,
            value,
            limit,
        };
        (value > limit).then_some(found)
    }
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

/// The least that would be seen in a light, ADU.
pub(super) fn least(dark: &DarkSignal) -> f64 {
    OF_READ_NOISE * dark.bias_variance.value.max(0.0).sqrt()
}
