//! A focus that was lost, or found, in the middle of a night: told, not judged.
//!
//! Of a few lights whose stars are suddenly wider the verdict says so. Where about half of a group is on
//! either side of the step nothing tells which half is right, so all are kept, and a person should know. It
//! does not know filters: a group has one.

use crate::combine::median;
use crate::facts::{Judged, VerdictLimits};

use super::verdict::Subframe;

/// So many lights on either side tell a level, of a step and of all the night.
const BESIDE: usize = 3;
const STAYED: usize = 5;

/// This part of the lights on either side lies on its side of the middle.
const MOST: f64 = 0.8;

/// Seeing may change a width by a quarter in an hour, and goes with this power of air mass (see `verdict`).
const PER_HOUR: f64 = 0.25;
const SEEING: f64 = 0.6;

/// A sudden change of the stars' width that stayed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FocusStep {
    /// The first light after it, by its place in the group.
    pub before: usize,
    /// Full widths before and after, pixels: medians.
    pub fwhm_px: (f64, f64),
    /// The larger over the smaller one.
    pub ratio: f64,
    /// What is allowed.
    pub limit: f64,
    /// Kept lights before and after.
    pub lights: (usize, usize),
}

impl FocusStep {
    /// What a person should know of it, as a sentence without its subject; `at` is the time of day.
    pub fn warning(&self, at: &str) -> String {
        let Self {
            fwhm_px: (from, to),
            ratio,
            limit,
            lights: (earlier, later),
            ..
        } = self;
        format!(
            "FWHM stepped from {from:.1} to {to:.1} px at {at} and stayed: {ratio:.2} times, limit {limit:.2}; \
             {earlier} lights before and {later} after are kept, since nothing tells which are right: look at \
             the focus"
        )
    }
}

/// A kept light: its place in the group, hour, full width, and that at the zenith as a logarithm.
struct Wide {
    light: usize,
    hour: f64,
    fwhm_px: f64,
    log: f64,
}

