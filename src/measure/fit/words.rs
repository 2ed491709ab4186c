//! Plain sentences about masters that do not fit.

use super::Pooled;
use super::shadows::GONE;
use crate::facts::MovedShadow;

/// A flat may leave so much of its own structure in a light.
const FLAT: f64 = 0.05;
/// Below this slope what shows is next to all of the flat, upside down.
const TURNED: f64 = -0.7;
/// A dark may be off by so much of its signal: what two degrees of temperature make is 0.25.
const DARK: f64 = 0.15;
/// What is left must be known so many times better than it is large.
const SURE: f64 = 5.0;
/// Degrees over which dark current doubles: the middle of what sensors show (Widenhorn et al. 2002,
/// Proc. SPIE 4669).
const DOUBLING_C: f64 = 6.0;

/// True where a slope lies beyond its limit and is certain.
fn is_off(pooled: &Pooled, limit: f64) -> bool {
    let size = pooled.fit.slope.abs();
    size > limit && size > SURE * pooled.fit.error
}

fn figures(pooled: &Pooled, limit: f64) -> String {
    let lights = match pooled.lights {
        1 => "1 light".to_owned(),
        count => format!("{count} lights"),
    };
    format!(
        "slope {:+.2} +- {:.2} over {lights}, caution beyond {limit:.2} and {SURE} standard errors",
        pooled.fit.slope, pooled.fit.error
    )
}

/// A sentence where a flat does not fit a night's lights: what they have left of its structure, and the
/// shadows of [`moved_in_most`](super::moved_in_most) of them. Dust that moved explains a slope
/// below 0, so it is told first, but an image that is turned moves all dust.
pub fn flat_caution(pooled: Option<&Pooled>, moved: &[MovedShadow]) -> Option<String> {
    let off = pooled.filter(|pooled| is_off(pooled, FLAT));
    let figures = off.map(|pooled| figures(pooled, FLAT));
    let turned = off.filter(|pooled| pooled.fit.slope < TURNED);
    let what = match off.map(|pooled| pooled.fit.slope) {
        _ if !moved.is_empty() && turned.is_none() => return Some(shadows(moved)),
        None => return None,
        Some(_) if turned.is_some() => {
            "the flat prints its own structure on the lights: it was taken with the image or the \
             camera turned, or belongs to another sensor"
        }
        Some(slope) if slope < 0.0 => {
            "the flat over-corrects: too much was taken off its exposures, or too little off the \
             lights: look at bias and flat-dark"
        }
        Some(_) => {
            "the flat under-corrects: stray light fell into its exposures, or too little was \
             taken off them: look at bias and flat-dark"
        }
    };
    figures.map(|figures| format!("{what} ({figures})"))
}

/// What is said of a master of which no light gave a slope.
pub const UNTOLD: &str =
    "whether it fits cannot be told: too little of its structure shows in the lights";

/// What is said of a flat that gets no sentence of caution: that it fits, where that is shown.
pub fn flat_fits(pooled: &Pooled) -> String {
    fits(pooled, FLAT)
}

/// What is said of such a dark.
pub fn dark_fits(pooled: &Pooled) -> String {
    fits(pooled, DARK)
}

/// A slope within its limit by two standard errors is shown to be so, at 97.7 % of a normal error.
fn fits(pooled: &Pooled, limit: f64) -> String {
    let shown = pooled.fit.slope.abs() + 2.0 * pooled.fit.error <= limit;
    let what = if shown {
        "it fits"
    } else {
        "whether it fits cannot be told"
    };
    format!("{what} ({})", figures(pooled, limit))
}

/// A sentence where a dark does not fit.
pub fn dark_caution(pooled: &Pooled) -> Option<String> {
    if !is_off(pooled, DARK) {
        return None;
    }
    let figures = figures(pooled, DARK);
    let signal = 1.0 + pooled.fit.slope;
    Some(if signal > 0.1 {
        let degrees = DOUBLING_C * signal.log2();
        let warmer = if degrees > 0.0 { "warmer" } else { "colder" };
        let degrees = degrees.abs();
        format!(
            "the dark does not fit: the lights hold {signal:.2} times its signal, as if they were \
             {degrees:.1} C {warmer} or exposed {signal:.2} times as long ({figures})"
        )
    } else {
        format!("the dark does not fit: the lights have next to none of its signal ({figures})")
    })
}

