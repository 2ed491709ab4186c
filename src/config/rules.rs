//! The `calibration` part of a profile: which masters are wanted and how they are combined.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{CalibrationRules, FrameRule, Kind, Rule};

use super::bounds::{duration, seconds, within};
use super::combining::{RawCombine, SensorSaid, combining};
use super::text::{Fault, steps};

/// Which masters are wanted, and how they are made.
#[derive(Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    rename_all = "kebab-case",
    expecting = "a mapping with bias, dark, flat-dark and flat"
)]
#[schemars(rename = "Calibration")]
pub(super) struct RawRules {
    /// Shortest exposures with the cap on: the pedestal.
    bias: RawFrameRule,
    /// Exposures like the lights' with the cap on.
    dark: RawFrameRule,
    /// Exposures like the flats' with the cap on.
    flat_dark: RawFrameRule,
    /// An evenly lit field.
    flat: RawFrameRule,
}

/// What is asked of one kind of calibration frame.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with a rule")]
#[schemars(rename = "FrameRule")]
struct RawFrameRule {
    /// Whether its master is wanted.
    rule: RawRule,
    /// So many usable frames make a set; fewer than 3 cannot be judged by each other.
    #[schemars(range(min = 3, max = 10000), extend("default" = 10))]
    min_frames: Option<u64>,
    /// Seconds without a new frame, then they are combined (flat and flat-dark 300, others 600).
    #[schemars(range(min = 0, max = 86400))]
    quiet_s: Option<f64>,
    /// Hours: a longer pause begins a new set (flat and flat-dark 6, others 12).
    #[schemars(range(min = 0.1, max = 8760))]
    run_gap_hours: Option<f64>,
    /// How its exposures are combined.
    combine: Option<RawCombine>,
    /// Darks only: whether one may be scaled to another exposure; by default never.
    scaling: Option<RawScaling>,
}

/// May a dark be scaled to another exposure? The permission is worded as a statement about the
/// sensor, since no header makes it.
#[derive(Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "Scaling")]
enum RawScaling {
    /// Only darks of a light's own exposure serve it.
    Never,
    /// The sensor is a CCD without amplifier glow, whose dark signal grows in proportion to time.
    CcdWithoutGlow,
}

/// Whether a master is wanted.
#[derive(Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "Rule")]
enum RawRule {
    /// Lights wait for it; what is missing is listed as to be shot.
    Required,
    /// It is used where there is one.
    IfPresent,
    /// It is not wanted.
    Never,
    /// Darks only: decided from the sensor's own bias, dark and flat frames.
    Measured,
}

pub(super) fn check(raw: RawRules, sensor: Option<SensorSaid>) -> Result<CalibrationRules, Fault> {
    let rules = CalibrationRules {
        bias: frame_rule(raw.bias, Kind::Bias, sensor)?,
        flat_dark: frame_rule(raw.flat_dark, Kind::FlatDark, sensor)?,
        dark: frame_rule(raw.dark, Kind::Dark, sensor)?,
        flat: frame_rule(raw.flat, Kind::Flat, sensor)?,
    };
    together(&rules)?;
    Ok(rules)
}

/// What the four rules must have among them.
fn together(rules: &CalibrationRules) -> Result<(), Fault> {
    let never = |rule: &FrameRule| rule.rule == Rule::Never;
    let at = |kind: Kind| steps!["calibration", kind.word(), "rule"];
    let (bias, dark) = (never(&rules.bias), never(&rules.dark));
    let (flat, flat_dark) = (never(&rules.flat), never(&rules.flat_dark));
    if bias && dark && flat && flat_dark {
        return Err(Fault::new(
            &steps!["calibration"],
            "all four kinds are never wanted, so nothing would be calibrated: \
             want bias or dark at least",
        ));
    }
    if !flat && bias && dark && flat_dark {
        return Err(Fault::new(
            &at(Kind::Flat),
            "flats are wanted while bias, dark and flat-dark are all `never`, so nothing would \
             take the pedestal off the flat: want one of them",
        ));
    }
    if !flat && bias && dark {
        return Err(Fault::new(
            &at(Kind::Flat),
            "flats are wanted while bias and dark are both `never`, so nothing would take the \
             pedestal off the light before it is divided by the flat: want one of them",
        ));
    }
    if rules.dark.rule == Rule::Measured && bias {
        return Err(Fault::new(
            &at(Kind::Dark),
            "the dark is `measured` while bias is `never`, so there would be nothing to measure \
             it against: want required or if-present for bias",
        ));
    }
    if rules.dark.scaled && bias {
        return Err(Fault::new(
            &steps!["calibration", "dark", "scaling"],
            "darks are to be scaled while bias is `never`, so their pedestal could not be told \
             from what grows with time: want required or if-present for bias",
        ));
    }
    if flat && !flat_dark {
        return Err(Fault::new(
            &at(Kind::FlatDark),
            "flat-darks are wanted while flats are `never`, so nothing would use them: want `never`",
        ));
    }
    Ok(())
}

fn frame_rule(
    raw: RawFrameRule,
    kind: Kind,
    sensor: Option<SensorSaid>,
) -> Result<FrameRule, Fault> {
    let at = |key: &str| steps!["calibration", kind.word(), key];
    let rule = match (raw.rule, kind) {
        (RawRule::Required, _) => Rule::Required,
        (RawRule::IfPresent, _) => Rule::IfPresent,
        (RawRule::Never, _) => Rule::Never,
        (RawRule::Measured, Kind::Dark) => Rule::Measured,
        (RawRule::Measured, _) => {
            return Err(Fault::new(
                &at("rule"),
                format!(
                    "found `measured`, which only darks can be: want required, if-present or \
                     never for {kind}"
                ),
            ));
        }
    };
    let min_frames = raw.min_frames.unwrap_or(10);
    if !(3..=10_000).contains(&min_frames) {
        return Err(Fault::new(
            &at("min_frames"),
            format!("found {min_frames}, want 3 to 10000: fewer cannot be judged by each other"),
        ));
    }
    let scaled = raw.scaling == Some(RawScaling::CcdWithoutGlow);
    if raw.scaling.is_some() && kind != Kind::Dark {
        return Err(Fault::new(
            &at("scaling"),
            format!("only darks can be scaled to another exposure: want no such line for {kind}"),
        ));
    }
    if scaled && rule == Rule::Never {
        return Err(Fault::new(
            &at("scaling"),
            "darks are to be scaled while their rule is `never`: want another rule, or no scaling",
        ));
    }
    // Flats come in a row and are wanted soon; a library is shot in one go and may take its time. But
    // what is shot every night at the same hour must not become one set that grows for ever: all that
    // was made with it would be made again every morning.
    let (quiet, gap) = match kind {
        Kind::Flat | Kind::FlatDark => (300.0, 6.0),
        _ => (600.0, 12.0),
    };
    let hours = raw.run_gap_hours.unwrap_or(gap);
    let run_gap = within(hours, (0.1, 8760.0), "hours", &at("run_gap_hours"))?;
    let min_frames = usize::try_from(min_frames).unwrap_or(10_000);
    Ok(FrameRule {
        rule,
        min_frames,
        quiet: seconds(raw.quiet_s, quiet, (0.0, 86_400.0), &at("quiet_s"))?,
        run_gap: duration(run_gap * 3600.0, &at("run_gap_hours"))?,
        combining: combining(raw.combine.unwrap_or_default(), kind, min_frames, sensor)?,
        scaled,
    })
}
