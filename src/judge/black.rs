//! Does a camera hold its black level? Do its darks, that is, lie lower than their charge says.
//!
//! Some cameras read a level of their own from every exposure and take it off again, dark charge and
//! all. The level of a dark then says nothing of its exposure, and may be that of a bias or lie below
//! it. What no exposure explains is no charge: it is in a light's level, and only exposures as long as
//! it have the same of it. It does not know which darks serve which lights.

use super::contradiction::{Against, Contradiction, SURE, least};
use crate::facts::{DarkSignal, Estimate};

/// A level may differ by this part from what its noise says: gains are not known better on every
/// sensor.
const OF_LEVEL: f64 = 0.1;

/// What darks say of it, where they say anything.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BlackLevel {
    /// Darks lie lower than their charge, or the bias, by more than is put up with.
    Held(Contradiction),
    /// It follows a charge that would show.
    Follows,
}

/// Of darks beside their bias. What is certain is that no charge is negative. Where the gain K is known,
/// electrons per ADU, noise tells how much of it there is: charges of Q electrons have a variance of Q, in
/// ADU of Q / K^2, where their level is Q / K. Up to half the read noise is put up with. A level above
/// what the noise tells is none that is held: glow, light and warmth raise it.
pub fn black_level(dark: &DarkSignal, electrons_per_adu: Option<Estimate>) -> Option<BlackLevel> {
    let least = least(dark);
    let limit = least.max(SURE * dark.level.error);
    let below = Contradiction::of(Against::BelowBias, -dark.level.value, limit);
    let Some(gain) = electrons_per_adu else {
        return below.map(BlackLevel::Held);
    };
    let told = dark.variance.by(gain);
    let error = told.error.hypot(dark.level.error);
    let limit = least.max(SURE * error).max(OF_LEVEL * told.value);
    let held = Contradiction::of(Against::HeldBlack, told.value - dark.level.value, limit);
    match held.or(below) {
        Some(held) => Some(BlackLevel::Held(held)),
        None => (told.value > limit).then_some(BlackLevel::Follows),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::glow::tests::{ccd, known};

    const GAIN: Option<Estimate> = Some(Estimate {
        value: 0.5,
        error: 0.005,
    });

    fn held(found: Option<BlackLevel>) -> Option<bool> {
        found.map(|found| matches!(found, BlackLevel::Held(_)))
    }

    /// 400 ADU of charge: a tenth of them.
    #[test]
    fn much_charge_may_be_misjudged_by_a_tenth() {
        for (level, is_held) in [
            (460.0, false),
            (400.0, false),
            (362.0, false),
            (358.0, true),
        ] {
            let mut dark = ccd();
            dark.level.value = level;
            assert_eq!(
                held(black_level(&dark, GAIN)),
                Some(is_held),
                "level {level}"
            );
            // A gain that is hardly known proves little: four times 10 % of 400 ADU.
            let found = black_level(&dark, Some(known(0.5, 0.05)));
            assert_eq!(found, Some(BlackLevel::Follows), "level {level}");
            // Neither is there any proof where it is not known, nor that it follows.
            assert_eq!(black_level(&dark, None), None);
        }
    }

    /// Half of a read noise of 6 ADU, with a gain and without: of little charge or none the rest says
    /// nothing.
    #[test]
    fn below_the_bias_or_its_charge_by_half_the_read_noise() {
        for (charge, level, wanted) in [
            (20.0, 17.1, Some(false)),
            (20.0, 16.9, Some(true)),
            (2.0, 2.0, None),
            (2.0, -0.9, None),
            (2.0, -1.1, Some(true)),
            (0.0, -2.9, None),
            (0.0, -3.1, Some(true)),
        ] {
            let mut dark = ccd();
            dark.variance = known(2.0 * charge, 0.1);
            dark.level.value = level;
            let found = held(black_level(&dark, GAIN));
            assert_eq!(found, wanted, "{charge} ADU, level {level}");
            let below = held(black_level(&dark, None));
            assert_eq!(below, (level < -3.0).then_some(true), "level {level}");
        }
    }

    /// Four errors of the level beside half of 6 ADU.
    #[test]
    fn a_level_that_is_hardly_known_proves_little() {
        let mut dark = ccd();
        dark.variance = known(0.0, 0.0);
        dark.level = known(-3.9, 1.0);
        assert_eq!(black_level(&dark, None), None);
        dark.level = known(-4.1, 1.0);
        assert_eq!(held(black_level(&dark, None)), Some(true));
        // Whatever the gain: a variance that is misjudged by chance does not hide it.
        dark.variance = known(-4.0, 0.1);
        assert_eq!(held(black_level(&dark, GAIN)), Some(true));
    }
}