/// The largest step of a group's kept lights that stayed, where it is one that sets lights aside if they are
/// few. Verdicts stand in the order of the group.
pub fn focus_step(
    group: &[Subframe<'_>],
    judged: &[Judged],
    limits: &VerdictLimits,
) -> Option<FocusStep> {
    let lights = in_time(group, judged);
    let least = limits.fwhm_ratio.ln();
    let level = |part: &[Wide]| median(&mut part.iter().map(|light| light.log).collect::<Vec<_>>());
    let width =
        |part: &[Wide]| median(&mut part.iter().map(|light| light.fwhm_px).collect::<Vec<_>>());
    let mut best: Option<(f64, usize)> = None;
    for at in STAYED..(lights.len() + 1).saturating_sub(STAYED) {
        let (before, after) = (&lights[at - BESIDE..at], &lights[at..at + BESIDE]);
        let step = level(after)? - level(before)?;
        let meanwhile = PER_HOUR * (after[BESIDE / 2].hour - before[BESIDE / 2].hour);
        // Next to the step itself medians of three see it too: it lies where neighbours differ most, by a
        // good part of it.
        let sudden = (lights[at].log - lights[at - 1].log) * step.signum();
        let is_step = step.abs() - meanwhile > least && sudden > least / 2.0;
        if is_step && best.is_none_or(|(most, _)| sudden > most) {
            best = Some((sudden, at));
        }
    }
    let (_, at) = best?;
    let (before, after) = lights.split_at(at);
    let (from, to) = (level(before)?, level(after)?);
    let (middle, rise) = ((from + to) / 2.0, to - from);
    let beyond = |part: &[Wide], sign: f64| {
        let there = part
            .iter()
            .filter(|light| sign * (light.log - middle) > 0.0);
        there.count() as f64 >= MOST * part.len() as f64
    };
    let stayed = beyond(before, -rise.signum()) && beyond(after, rise.signum());
    let fwhm_px = (width(before)?, width(after)?);
    let ratio = (fwhm_px.1 / fwhm_px.0).ln().abs().exp();
    let is_told = stayed && rise.abs() > least && ratio > limits.fwhm_ratio;
    is_told.then_some(FocusStep {
        before: after.first()?.light,
        fwhm_px,
        ratio,
        limit: limits.fwhm_ratio,
        lights: (before.len(), after.len()),
    })
}

fn in_time(group: &[Subframe<'_>], judged: &[Judged]) -> Vec<Wide> {
    let is_air_known = group.iter().all(|light| light.air_mass.is_some());
    let first = group.iter().filter_map(|light| light.start).min();
    let kept = group.iter().zip(judged).enumerate();
    let kept = kept.filter(|(_, (_, judged))| judged.findings.is_empty());
    let mut lights: Vec<Wide> = kept
        .filter_map(|(at, (light, _))| {
            let fwhm_px = f64::from(light.measured.stars.shape?.fwhm_px);
            let air = light.air_mass.filter(|_| is_air_known).unwrap_or(1.0);
            Some(Wide {
                light: at,
                hour: light.start?.duration_since(first?).as_secs_f64() / 3600.0,
                fwhm_px,
                log: (fwhm_px / air.powf(SEEING)).ln(),
            })
        })
        .filter(|light| light.log.is_finite())
        .collect();
    lights.sort_by(|a, b| a.hour.total_cmp(&b.hour).then(a.light.cmp(&b.light)));
    lights
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::facts::{Finding, Gauge, Measured, Seconds, SetAside, Shape, Stars};

    /// A light every five minutes with stars of these widths; none is set aside but those named.
    fn step(
        widths: &[f64],
        set_aside: &[usize],
        air: Option<fn(usize) -> f64>,
    ) -> Option<FocusStep> {
        let measured: Vec<Measured> = widths
            .iter()
            .map(|&width| Measured {
                stars: Stars {
                    shape: Some(Shape {
                        stars: 20,
                        fwhm_px: width as f32,
                        half_flux_px: width as f32,
                        elongation: 1.1,
                        angle_deg: 0.0,
                    }),
                    ..Stars::default()
                },
                ..Measured::default()
            })
            .collect();
        let evening: jiff::Timestamp = "2026-09-05T21:00:00Z".parse().unwrap();
        let minute = |at: usize| jiff::SignedDuration::from_mins(5 * at as i64);
        let group: Vec<Subframe<'_>> = measured
            .iter()
            .enumerate()
            .map(|(at, measured)| Subframe {
                measured,
                start: evening.checked_add(minute(at)).ok(),
                exposure: Seconds::new(290.0).unwrap(),
                air_mass: air.map(|air| air(at)),
                pixel_scale: None,
                size: (1000, 800),
            })
            .collect();
        let judged: Vec<Judged> = (0..widths.len())
            .map(|at| Judged {
                findings: set_aside
                    .contains(&at)
                    .then_some(Finding {
                        reason: SetAside::Defocused,
                        value: 5.0,
                        limit: 4.0,
                        beyond_sd: None,
                        gauge: Gauge::Usual,
                    })
                    .into_iter()
                    .collect(),
                relative: None,
            })
            .collect();
        focus_step(&group, &judged, &VerdictLimits::default())
    }

    /// Widths that scatter by some per cent about these.
    fn about(width: impl Fn(usize) -> f64, count: usize) -> Vec<f64> {
        let scatter = |at: usize| 1.0 + 0.06 * ((at as f64 * 0.618).fract() - 0.5);
        (0..count).map(|at| width(at) * scatter(at)).collect()
    }

    #[test]
    fn a_focus_lost_or_found_for_half_of_a_night_is_told() {
        for (early, late) in [(2.9, 4.6), (4.6, 2.9)] {
            for half in [5, 10, 16, 20] {
                let widths = about(|at| if at < half { early } else { late }, half + 16);
                let found = step(&widths, &[], None).unwrap();
                assert_eq!(found.before, half);
                assert_eq!(found.lights, (half, 16));
                assert!((found.ratio / (4.6 / 2.9) - 1.0).abs() < 0.05, "{found:?}");
                assert!((found.fwhm_px.0 / early - 1.0).abs() < 0.05, "{found:?}");
            }
        }
        let found = FocusStep {
            before: 20,
            fwhm_px: (2.91, 4.42),
            ratio: 1.519,
            limit: 1.4,
            lights: (20, 22),
        };
        assert_eq!(
            found.warning("23:10"),
            "FWHM stepped from 2.9 to 4.4 px at 23:10 and stayed: 1.52 times, limit 1.40; 20 lights before and 22 \
             after are kept, since nothing tells which are right: look at the focus"
        );
    }

    #[test]
    fn what_is_no_lasting_step_is_not_told() {
        let steady = |_| 3.0;
        assert_eq!(step(&about(steady, 30), &[], None), None);
        // Seeing that worsens by and by; a target that sets; a step within the limit.
        assert_eq!(
            step(&about(|at| 3.0 * (0.02 * at as f64).exp(), 30), &[], None),
            None
        );
        let air = |at: usize| 1.0 + 0.1 * at as f64;
        let sets = about(|at| 3.0 * air(at).powf(0.6), 30);
        assert_eq!(step(&sets, &[], Some(air)), None);
        assert_eq!(
            step(&about(|at| if at < 15 { 3.0 } else { 3.9 }, 30), &[], None),
            None
        );
        // Wide for an hour and right again; few lights on one side.
        let hour = |at: usize| if (9..21).contains(&at) { 4.8 } else { 3.0 };
        assert_eq!(step(&about(hour, 30), &[], None), None);
        assert_eq!(
            step(&about(|at| if at < 4 { 4.8 } else { 3.0 }, 30), &[], None),
            None
        );
    }

    #[test]
    fn lights_that_are_set_aside_tell_nothing() {
        let widths = about(|at| if at < 12 { 3.0 } else { 4.8 }, 30);
        let late: Vec<usize> = (12..30).collect();
        assert_eq!(step(&widths, &late, None), None);
        let mut gust = widths;
        gust[13] = 20.0;
        let found = step(&gust, &[13], None).unwrap();
        assert_eq!((found.before, found.lights), (12, (12, 17)));
        assert_eq!(step(&[], &[], None), None);
    }
}
