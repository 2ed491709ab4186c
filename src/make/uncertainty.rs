//! How far a calibrated pixel may be off by chance, as a plane `DLSIGMA` of standard deviations.
//!
//! With the raw light L, the bias B, the dark D (or the bias in its place), the flat F, the gain K
//! in electrons per ADU, the read noise R in electrons, and C = (L - D)/F:
//!
//! var(C) = [max(L - B, 0)/K + (R/K)^2 + var(D)]/F^2 + C^2 var(F)/F^2
//!
//! L - B and not L - D: the electrons of the dark are subtracted, their noise stays. This is the
//! propagation of the photon transfer model (Janesick 2007, Photon Transfer, ch. 5) through the
//! calibration. Where a light has no bias, the dark stands for B too: its own charge then counts as
//! pedestal and adds no shot noise, and sigma is too small where the dark current is not; a comment in
//! the extension says so. A pixel that is no number has no sigma either. Variances of masters are the squares of their temporal noise; a pixel that is
//! noisier than its master as a whole is not allowed for. Where pixels are rounded to integers,
//! 1/12 ADU^2 comes on top (JCGM 100:2008, 4.3.7).

use crate::facts::{Card, Sensor, Value};

/// The cards of the extension. `with_bias`: B is a bias.
pub(super) fn cards(with_bias: bool) -> Vec<Card> {
    let mut cards = vec![
        Card::new(
            "EXTNAME",
            Value::Text("DLSIGMA".to_owned()),
            "standard deviations",
        ),
        Card::new("BUNIT", Value::Text("adu".to_owned()), ""),
    ];
    let note = "without a bias: the shot noise of the dark's own charge is not in it";
    cards.extend((!with_bias).then(|| Card::new("COMMENT", Value::None, note)));
    cards
}

/// The variance of L - D in ADU^2, from raw rows.
pub(super) fn before(
    sensor: &Sensor,
    raw: &[f32],
    bias: &[f32],
    dark_variance: f64,
    out: &mut [f32],
) {
    let gain = sensor.electrons_per_adu;
    let fixed = (sensor.read_noise_e / gain).powi(2) + dark_variance;
    for ((out, raw), bias) in out.iter_mut().zip(raw).zip(bias) {
        let charge = f64::from(raw - bias);
        // The greater of the two, but for what is no number, which must not become 0.
        let charge = if charge < 0.0 { 0.0 } else { charge };
        *out = (charge / gain + fixed) as f32;
    }
}

/// Turns the variances of L - D into standard deviations of `calibrated`; `flat` is the flat with
/// its own variance.
pub(super) fn after(calibrated: &[f32], flat: Option<(&[f32], f64)>, sigma: &mut [f32]) {
    match flat {
        None => {
            for (sigma, calibrated) in sigma.iter_mut().zip(calibrated) {
                *sigma = if calibrated.is_nan() {
                    f32::NAN
                } else {
                    sigma.sqrt()
                };
            }
        }
        Some((flat, variance)) => {
            let pixels = sigma.iter_mut().zip(calibrated).zip(flat);
            for ((sigma, calibrated), flat) in pixels {
                let own = f64::from(*calibrated).powi(2) * variance;
                *sigma = ((f64::from(*sigma) + own).sqrt() / f64::from(*flat).abs()) as f32;
            }
        }
    }
}

/// Adds what rounding to whole ADU does to standard deviations.
pub(super) fn rounded(sigma: &mut [f32]) {
    for value in sigma {
        *value = (f64::from(*value).powi(2) + 1.0 / 12.0).sqrt() as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: (1600 - 600)/0.5 + (3/0.5)^2 + 4 = 2040; C = (1600 - 700)/0.9 = 1000, so
    /// sigma = sqrt(2040 + 1e6 * 1e-4)/0.9.
    #[test]
    fn a_worked_pixel() {
        let sensor = Sensor {
            read_noise_e: 3.0,
            electrons_per_adu: 0.5,
        };
        let mut sigma = [0.0; 2];
        before(&sensor, &[1600.0, 590.0], &[600.0; 2], 4.0, &mut sigma);
        assert_eq!(sigma, [2040.0, 40.0]);
        after(&[1000.0, -10.0], Some((&[0.9, 1.0], 1e-4)), &mut sigma);
        assert!((sigma[0] - 51.4002).abs() < 1e-3, "{sigma:?}");
        assert!((sigma[1] - 40.01_f32.sqrt()).abs() < 1e-5, "{sigma:?}");
        let mut plain = vec![9.0];
        after(&[5.0], None, &mut plain);
        assert_eq!(plain, [3.0]);
        // The exact mean square of a uniform error of half a unit either way.
        let mut whole = vec![0.0];
        rounded(&mut whole);
        assert_eq!(whole, [(1.0_f64 / 12.0).sqrt() as f32]);
    }

    #[test]
    fn what_is_no_number_has_no_sigma() {
        let sensor = Sensor {
            read_noise_e: 3.0,
            electrons_per_adu: 0.5,
        };
        let variances = |raw: f32, bias: f32| {
            let mut sigma = [0.0];
            before(&sensor, &[raw], &[bias], 4.0, &mut sigma);
            sigma
        };
        for flat in [None, Some((&[0.9][..], 1e-4)), Some((&[0.9][..], 0.0))] {
            // A raw pixel, a pixel of the bias, one of the dark alone.
            for (mut sigma, calibrated) in [
                (variances(f32::NAN, 500.0), f32::NAN),
                (variances(600.0, f32::NAN), f32::NAN),
                (variances(600.0, 500.0), f32::NAN),
            ] {
                after(&[calibrated], flat, &mut sigma);
                assert!(sigma[0].is_nan(), "{sigma:?} {flat:?}");
            }
            let mut sigma = variances(600.0, 500.0);
            after(&[100.0], flat, &mut sigma);
            assert!(sigma[0].is_finite(), "{sigma:?} {flat:?}");
        }
    }

    #[test]
    fn a_missing_bias_is_told() {
        let comments = |with_bias| {
            let cards = cards(with_bias);
            cards
                .iter()
                .filter(|card| card.keyword == "COMMENT")
                .count()
        };
        assert_eq!((comments(true), comments(false)), (0, 1));
    }
}
