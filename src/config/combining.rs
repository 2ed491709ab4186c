//! The `combine` part of a rule, and the `sensor` part of a profile that a noise model needs.
//!
//! It does not know whether the sensor is what the profile says: these are given values until the
//! program measures the sensor itself.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{Combining, CombiningRule, Kind, Pedestal, Sensor, SensorNoise};

use super::bounds::within;
use super::text::{Fault, Step, steps};

/// How the exposures of a set are combined, pixel by pixel. A key that means nothing to the method
/// is an error.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with a method")]
#[schemars(rename = "Combine")]
pub(super) struct RawCombine {
    /// The method; by default sigma-clip.
    method: Option<RawMethod>,
    /// Lower bound in standard deviations (bias, dark and flat-dark 4, flat 3); for trimmed the
    /// number of smallest samples dropped (1).
    #[schemars(range(min = 0, max = 10000))]
    low: Option<f64>,
    /// Upper bound in standard deviations (bias 4, dark and flat-dark 3, flat 2.5); for trimmed the
    /// number of largest samples dropped (1).
    #[schemars(range(min = 0, max = 10000))]
    high: Option<f64>,
    /// sigma-clip: at most so many rounds.
    #[schemars(range(min = 1, max = 1000), extend("default" = 5))]
    iterations: Option<u32>,
    /// sigma-clip: what the bounds lie around; by default the median.
    center: Option<RawCenter>,
    /// generalized-esd: the chance of finding an outlier among normal samples.
    #[schemars(range(min = 1e-6, max = 0.5), extend("default" = 0.05))]
    alpha: Option<f64>,
    /// generalized-esd: at most so many outliers are looked for.
    #[schemars(range(min = 1, max = 1000), extend("default" = 5))]
    max_outliers: Option<u32>,
}

/// How the exposures of a set are combined.
#[derive(Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "Method")]
enum RawMethod {
    /// The arithmetic mean.
    Mean,
    /// The median.
    Median,
    /// Clipped again and again, then the mean. Takes low, high, iterations, center.
    SigmaClip,
    /// Clipped once, by a spread that outliers do not widen. Takes low, high.
    Winsorized,
    /// A test for outliers, for many frames. Takes alpha, max_outliers.
    GeneralizedEsd,
    /// The mean without the smallest and largest samples. Takes low, high: numbers of samples.
    Trimmed,
    /// Clipped once, by the noise that `sensor` states. Takes low, high.
    NoiseModel,
    /// One of these by the number of frames. Takes low, high.
    ByCount,
}

impl RawMethod {
    /// Its name, and the keys that mean something beside it.
    fn keys(self) -> (&'static str, &'static [&'static str]) {
        match self {
            Self::Mean => ("mean", &[]),
            Self::Median => ("median", &[]),
            Self::SigmaClip => ("sigma-clip", &["low", "high", "iterations", "center"]),
            Self::Winsorized => ("winsorized", &["low", "high"]),
            Self::GeneralizedEsd => ("generalized-esd", &["alpha", "max_outliers"]),
            Self::Trimmed => ("trimmed", &["low", "high"]),
            Self::NoiseModel => ("noise-model", &["low", "high"]),
            Self::ByCount => ("by-count", &["low", "high"]),
        }
    }
}

/// What bounds lie around.
#[derive(Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "Center")]
enum RawCenter {
    /// The median of what is left.
    Median,
    /// The mean of what is left.
    Mean,
}

/// The sensor's noise at the gain in use, as data sheets give it.
#[derive(Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with read_noise_e and electrons_per_adu"
)]
#[schemars(rename = "Sensor")]
pub(super) struct RawSensor {
    /// Read noise of one exposure, electrons.
    #[schemars(range(min = 0.01, max = 1000))]
    read_noise_e: f64,
    /// Electrons per ADU.
    #[schemars(range(min = 0.001, max = 1000))]
    electrons_per_adu: f64,
    /// The level of a bias frame, ADU; for noise-model and by-count on darks and flat-darks.
    #[schemars(range(min = 0, max = 4294967295_u32))]
    bias_adu: Option<f64>,
}

/// What a profile says of its sensor, checked. It holds for the gain setting that is in use.
#[derive(Clone, Copy)]
pub(super) struct SensorSaid {
    read_noise_e: f64,
    electrons_per_adu: f64,
    bias_adu: Option<f64>,
}

/// The profile's `sensor`.
pub(super) fn sensor(raw: &RawSensor) -> Result<SensorSaid, Fault> {
    let at = |key: &str| steps!["sensor", key];
    Ok(SensorSaid {
        read_noise_e: within(
            raw.read_noise_e,
            (0.01, 1000.0),
            "electrons",
            &at("read_noise_e"),
        )?,
        electrons_per_adu: within(
            raw.electrons_per_adu,
            (0.001, 1000.0),
            "electrons per ADU",
            &at("electrons_per_adu"),
        )?,
        bias_adu: raw
            .bias_adu
            .map(|adu| within(adu, (0.0, 4_294_967_295.0), "ADU", &at("bias_adu")))
            .transpose()?,
    })
}

/// What a light's uncertainty needs of it.
pub(super) fn light_sensor(said: SensorSaid) -> Sensor {
    Sensor {
        read_noise_e: said.read_noise_e,
        electrons_per_adu: said.electrons_per_adu,
    }
}

