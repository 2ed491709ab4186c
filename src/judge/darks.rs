//! Does a sensor need darks at a light's exposure and temperature?
//!
//! Darks cannot take away the noise of dark charge, only what is the same in every exposure. They
//! are needed where that would show: in the whole stack of a night, whose noise is that of one light
//! over the square root of their number, or as a false vignetting where a level that is not
//! subtracted is divided by the flat.

use super::contradiction::Contradiction;
use crate::facts::{DarkCheck, DarkEffect, DarkSignal, DarkVerdict, Need, Stack};
use crate::measure::sensor::PhotonTransfer;

/// Pattern and glow may reach this part of the stack's noise.
const OF_NOISE: f64 = 0.5;

/// Hot pixels per megapixel that any rejection in the stack copes with: in the same place,
const HOT: f64 = 100.0;

/// and scattered over the sky, where the lights are dithered.
const HOT_DITHERED: f64 = 1000.0;

/// Part of the sky that a false vignetting may reach.
const OF_SKY: f64 = 0.005;

/// What is known of a sensor.
#[derive(Clone, Copy, Debug)]
pub struct Sensor<'a> {
    /// Gain and read noise.
    pub gain: &'a PhotonTransfer,
    /// Its darks at the lights' exposure and temperature.
    pub dark: &'a DarkSignal,
    /// The darkest part of its flats over their mean.
    pub darkest: f64,
}

/// The verdict for one stack of lights. `held` is what says that the camera holds its black level, if
/// anything does: darks are needed then, whatever they remove beside it.
pub fn need_of_darks(sensor: Sensor<'_>, held: Option<Contradiction>, stack: Stack) -> DarkVerdict {
    let Sensor {
        gain,
        dark,
        darkest,
    } = sensor;
    let electrons = gain.electrons_per_adu.value;
    // Of an ordinary place of the sensor, the glow's tail and all.
    let level = dark.middle * electrons;
    let sky = ((stack.sky_adu - dark.bias_level) * electrons - level).max(0.0);
    // By its noise, since a camera may hide its dark level.
    let quiet = (dark.variance.value * electrons * electrons).max(0.0);
    let dark_charge = quiet + (level - dark.level.value * electrons).max(0.0);
    let without = gain.read_noise_e.value.powi(2) + sky;
    let light = without + dark_charge;
    let of_noise = OF_NOISE * (light / stack.frames.max(1) as f64).sqrt();
    let check = |effect, value, limit| DarkCheck {
        effect,
        value,
        limit,
    };
    let mut checks = vec![
        check(
            DarkEffect::FixedPattern,
            dark.pattern.value.max(0.0).sqrt() * electrons,
            of_noise,
        ),
        check(DarkEffect::Glow, dark.glow.value * electrons, of_noise),
        check(
            DarkEffect::HotPixels,
            dark.hot_per_megapixel.value,
            if stack.dithered { HOT_DITHERED } else { HOT },
        ),
        check(
            DarkEffect::Level,
            level.abs() * (1.0 / darkest - 1.0) / sky.max(1.0),
            OF_SKY,
        ),
    ];
    checks.extend(held.map(|held| {
        let [value, limit] = [held.value, held.limit].map(|adu| adu * electrons);
        check(DarkEffect::BlackLevel, value, limit)
    }));
    let above = checks.iter().any(DarkCheck::is_above);
    DarkVerdict {
        need: if above { Need::Needed } else { Need::NotNeeded },
        checks,
        missing: None,
        dark_noise: Some((light / without.max(1e-9)).sqrt() - 1.0),
        stack: Some(stack),
    }
}

