//! How far a calibrated pixel may be off by chance, as a plane `DLSIGMA` of standard deviations.
//!
//! With the raw light L, the bias B, the dark D (or the bias in its place), the flat F, the gain K
//! in electrons per ADU, the read noise R in electrons, and C = (L - D)/F:
//!
//! var(C) = [max(L - B, 0)/K + (R/K)^2 + var(D)]/F^2 + C^2 var(F)/F^2
//!
//! L - B and not L - D: the electrons of the dark are subtracted, their noise stays. This is the
//! propagation of the photon transfer model (Janesick 2007, Photon Transfer, ch. 5) through the
//! calibration. Variances of masters are the squares of their temporal noise; a pixel that is
//! noisier than its master as a whole is not allowed for. Where pixels are rounded to integers,
//! 1/12 ADU^2 comes on top (JCGM 100:2008, 4.3.7).

use crate::facts::{Card, Sensor, Value};

/// The cards of the extension.
pub(super) fn cards() -> Vec<Card> {
    vec![
        Card::new(
            "EXTNAME",
            Value::Text("DLSIGMA".to_owned()),
            "standard deviations",
        ),
        Card::new("BUNIT", Value::Text("adu".to_owned()), ""),
    ]
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
        let charge = f64::from(raw - bias).max(0.0);
        *out = (charge / gain + fixed) as f32;
    }
}

/// Turns the variances of L - D into standard deviations of `calibrated`; `flat` is the flat with
/// its own variance.
pub(super) fn after(calibrated: &[f32], flat: Option<(&[f32], f64)>, sigma: &mut [f32]) {
    match flat {
        None => sigma.iter_mut().for_each(|value| *value = value.sqrt()),
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
}
