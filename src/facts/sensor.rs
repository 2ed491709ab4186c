//! What a camera's raw frames say of its sensor.
//!
//! A [`SensorTask`] names a few frames, [`SensorFigures`] are what their pixels say: sums and spreads in
//! ADU, from which gain, read noise and dark current follow whenever they are asked for. They are a
//! function of the frames' contents and are kept in the catalogue under the task's key.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Camera, Colour, Fingerprint, Input};

/// Changes with every change of what is measured, so that it is measured again.
const METHOD_VERSION: u32 = 2;

/// A number with its standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// One standard error.
    pub error: f64,
}

impl Estimate {
    /// Both multiplied by a number that is known exactly.
    pub fn times(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            error: self.error * factor.abs(),
        }
    }

    /// Multiplied by another independent estimate; errors of first order.
    pub fn by(self, other: Self) -> Self {
        Self {
            value: self.value * other.value,
            error: (self.error * other.value).hypot(self.value * other.error),
        }
    }
}

/// What two exposures of the same scene have in common: their level, and the noise of either, from
/// their difference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Which photosites; none for a monochrome sensor.
    pub colour: Option<Colour>,
    /// Mean of both exposures, ADU.
    pub level: f64,
    /// Variance of one exposure from one to the next, ADU^2.
    pub variance: Estimate,
    /// Pixels that took part.
    pub pixels: u64,
}

/// Bias and flats of one gain: what photon transfer needs. Each list by colour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Transfer {
    /// The bias pair.
    pub bias: Vec<Pair>,
    /// Pairs of flats, one for each level.
    pub flats: Vec<Vec<Pair>>,
    /// Step of the converter, ADU.
    pub step: f64,
    /// The darkest part of the flats over their mean.
    pub darkest: f64,
}

/// Darks beside bias frames, ADU.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DarkSignal {
    /// Level of the bias.
    pub bias_level: f64,
    /// Variance of one bias frame from one to the next, ADU^2.
    pub bias_variance: Estimate,
    /// The middle of all cells' levels above the bias, glow and all. (Figures of earlier versions lack
    /// this and the tail; their keys are others, so nobody asks for them.)
    #[serde(default)]
    pub middle: f64,
    /// Level of ordinary pixels above the bias, where the sensor glows least.
    pub level: Estimate,
    /// What of that level is the glow's tail.
    #[serde(default)]
    pub tail: Estimate,
    /// Variance of one dark from one to the next less that of the bias, of the same pixels, ADU^2.
    pub variance: Estimate,
    /// Variance from pixel to pixel of what every dark adds to the bias, hot pixels and glow left
    /// out, ADU^2. It is an unbiased estimate, so it may be negative.
    pub pattern: Estimate,
    /// Height of the smooth structure of dark minus bias above its quiet part.
    pub glow: Estimate,
    /// Pixels that stand out of their neighbours in both darks, per million.
    pub hot_per_megapixel: Estimate,
    /// Pixels looked at.
    pub pixels: u64,
}

/// What was measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SensorFigures {
    /// Of bias and flats.
    Transfer(Transfer),
    /// Of bias and darks.
    Dark(DarkSignal),
}

/// Frames that are held against the bias pair.
#[derive(Clone, Debug, PartialEq)]
pub enum Exposed {
    /// Pairs of flats, one for each level, the darkest first.
    Flats(Vec<[Input; 2]>),
    /// Two darks.
    Darks([Input; 2]),
}

/// Frames to be measured.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorTask {
    /// Hard keys of all its frames.
    pub camera: Arc<Camera>,
    /// Samples at or above this say nothing, ADU.
    pub saturation: f64,
    /// Step of the converter, ADU.
    pub step: f64,
    /// Two bias frames.
    pub bias: [Input; 2],
    /// What is held against them.
    pub exposed: Exposed,
}

impl Exposed {
    /// The frames.
    pub fn inputs(&self) -> impl Iterator<Item = &Input> {
        let pairs = match self {
            Self::Flats(pairs) => pairs.as_slice(),
            Self::Darks(pair) => std::slice::from_ref(pair),
        };
        pairs.iter().flatten()
    }
}

impl SensorTask {
    /// The frames, bias first.
    pub fn inputs(&self) -> impl Iterator<Item = &Input> {
        self.bias.iter().chain(self.exposed.inputs())
    }