fn shadows(moved: &[MovedShadow]) -> String {
    let place = |(x, y): (f64, f64)| format!("column {x:.0}, row {y:.0}");
    let mut text = match moved.len() {
        1 => "dust moved since the flats: a shadow of the flat is not in the lights".to_owned(),
        count => format!(
            "dust moved since the flats: {count} shadows of the flat are not in the lights, the \
             deepest"
        ),
    };
    if let Some(first) = moved.first() {
        text += &format!(
            " {:.1} % deep at {} (over-corrected {:.2} +- {:.2} of it, caution beyond {GONE})",
            100.0 * first.depth,
            place(first.from),
            first.part,
            first.part_error,
        );
        if let Some(to) = first.to {
            text += &format!("; a new shadow lies at {}", place(to));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::facts::Fit;

    fn pooled(slope: f64, error: f64) -> Pooled {
        Pooled {
            fit: Fit { slope, error },
            lights: 12,
            scatter: 1.0,
        }
    }

    #[test]
    fn only_what_is_large_and_certain_gets_a_sentence() {
        let flat = |slope, error| flat_caution(Some(&pooled(slope, error)), &[]);
        let over = flat(-0.31, 0.02).unwrap();
        assert!(
            over.contains("over-corrects") && over.contains("-0.31 +- 0.02"),
            "{over}"
        );
        assert!(flat(0.2, 0.01).unwrap().contains("under-corrects"));
        assert!(flat(-1.0, 0.05).unwrap().contains("turned"));
        for (slope, error) in [(0.04, 0.001), (0.3, 0.07), (-0.3, 0.07)] {
            assert_eq!(flat(slope, error), None);
            assert_eq!(dark_caution(&pooled(slope / 3.0, error)), None);
        }
        assert_eq!(flat_caution(None, &[]), None);
    }

    #[test]
    fn only_what_is_shown_to_fit_is_said_to() {
        let fits = flat_fits(&pooled(0.02, 0.014));
        assert_eq!(
            fits,
            "it fits (slope +0.02 +- 0.01 over 12 lights, caution beyond 0.05 and 5 standard errors)"
        );
        for (slope, error) in [(0.02, 0.016), (-0.126, 0.033), (-0.06, 0.02)] {
            let told = flat_fits(&pooled(slope, error));
            assert!(
                told.starts_with("whether it fits cannot be told (slope"),
                "{told}"
            );
        }
        assert!(dark_fits(&pooled(-0.1, 0.02)).starts_with("it fits"));
        assert!(dark_fits(&pooled(-0.48, 0.18)).starts_with("whether"));
    }

    #[test]
    fn moved_dust_explains_a_flat_that_over_corrects() {
        let moved = MovedShadow {
            from: (120.4, 88.0),
            depth: 0.083,
            part: 0.97,
            part_error: 0.03,
            to: Some((300.0, 40.0)),
        };
        let told = flat_caution(Some(&pooled(-0.3, 0.02)), &[moved]).unwrap();
        assert!(
            told.contains("dust moved") && told.contains("8.3 % deep at column 120, row 88"),
            "{told}"
        );
        assert!(told.contains("0.97 +- 0.03") && told.contains("column 300, row 40"));
        let turned = flat_caution(Some(&pooled(-0.98, 0.02)), &[moved]).unwrap();
        assert!(turned.contains("turned"), "{turned}");
        assert!(flat_caution(None, &[moved]).is_some());
    }

    /// Twice the signal is one doubling, half of it one halving.
    #[test]
    fn a_dark_is_off_by_degrees_or_by_exposure() {
        let warm = dark_caution(&pooled(1.0, 0.05)).unwrap();
        assert!(
            warm.contains("6.0 C warmer") && warm.contains("2.00 times as long"),
            "{warm}"
        );
        assert!(
            dark_caution(&pooled(-0.5, 0.05))
                .unwrap()
                .contains("6.0 C colder")
        );
        assert!(
            dark_caution(&pooled(-1.0, 0.05))
                .unwrap()
                .contains("next to none")
        );
    }
}