/// Of several verdicts on one sensor, one night and one exposure the most demanding: what is needed for
/// one stack of lights is there for all. Of equals, the one that comes nearest to its limits.
pub fn most_demanding(verdicts: impl IntoIterator<Item = DarkVerdict>) -> Option<DarkVerdict> {
    let demand = |verdict: &DarkVerdict| {
        let of_limits = verdict.checks.iter().map(|check| check.value / check.limit);
        of_limits.max_by(f64::total_cmp).unwrap_or(0.0)
    };
    verdicts.into_iter().reduce(|best, other| {
        let better = other
            .need
            .cmp(&best.need)
            .then(demand(&other).total_cmp(&demand(&best)));
        if better.is_gt() { other } else { best }
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::super::contradiction::Against;
    use super::*;
    use crate::facts::Estimate;

    fn known(value: f64) -> Estimate {
        Estimate { value, error: 0.0 }
    }

    fn gain() -> PhotonTransfer {
        PhotonTransfer {
            electrons_per_adu: known(0.5),
            read_noise_e: known(3.0),
            noise_adu: 6.0,
            colours: Vec::new(),
            full: None,
            linearity: None,
        }
    }

    /// Nothing that darks would remove.
    fn clean() -> DarkSignal {
        DarkSignal {
            bias_level: 500.0,
            bias_variance: known(36.0),
            middle: 0.0,
            level: known(0.0),
            tail: known(0.0),
            variance: known(0.0),
            pattern: known(-0.01),
            glow: known(0.0),
            hot_per_megapixel: known(0.0),
            pixels: 1_000_000,
        }
    }

    /// 25 lights of a sky of 91 electrons: each has a noise of 10 electrons, the stack one of 2.
    fn stack() -> Stack {
        Stack {
            filter: "Ha".into(),
            target: None,
            frames: 25,
            sky_adu: 682.0,
            dithered: false,
        }
    }

    fn verdict(dark: DarkSignal, stack: Stack) -> DarkVerdict {
        let gain = gain();
        let sensor = Sensor {
            gain: &gain,
            dark: &dark,
            darkest: 0.8,
        };
        need_of_darks(sensor, None, stack)
    }

    fn above(verdict: &DarkVerdict) -> Vec<DarkEffect> {
        let checks = verdict.checks.iter();
        checks
            .filter(|check| check.is_above())
            .map(|check| check.effect)
            .collect()
    }

    #[test]
    fn a_clean_sensor_needs_none() {
        let verdict = verdict(clean(), stack());
        assert_eq!(verdict.need, Need::NotNeeded);
        assert_eq!(
            verdict.to_string(),
            "darks are not needed: fixed pattern 0.00 e-, limit 1.00 e-; glow 0.00 e-, limit 1.00 e-; \
             0 hot pixels per megapixel, limit 100; unsubtracted level 0.00 % of the sky, limit 0.50 %"
        );
    }

    /// Each effect just below and just above its limit. A level of 1.82 electrons is 2 % of the sky
    /// of 89.18 that is left; at a corner of 0.8 it would leave a quarter of that: 0.5 %.
    #[test]
    fn each_effect_has_its_limit() {
        type Set = fn(&mut DarkSignal, f64);
        let cases: [(DarkEffect, Set); 4] = [
            (DarkEffect::FixedPattern, |dark, times| {
                dark.pattern = known(4.0 * times * times)
            }),
            (DarkEffect::Glow, |dark, times| {
                dark.glow = known(2.0 * times)
            }),
            (DarkEffect::HotPixels, |dark, times| {
                dark.hot_per_megapixel = known(100.0 * times)
            }),
            (DarkEffect::Level, |dark, times| {
                (dark.middle, dark.level) = (3.568 * times, known(3.568 * times))
            }),
        ];
        for (effect, set) in cases {
            for (times, found) in [(0.99, vec![]), (1.01, vec![effect])] {
                let mut dark = clean();
                set(&mut dark, times);
                let verdict = verdict(dark, stack());
                assert_eq!(above(&verdict), found, "{verdict}");
                assert_eq!(verdict.need == Need::Needed, !found.is_empty());
            }
        }
    }

    /// At 0.5 electrons per ADU.
    #[test]
    fn a_held_black_level_asks_for_darks_whatever_they_remove() {
        let gain = gain();
        let sensor = Sensor {
            gain: &gain,
            dark: &clean(),
            darkest: 0.8,
        };
        let held = Contradiction::of(Against::BelowBias, 8.0, 3.0);
        let verdict = need_of_darks(sensor, held, stack());
        assert_eq!(above(&verdict), [DarkEffect::BlackLevel]);
        assert_eq!(verdict.need, Need::Needed);
        assert!(
            verdict
                .to_string()
                .ends_with("; black level too low by 4.00 e-, limit 1.50 e-"),
            "{verdict}"
        );
    }

    #[test]
    fn longer_stacks_ask_for_more_and_dithered_ones_for_less() {
        let mut dark = clean();
        dark.glow = known(1.9);
        dark.hot_per_megapixel = known(500.0);
        let with = |frames, dithered| {
            verdict(
                dark,
                Stack {
                    frames,
                    dithered,
                    ..stack()
                },
            )
        };
        assert_eq!(above(&with(25, false)), [DarkEffect::HotPixels]);
        assert_eq!(above(&with(25, true)), []);
        assert_eq!(above(&with(100, true)), [DarkEffect::Glow]);
    }

    #[test]
    fn much_dark_current_calls_for_a_colder_sensor() {
        let mut dark = clean();
        (dark.middle, dark.level, dark.variance) = (80.0, known(80.0), known(160.0));
        let text = verdict(dark, stack()).to_string();
        assert!(
            text.ends_with(
                "; dark current adds 29 % to the noise of a light, which only a colder sensor mends"
            ),
            "{text}"
        );
    }

    #[test]
    fn the_most_demanding_stack_decides() {
        let mut dark = clean();
        dark.glow = known(1.5);
        let frames = |frames| verdict(dark, Stack { frames, ..stack() });
        let best = most_demanding([frames(25), frames(49), frames(36)]).unwrap();
        assert_eq!((best.need, best.stack.unwrap().frames), (Need::Needed, 49));
        let best = most_demanding([frames(4), frames(9)]).unwrap();
        assert_eq!(best.stack.unwrap().frames, 9);
    }
}
