//! How far lights bring a faint signal out of the noise, and how much longer a goal takes.
//!
//! A light of t seconds whose pixels scatter by n electrons shows a signal of s electrons per second at
//! a signal-to-noise ratio of s t / n. In the mean of several, each weighted by the inverse of its
//! variance, the squares of their ratios add up:
//!
//! S/N = s sqrt(sum (t / n)^2)
//!
//! so for lights like each other it grows with the root of the time. The noise is what was measured
//! in the background of each light: the sky's and the sensor's, whatever they were that night. With n^2 = b t + R^2
//! (sky b, read noise R) this is the equation for a CCD's signal-to-noise ratio, as in Howell's
//! Handbook of CCD Astronomy, section 4.4, for a signal far below the sky.
//!
//! Wings of faint stars add to that noise, so in a crowded field the ratio comes out too low, never too
//! high. It takes the noise of different lights to be independent, which dithering sees to, and knows nothing
//! of how the stack is made.

use crate::facts::{Depth, LightEntry, SignalToNoise};

/// How deep these lights are together, whatever their order.
pub(super) fn depth<'a>(lights: impl Iterator<Item = &'a LightEntry>) -> Depth {
    let known = lights.filter_map(|light| {
        let noise = light.measures?.noise_e.filter(|noise| *noise > 0.0)?;
        Some((light.exposure_s, (light.exposure_s / noise).powi(2)))
    });
    let mut known: Vec<(f64, f64)> = known.collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    Depth {
        seconds: known.iter().map(|(seconds, _)| seconds).sum(),
        squares: known.iter().map(|(_, squares)| squares).sum(),
    }
}

/// The ratio that is reached for the goal's signal; nothing where nothing is known.
pub(super) fn reached(depth: Depth, goal: &SignalToNoise) -> Option<f64> {
    (depth.squares > 0.0).then(|| goal.signal_e_per_s * depth.squares.sqrt())
}

/// Seconds until the goal, by lights as good as those kept so far; 0 where it is reached.
pub(super) fn seconds_left(depth: Depth, goal: &SignalToNoise) -> Option<f64> {
    let ratio = goal.signal_to_noise / reached(depth, goal)?;
    Some(depth.seconds * (ratio.powi(2) - 1.0).max(0.0))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::facts::Measures;
    use crate::night::scene;

    fn lights(count: usize, exposure_s: f64, noise_e: Option<f64>) -> Vec<LightEntry> {
        let mut light = scene::full_log().lights[0].clone();
        light.exposure_s = exposure_s;
        light.measures = Some(Measures {
            noise_e,
            ..light.measures.unwrap()
        });
        vec![light; count]
    }

    fn goal(signal_to_noise: f64) -> SignalToNoise {
        SignalToNoise {
            signal_to_noise,
            signal_e_per_s: 0.1,
            rig: None,
        }
    }

    fn close(found: Option<f64>, wanted: f64, within: f64) {
        let found = found.unwrap();
        assert!((found - wanted).abs() <= within, "{found} is not {wanted}");
    }

    /// By hand: 0.1 electrons per second over 300 s are 30 electrons, which stand out of a noise of 25
    /// by 1.2; 36 lights make it 6 times as much, 7.2, in 3 hours. A ratio of 10 takes (10 / 7.2)^2 =
    /// 1.929 times as long, 5.787 hours: 2.787 more, 10 033 seconds.
    #[test]
    fn a_goal_comes_nearer_with_the_root_of_the_time() {
        let lights = lights(36, 300.0, Some(25.0));
        let found = depth(lights.iter());
        assert_eq!(found.seconds, 10_800.0);
        close(reached(found, &goal(10.0)), 7.2, 1e-12);
        close(seconds_left(found, &goal(10.0)), 10_033.33, 0.01);
        assert_eq!(seconds_left(found, &goal(7.0)), Some(0.0));
    }

    /// Sky of 0.5 electrons per second, read noise of 1.5 electrons: the same ratio as by the equation
    /// s T / sqrt(b T + N R^2).
    #[test]
    fn it_is_the_equation_of_a_ccd() {
        let noise = (0.5 * 300.0 + 1.5f64.powi(2)).sqrt();
        let lights = lights(36, 300.0, Some(noise));
        let found = depth(lights.iter());
        let total = 36.0 * 300.0;
        let wanted = 0.1 * total / (0.5 * total + 36.0 * 1.5f64.powi(2)).sqrt();
        close(reached(found, &goal(1.0)), wanted, 1e-9);
    }

    /// Ratios of 3 and 4 make one of 5; what has no noise in electrons has no part in it.
    #[test]
    fn noisier_lights_count_for_less() {
        let mut mixed = lights(1, 300.0, Some(10.0));
        mixed.extend(lights(1, 600.0, Some(15.0)));
        mixed.extend(lights(5, 600.0, None));
        mixed.extend(lights(1, 600.0, Some(0.0)));
        let found = depth(mixed.iter());
        assert_eq!(found.seconds, 900.0);
        close(reached(found, &goal(1.0)), 5.0, 1e-12);
        let nothing = Depth::default();
        assert_eq!(reached(nothing, &goal(1.0)), None);
        assert_eq!(seconds_left(nothing, &goal(1.0)), None);
    }
}