/// How the exposures of a kind are combined. `min_frames`: so many there are at least.
pub(super) fn combining(
    raw: RawCombine,
    kind: Kind,
    min_frames: usize,
    said: Option<SensorSaid>,
) -> Result<CombiningRule, Fault> {
    let at = |key: &str| steps!["calibration", kind.word(), "combine", key].to_vec();
    let method = raw.method.unwrap_or(RawMethod::SigmaClip);
    no_strays(&raw, method, &at)?;
    // Limits of common practice; flats are clipped harder above, where stars are.
    let (low, high) = match kind {
        Kind::Bias => (4.0, 4.0),
        Kind::Flat => (3.0, 2.5),
        _ => (4.0, 3.0),
    };
    let limit = |given: Option<f64>, usual: f64, key: &str| {
        let number = given.unwrap_or(usual);
        within(number, (0.5, 100.0), "standard deviations", &at(key))
    };
    let low = || limit(raw.low, low, "low");
    let high = || limit(raw.high, high, "high");
    Ok(CombiningRule::Always(match method {
        RawMethod::Mean => Combining::Mean,
        RawMethod::Median => Combining::Median,
        RawMethod::SigmaClip => Combining::SigmaClip {
            low: low()?,
            high: high()?,
            iterations: whole(raw.iterations.unwrap_or(5), (1, 1000), &at("iterations"))?,
            median_centre: matches!(raw.center.unwrap_or(RawCenter::Median), RawCenter::Median),
        },
        RawMethod::Winsorized => Combining::Winsorized {
            low: low()?,
            high: high()?,
        },
        RawMethod::GeneralizedEsd => Combining::GeneralizedEsd {
            alpha: within(raw.alpha.unwrap_or(0.05), (1e-6, 0.5), "", &at("alpha"))?,
            max_outliers: whole(
                raw.max_outliers.unwrap_or(5),
                (1, 1000),
                &at("max_outliers"),
            )?,
        },
        RawMethod::Trimmed => trimmed(&raw, min_frames, &at)?,
        RawMethod::NoiseModel => match said {
            Some(said) => Combining::NoiseModel {
                low: low()?,
                high: high()?,
                sensor: noise(said, kind, &at("method"))?,
            },
            None => {
                return Err(Fault::new(
                    &at("method"),
                    "noise-model needs the sensor's own figures: want, at the top of the profile, \
                     sensor: {read_noise_e: ..., electrons_per_adu: ..., bias_adu: ...}",
                ));
            }
        },
        RawMethod::ByCount => {
            return Ok(CombiningRule::ByCount {
                low: low()?,
                high: high()?,
                sensor: said
                    .map(|said| noise(said, kind, &at("method")))
                    .transpose()?,
            });
        }
    }))
}

/// Keys that mean nothing beside the method.
fn no_strays(
    raw: &RawCombine,
    method: RawMethod,
    at: &impl Fn(&str) -> Vec<Step>,
) -> Result<(), Fault> {
    let (name, meant) = method.keys();
    let given = [
        ("low", raw.low.is_some()),
        ("high", raw.high.is_some()),
        ("iterations", raw.iterations.is_some()),
        ("center", raw.center.is_some()),
        ("alpha", raw.alpha.is_some()),
        ("max_outliers", raw.max_outliers.is_some()),
    ];
    let stray = given
        .iter()
        .find(|(key, given)| *given && !meant.contains(key));
    match stray {
        None => Ok(()),
        Some((key, _)) => {
            let other = match *key {
                "alpha" | "max_outliers" => "generalized-esd",
                _ => "sigma-clip",
            };
            Err(Fault::new(
                &at(key),
                format!(
                    "`{key}` has no meaning for the method {name}: want {other}, or no `{key}`"
                ),
            ))
        }
    }
}

fn whole(number: u32, (low, high): (u32, u32), at: &[Step]) -> Result<u32, Fault> {
    if (low..=high).contains(&number) {
        return Ok(number);
    }
    Err(Fault::new(
        at,
        format!("found {number}, want {low} to {high}"),
    ))
}

fn trimmed(
    raw: &RawCombine,
    min_frames: usize,
    at: &impl Fn(&str) -> Vec<Step>,
) -> Result<Combining, Fault> {
    let samples = |given: Option<f64>, key: &str| {
        let number = given.unwrap_or(1.0);
        if (0.0..=10_000.0).contains(&number) && number.fract() == 0.0 {
            Ok(number as u32)
        } else {
            Err(Fault::new(
                &at(key),
                format!("found {number}, want a whole number of samples, 0 to 10000"),
            ))
        }
    };
    let (low, high) = (samples(raw.low, "low")?, samples(raw.high, "high")?);
    // More than half at one end would pass the median.
    let most = min_frames.saturating_sub(1) / 2;
    for (number, key) in [(low, "low"), (high, "high")] {
        if number as usize > most {
            return Err(Fault::new(
                &at(key),
                format!(
                    "found {number} of at least {min_frames} frames (min_frames), want {most} at \
                     most: the median must stay"
                ),
            ));
        }
    }
    Ok(Combining::Trimmed { low, high })
}

/// The noise of one exposure of a kind.
fn noise(said: SensorSaid, kind: Kind, at: &[Step]) -> Result<SensorNoise, Fault> {
    let pedestal = match kind {
        Kind::Bias => Pedestal::Whole,
        // Its pedestal comes off first.
        Kind::Flat => Pedestal::Level(0.0),
        _ => match said.bias_adu {
            Some(adu) => Pedestal::Level(adu),
            None => {
                return Err(Fault::new(
                    at,
                    format!(
                        "the noise of a {kind} follows from its level above the bias: want bias_adu \
                         in the profile's sensor, or another method"
                    ),
                ));
            }
        },
    };
    Ok(SensorNoise {
        read_noise_adu: said.read_noise_e / said.electrons_per_adu,
        electrons_per_adu: said.electrons_per_adu,
        pedestal,
    })
}