    /// BLAKE3 over all that determines the figures: contents, saturation, step, colours, method.
    pub fn key(&self) -> Fingerprint {
        let mut hasher = blake3::Hasher::new();
        let kind = match &self.exposed {
            Exposed::Flats(_) => "flats",
            Exposed::Darks(_) => "darks",
        };
        let cfa = self.camera.cfa.map_or(String::new(), |cfa| cfa.to_string());
        let (saturation, step) = (self.saturation, self.step);
        let line = format!("sensor/{METHOD_VERSION} {kind} {saturation} {step} {cfa}\n");
        hasher.update(line.as_bytes());
        for input in self.inputs() {
            hasher.update(input.digest.bytes());
        }
        Fingerprint::new(*hasher.finalize().as_bytes())
    }
}

/// Does a sensor need darks?
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Need {
    /// All that darks remove lies below its limit.
    NotNeeded,
    /// There are not enough frames to tell.
    Unknown,
    /// Something that darks remove lies above its limit.
    Needed,
}

/// Something that darks remove.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DarkEffect {
    /// Differences from pixel to pixel.
    FixedPattern,
    /// Smooth structure, such as an amplifier's glow.
    Glow,
    /// Pixels that stand out.
    HotPixels,
    /// A level that the flat would turn into a false vignetting.
    Level,
    /// A black level that the camera holds, so that darks lie lower than their charge.
    BlackLevel,
}

/// One effect beside its limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkCheck {
    /// Which.
    pub effect: DarkEffect,
    /// Electrons for pattern, glow and black level, a number per megapixel for hot pixels, a fraction of the sky
    /// for the level.
    pub value: f64,
    /// What is put up with, in the same unit.
    pub limit: f64,
}

impl DarkCheck {
    /// True where darks are needed because of it.
    pub fn is_above(&self) -> bool {
        self.value > self.limit
    }
}

impl fmt::Display for DarkCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, limit) = (self.value, self.limit);
        match self.effect {
            DarkEffect::FixedPattern => {
                write!(f, "fixed pattern {value:.2} e-, limit {limit:.2} e-")
            }
            DarkEffect::Glow => write!(f, "glow {value:.2} e-, limit {limit:.2} e-"),
            DarkEffect::BlackLevel => {
                write!(
                    f,
                    "black level too low by {value:.2} e-, limit {limit:.2} e-"
                )
            }
            DarkEffect::HotPixels => {
                write!(f, "{value:.0} hot pixels per megapixel, limit {limit:.0}")
            }
            DarkEffect::Level => write!(
                f,
                "unsubtracted level {:.2} % of the sky, limit {:.2} %",
                100.0 * value,
                100.0 * limit
            ),
        }
    }
}

/// The lights that a verdict is about.
#[derive(Clone, Debug, PartialEq)]
pub struct Stack {
    /// Their filter.
    pub filter: Arc<str>,
    /// Their target.
    pub target: Option<Arc<str>>,
    /// How many they are.
    pub frames: usize,
    /// Level of the sky in one of them, ADU, dark charge included.
    pub sky_adu: f64,
    /// Their pointing differs from one to the next.
    pub dithered: bool,
}

/// Does a sensor need darks for some lights, and why?
#[derive(Clone, Debug, PartialEq)]
pub struct DarkVerdict {
    /// The answer.
    pub need: Need,
    /// The four effects, and a held black level where there is one; empty where they are not known.
    pub checks: Vec<DarkCheck>,
    /// What there is too little of, where the answer is not known; what speaks for darks where nothing else
    /// is known.
    pub missing: Option<String>,
    /// Part by which dark current raises the noise of one light: what no dark can remove.
    pub dark_noise: Option<f64>,
    /// The lights it was most demanding for.
    pub stack: Option<Stack>,
}

/// A light's noise must grow by this part before a colder sensor is advised.
const COLDER: f64 = 0.1;

impl fmt::Display for DarkVerdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.need {
            Need::NotNeeded => "darks are not needed",
            Need::Unknown => "whether darks are needed is not known",
            Need::Needed => "darks are needed",
        })?;
        for (place, check) in self.checks.iter().enumerate() {
            let before = if place == 0 { ": " } else { "; " };
            write!(f, "{before}{check}")?;
        }
        if let Some(missing) = &self.missing {
            write!(f, ": {missing}")?;
        }
        if let Some(part) = self.dark_noise.filter(|&part| part > COLDER) {
            write!(
                f,
                "; dark current adds {:.0} % to the noise of a light, which only a colder sensor mends",
                100.0 * part
            )?;
        }
        Ok(())
    }
}
