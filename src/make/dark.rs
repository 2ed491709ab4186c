//! A dark of another exposure than the light's: D' = B + k(D - B) with k = t_light/t_dark.
//!
//! Only what lies above the bias grows with time, hence the bias. It holds for a sensor whose dark
//! signal is proportional to time, which the profile has to state; this room takes its word.

/// D' pixel by pixel, rounded once.
pub(super) fn scaled(dark: &[f32], bias: &[f32], k: f64, out: &mut Vec<f32>) {
    out.clear();
    out.extend(dark.iter().zip(bias).map(|(&dark, &bias)| {
        let (dark, bias) = (f64::from(dark), f64::from(bias));
        (bias + k * (dark - bias)) as f32
    }));
}

/// The variance of D' = kD + (1 - k)B, from those of two masters made of different exposures.
pub(super) fn variance(dark: f64, bias: f64, k: f64) -> f64 {
    k * k * dark + (1.0 - k) * (1.0 - k) * bias
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 500 + 0.25 (520 - 500) = 505; var = 0.0625 * 16 + 0.5625 * 4 = 3.25.
    #[test]
    fn a_worked_pixel() {
        let mut out = vec![9.0];
        scaled(&[520.0, 500.0, 498.0], &[500.0; 3], 0.25, &mut out);
        assert_eq!(out, [505.0, 500.0, 499.5]);
        assert_eq!(variance(16.0, 4.0, 0.25), 3.25);
        scaled(&[520.0], &[500.0], 2.0, &mut out);
        assert_eq!((out[0], variance(16.0, 4.0, 2.0)), (540.0, 68.0));
        assert_eq!(variance(16.0, 4.0, 1.0), 16.0);
    }
}
