//! Quantiles of Student's t distribution.
//!
//! For whole degrees of freedom the distribution is a finite sum (Abramowitz and Stegun 1964,
//! Handbook of Mathematical Functions, 26.7.3 and 26.7.4), which is inverted by Newton's method
//! inside a bracket.

use std::f64::consts::PI;

/// The t below which lies the part `p` of the distribution with `dof` degrees of freedom: 0.5 <= p
/// < 1, dof >= 1. Good to ten digits where 1 - p is above 1e-6.
pub fn student_t(p: f64, dof: u32) -> f64 {
    let outside = 2.0 * (1.0 - p);
    let mut low = 0.0;
    let mut high = 1.0;
    while two_tails(high, dof) > outside && high < 1e300 {
        low = high;
        high *= 2.0;
    }
    let mut t = (low + high) / 2.0;
    for _ in 0..200 {
        let excess = two_tails(t, dof) - outside;
        if excess > 0.0 {
            low = t;
        } else {
            high = t;
        }
        // The tails shrink by twice the density.
        let newton = t + excess / (2.0 * density(t, dof));
        let next = if low < newton && newton < high {
            newton
        } else {
            (low + high) / 2.0
        };
        if (next - t).abs() <= 1e-15 * t {
            return next;
        }
        t = next;
    }
    t
}

/// The part of the distribution beyond t on both sides.
fn two_tails(t: f64, dof: u32) -> f64 {
    let nu = f64::from(dof);
    let square = nu / (nu + t * t);
    let (sine, cosine) = (t / (nu + t * t).sqrt(), square.sqrt());
    // Each term is the one before times cos^2 (k - 1) / k.
    let series = |first: u32| {
        let (mut term, mut sum, mut k) = (1.0, 1.0, first);
        while k <= dof.saturating_sub(2) {
            term *= square * f64::from(k - 1) / f64::from(k);
            sum += term;
            k += 2;
        }
        sum
    };
    if dof.is_multiple_of(2) {
        1.0 - sine * series(2)
    } else {
        // 1 - 2 theta / pi is the angle to the other axis, without cancellation.
        let rest = 2.0 / PI * (nu.sqrt() / t).atan();
        if dof == 1 {
            rest
        } else {
            rest - 2.0 / PI * sine * cosine * series(3)
        }
    }
}

/// The density at t, by its ratio of gamma functions: for whole degrees of freedom a product.
fn density(t: f64, dof: u32) -> f64 {
    let nu = f64::from(dof);
    // Gamma((nu + 1) / 2) / (sqrt(nu pi) Gamma(nu / 2)).
    let mut scale = if dof.is_multiple_of(2) { 0.5 } else { 1.0 / PI };
    let mut k = if dof.is_multiple_of(2) { 2 } else { 1 };
    while k + 2 <= dof {
        scale *= f64::from(k + 1) / f64::from(k);
        k += 2;
    }
    scale / nu.sqrt() * (-(nu + 1.0) / 2.0 * (t * t / nu).ln_1p()).exp()
}

#[cfg(test)]
mod tests {
    use super::student_t;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, critical values of Student's t
    /// (three decimals), and closed forms for one and two degrees of freedom.
    #[test]
    fn published_quantiles() {
        for (dof, p90, p975, p999) in [
            (1, 3.078, 12.706, 318.309),
            (2, 1.886, 4.303, 22.327),
            (3, 1.638, 3.182, 10.215),
            (5, 1.476, 2.571, 5.893),
            (10, 1.372, 2.228, 4.144),
            (29, 1.311, 2.045, 3.396),
            (30, 1.310, 2.042, 3.385),
            (100, 1.290, 1.984, 3.174),
        ] {
            for (p, want) in [(0.90, p90), (0.975, p975), (0.999, p999)] {
                let found: f64 = student_t(p, dof);
                assert!((found - want).abs() < 6e-4, "{dof}, {p}: {found}");
            }
        }
        // scipy.stats.t.ppf 1.17.1.
        for (p, dof, want) in [
            (0.999, 3, 10.214531852407383),
            (0.99953703703, 4, 8.784967375843578),
            (0.99953703703, 52, 3.5130863761603037),
            (0.99953703703, 53, 3.50909514054685),
            (1.0 - 1e-6, 29, 5.917105540449102),
            (1.0 - 1e-6, 30, 5.871117120408624),
            (1.0 - 1e-6, 999, 4.781636978824167),
        ] {
            let found = student_t(p, dof);
            assert!((found / want - 1.0).abs() < 1e-9, "{dof}, {p}: {found}");
        }
        for p in [0.6, 0.95, 0.9995] {
            let one = (std::f64::consts::PI * (p - 0.5f64)).tan();
            assert!((student_t(p, 1) / one - 1.0).abs() < 1e-10);
            let away = 2.0 * p - 1.0f64;
            let two = away * (2.0 / (1.0 - away * away)).sqrt();
            assert!((student_t(p, 2) / two - 1.0).abs() < 1e-10);
        }
    }
}
