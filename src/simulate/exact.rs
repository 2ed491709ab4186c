//! Exponential, logarithm and cosine from `+ - * /` alone.
//!
//! The standard library hands these to the platform's mathematics library, whose last bits differ
//! from one machine to the next. IEEE 754 fixes the four operations, square roots and rounding to
//! the bit, and Rust never fuses a product with a sum on its own, so what is built from them is
//! the same everywhere. Results are good to about 1e-15, relative.

use std::f64::consts::{LN_2, SQRT_2};

/// ln 2 rounded to 32 bits, so that whole multiples of it below 2^20 are exact.
const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
/// The rest of ln 2.
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;

/// e to the power of `x`: 0 below -700, and `x` is held at 700.
pub(super) fn exp(x: f64) -> f64 {
    if x < -700.0 {
        return 0.0;
    }
    let x = x.min(700.0);
    let halvings = (x / LN_2).round();
    let rest = (x - halvings * LN_2_HIGH) - halvings * LN_2_LOW;
    // Taylor's series: |rest| <= 0.35, so the 15th term is below 1e-18.
    let mut sum = 1.0;
    for n in (1..=14).rev() {
        sum = 1.0 + sum * rest / f64::from(n);
    }
    sum * f64::from_bits(((halvings as i64 + 1023) as u64) << 52)
}

/// Natural logarithm of a positive, normal number.
pub(super) fn ln(x: f64) -> f64 {
    debug_assert!(x.is_normal() && x > 0.0, "{x}");
    let bits = x.to_bits();
    let mut exponent = (bits >> 52) as i64 - 1023;
    let mut mantissa = f64::from_bits((bits & ((1 << 52) - 1)) | (1023 << 52));
    if mantissa > SQRT_2 {
        mantissa /= 2.0;
        exponent += 1;
    }
    // ln m = 2 artanh((m - 1) / (m + 1)), whose argument is at most 0.172.
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let square = s * s;
    let mut sum = 0.0;
    for n in (0..=10).rev() {
        sum = sum * square + 1.0 / f64::from(2 * n + 1);
    }
    let exponent = exponent as f64;
    exponent * LN_2_HIGH + (2.0 * s * sum + exponent * LN_2_LOW)
}

/// A positive number to any power.
pub(super) fn power(base: f64, exponent: f64) -> f64 {
    exp(exponent * ln(base))
}

/// Cosine of an angle between -90 and 90 degrees.
pub(super) fn cos_deg(degrees: f64) -> f64 {
    let x = degrees * (std::f64::consts::PI / 180.0);
    let square = x * x;
    let mut sum = 1.0;
    for n in (1..=12).rev() {
        sum = 1.0 - sum * square / f64::from((2 * n - 1) * (2 * n));
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_platform() {
        for i in -3000..3000 {
            let x = f64::from(i) * 0.0713;
            let want = x.exp();
            assert!((exp(x) - want).abs() <= 4e-15 * want, "exp({x})");
            let y = (f64::from(i) * 0.0131).exp();
            assert!(
                (ln(y) - y.ln()).abs() <= 4e-15 * y.ln().abs().max(1.0),
                "ln({y})"
            );
            let a = f64::from(i) * 0.03;
            assert!(
                (cos_deg(a) - a.to_radians().cos()).abs() < 1e-14,
                "cos({a})"
            );
        }
        assert_eq!(exp(0.0), 1.0);
        assert_eq!(ln(1.0), 0.0);
        assert_eq!(exp(-1000.0), 0.0);
        assert!((power(2.0, -4.765) - 2.0_f64.powf(-4.765)).abs() < 1e-16);
    }
}
