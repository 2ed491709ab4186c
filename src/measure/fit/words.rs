//! Plain sentences about masters that do not fit.

use super::{Moved, Pooled};

/// A flat may leave so much of its own structure in a light.
const FLAT: f64 = 0.05;
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

/// A sentence where a flat does not fit.
pub fn flat_caution(pooled: &Pooled) -> Option<String> {
    let what = match pooled.fit.slope {
        slope if slope < -0.7 => {
            "the flat prints its own structure on the lights: it was taken with the camera or \
             the image turned, or with other dust"
        }
        slope if slope < 0.0 => {
            "the flat over-corrects: too much was taken off its exposures, or the light lost too \
             little: look at bias and flat-dark"
        }
        _ => {
            "the flat under-corrects: stray light in its exposures, or too little was taken off \
             them: look at bias and flat-dark"
        }
    };
    is_off(pooled, FLAT).then(|| format!("{what} ({})", figures(pooled, FLAT)))
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

/// A sentence about dust that moved since the flats.
pub fn shadow_caution(moved: &[Moved]) -> Option<String> {
    let first = moved.first()?;
    let place = |(x, y): (f64, f64)| format!("column {x:.0}, row {y:.0}");
    let mut text = match moved.len() {
        1 => "a dust shadow of the flat is not in the light".to_owned(),
        count => format!("{count} dust shadows of the flat are not in the light, the deepest"),
    };
    text += &format!(
        ": {:.1} % deep at {}, {:.2} +- {:.2} of it over-corrected, caution beyond 0.5",
        100.0 * first.depth,
        place(first.from),
        first.part.0,
        first.part.1
    );
    if let Some(to) = first.to {
        text += &format!("; a new shadow lies at {}", place(to));
    }
    Some(text + ": dust moved since the flats were taken")
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
        let flat = flat_caution(&pooled(-0.31, 0.02)).unwrap();
        assert!(
            flat.contains("over-corrects") && flat.contains("-0.31 +- 0.02"),
            "{flat}"
        );
        assert!(
            flat_caution(&pooled(0.2, 0.01))
                .unwrap()
                .contains("under-corrects")
        );
        assert!(
            flat_caution(&pooled(-1.0, 0.05))
                .unwrap()
                .contains("turned")
        );
        for (slope, error) in [(0.04, 0.001), (0.3, 0.07), (-0.3, 0.07)] {
            assert_eq!(flat_caution(&pooled(slope, error)), None);
            assert_eq!(dark_caution(&pooled(slope / 3.0, error)), None);
        }
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
