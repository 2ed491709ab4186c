//! Do darks glow, where a profile says that the sensor does not?
//!
//! Scaling a dark by the ratio of exposures takes a dark signal for granted that is proportional to
//! time. A glow of the amplifier is not: it follows its own clock. It does not know whether any dark is
//! scaled, nor by what factor.

use super::contradiction::{Against, Contradiction, SURE, least};
use crate::facts::DarkSignal;

/// How far a part of the sensor is brighter in darks than the rest; nothing where that would not be seen.
pub fn glow(dark: &DarkSignal) -> Option<Contradiction> {
    let limit = least(dark).max(SURE * dark.glow.error);
    Contradiction::of(Against::Glow, dark.glow.value, limit)
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
