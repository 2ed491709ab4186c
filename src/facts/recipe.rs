//! What determines a product's bytes, and nothing else.
//!
//! | counts | where it stands |
//! |---|---|
//! | contents of every raw file that goes in | `input` parts, BLAKE3, sorted by time then digest |
//! | the masters that are subtracted and divided by | `subtract`, `pedestal`, `divide` parts, by fingerprint, with the factor of a scaled dark |
//! | how pixels are combined, limits, flat level | `method` part, with its version |
//! | what a light holds beside its pixels, how it is stored | `method` part, where it is out of the ordinary |
//! | facts written into the product's header | `fact` parts |
//!
//! A supplied master's fingerprint covers its contents, its facts and what a flat is brought to
//! ([`super::SuppliedMaster::print`]).
//!
//! What does not count: file names, times of arrival, the host, the number of threads.
//! [`Recipe::parts`] is the one traversal: the fingerprint hashes it and `explain` compares it,
//! so that the two cannot disagree. [`hashing`] goes the same way without words.

mod hashing;

pub use hashing::{AlikeHash, quick_hasher};

use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{
    Camera, Celsius, Combining, Degrees, Digest, FileId, Fingerprint, FlatLevel, Kind,
    LightSamples, Optics, Passband, Pedestal, Seconds, Sensor, SensorNoise, Stamp,
};

/// Changes with every change of what the arithmetic yields, so that old products are made again.
const METHOD_VERSION: u32 = 5;

/// What stands before a line's name, last in its method.
const LINE: &str = " line=";

/// The spectral line of a product, from its method; nothing for a light or a master.
pub fn line_of(method: &str) -> Option<&str> {
    let line = method.strip_prefix("line/")?.split_once(LINE)?;
    Some(line.1)
}

/// One raw file that goes into a product.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Input {
    /// Its contents: what counts.
    pub digest: Digest,
    /// Where it can be read now: what does not.
    pub file: FileId,
    /// What the file looked like when it was taken in; it must still look so while it is read.
    pub stamp: Stamp,
}

/// A master that another product is made with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MasterUse {
    /// Its kind.
    pub kind: Kind,
    /// Its fingerprint: what counts.
    pub fingerprint: Fingerprint,
    /// Where it lies, relative to the output folder; of a supplied one, its digest.
    pub product: Arc<str>,
    /// Of a dark of another exposure: the factor k on its signal, so that B + k(D - B) comes off
    /// the light. None: the master is used as it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
}

/// What a master is, in the terms by which frames are matched with it.
#[derive(Clone, Debug, PartialEq, Hash, Serialize, Deserialize)]
pub struct MasterFacts {
    /// Bias, dark, flat-dark or flat.
    pub kind: Kind,
    /// The profile's name.
    pub rig: Arc<str>,
    /// The hard keys of its frames.
    pub camera: Arc<Camera>,
    /// The flats' filter; `none` for other kinds.
    pub filter: Arc<str>,
    /// Median exposure of its frames.
    pub exposure: Seconds,
    /// The set-point of its frames where one is recorded, else their median temperature.
    pub temperature: Option<Celsius>,
    /// The optics of its flats; empty for other kinds.
    pub optics: Arc<Optics>,
    /// Middle rotator angle of its flats; absent for other kinds.
    pub rotator: Option<Degrees>,
    /// Start of its earliest frame; a supplied master has no time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<Timestamp>,
    /// Start of its latest frame.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<Timestamp>,
}

/// All of a master's recipe but the list of its frames.
#[derive(Clone, Debug, PartialEq)]
pub struct MasterMethod {
    /// What it is.
    pub facts: MasterFacts,
    /// How its exposures are combined.
    pub combining: Combining,
    /// Samples at or above this never enter, ADU.
    pub saturation: f64,
    /// For flats: what is divided by what mean.
    pub flat_level: Option<FlatLevel>,
    /// For flats: the flat-dark, bias or dark that comes off each exposure.
    pub subtract: Option<MasterUse>,
}

/// How a master is made.
#[derive(Clone, Debug, PartialEq)]
pub struct MasterRecipe {
    /// What is done with its frames.
    pub method: MasterMethod,
    /// The raw frames, ordered by start, then digest.
    pub inputs: Vec<Input>,
}

/// What a light is, as far as its product says more than its raw header does.
#[derive(Clone, Debug, PartialEq, Hash, Serialize, Deserialize)]
pub struct LightFacts {
    /// The profile's name.
    pub rig: Arc<str>,
    /// The hard keys, the colour filter array as it lies over the stored pixels among them.
    pub camera: Arc<Camera>,
    /// The night it belongs to.
    pub night: Date,
    /// The physical filter after aliases.
    pub filter: Arc<str>,
    /// Its target.
    pub target: Option<Arc<str>>,
    /// Its exposure.
    pub exposure: Seconds,
    /// Its start, else the moment it was last changed.
    pub start: Timestamp,
}

/// What a calibrated light holds beside its pixels, and how it is stored.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Extras {
    /// A plane of flags; the value is the level at and above which a raw pixel counts as
    /// saturated, ADU.
    pub mask: Option<f64>,
    /// A plane of standard deviations, from this noise of the sensor.
    pub uncertainty: Option<Sensor>,
    /// Hot and dead pixels are replaced from their neighbours. Only with a mask.
    pub repair: bool,
    /// How the pixels are stored.
    pub samples: LightSamples,
}

/// How a light is calibrated.
#[derive(Clone, Debug, PartialEq)]
pub struct LightRecipe {
    /// The raw light.
    pub input: Input,
    /// What it is.
    pub facts: LightFacts,
    /// The dark, else the bias.
    pub subtract: MasterUse,
    /// Beside a dark: the bias, where the light's own charge must be known or the dark is scaled.
    pub pedestal: Option<MasterUse>,
    /// The flat.
    pub divide: Option<MasterUse>,
    /// What goes with it.
    pub extras: Extras,
}

/// How one spectral line's plane of a light is made.
#[derive(Clone, Debug, PartialEq)]
pub struct LineRecipe {
    /// How the light is calibrated.
    pub light: LightRecipe,
    /// Which line.
    pub passband: Passband,
}

/// How a product is made.
#[derive(Clone, Debug, PartialEq)]
pub enum Recipe {
    /// A master.
    Master(MasterRecipe),
    /// A calibrated light.
    Light(LightRecipe),
    /// One line of a calibrated light.
    Line(LineRecipe),
}

impl MasterMethod {
    /// [`Recipe::method`]: what it is, and what is subtracted, stand elsewhere.
    pub fn line(&self) -> String {
        let mut text = format!("{}/{METHOD_VERSION} {}", self.facts.kind, self.combining);
        text += &at_saturation(self.saturation);
        text += match self.flat_level {
            Some(FlatLevel::PerColour) => " level=per-colour",
            Some(FlatLevel::Common) => " level=common",
            None => "",
        };
        text
    }
}

impl Recipe {
    /// The method with all its settings, in one line.
    pub fn method(&self) -> String {
        match self {
            Self::Master(recipe) => recipe.method.line(),
            Self::Light(recipe) => format!("light/{METHOD_VERSION}{}", recipe.extras),
            Self::Line(LineRecipe { light, passband }) => {
                let photosites = passband.photosites.word();
                let line = &passband.line;
                format!(
                    "line/{METHOD_VERSION}{} {photosites}{LINE}{line}",
                    light.extras
                )
            }
        }
    }

    /// Digests of the raw files that go in, in their order.
    pub fn inputs(&self) -> Vec<Digest> {
        self.raws().iter().map(|input| input.digest).collect()
    }

    /// The raw files that go in, in their order.
    pub fn raws(&self) -> &[Input] {
        match self {
            Self::Master(recipe) => &recipe.inputs,
            Self::Light(recipe) => std::slice::from_ref(&recipe.input),
            Self::Line(recipe) => std::slice::from_ref(&recipe.light.input),
        }
    }

    /// The masters it is made with: what is subtracted, the pedestal, what is divided by.
    pub fn masters(&self) -> Vec<&MasterUse> {
        self.roles().into_iter().map(|(_, used)| used).collect()
    }

    fn roles(&self) -> Vec<(&'static str, &MasterUse)> {
        match self {
            Self::Master(recipe) => {
                let subtract = recipe.method.subtract.iter();
                subtract.map(|used| ("subtract", used)).collect()
            }
            Self::Light(light) | Self::Line(LineRecipe { light, .. }) => {
                std::iter::once(("subtract", &light.subtract))
                    .chain(light.pedestal.iter().map(|used| ("pedestal", used)))
                    .chain(light.divide.iter().map(|used| ("divide", used)))
                    .collect()
            }
        }
    }

    /// Everything that determines the bytes, as labelled values in a fixed order.
    pub fn parts(&self) -> Vec<(&'static str, String)> {
        let mut parts = vec![("method", self.method())];
        match self {
            Self::Master(recipe) => parts.push(("fact", line(&recipe.method.facts))),
            Self::Light(light) | Self::Line(LineRecipe { light, .. }) => {
                parts.push(("fact", line(&light.facts)));
            }
        }
        for input in self.raws() {
            parts.push(("input", input.digest.to_string()));
        }
        for (label, master) in self.roles() {
            let mut text = format!("{} {}", master.kind, master.fingerprint);
            text += &master
                .scale
                .map_or(String::new(), |k| format!(" scale={k}"));
            parts.push((label, text));
        }
        parts
    }

    /// BLAKE3 over [`Recipe::parts`].
    pub fn fingerprint(&self) -> Fingerprint {
        fingerprint(&self.parts())
    }
}

/// BLAKE3 over labelled values.
pub(super) fn fingerprint(parts: &[(&'static str, String)]) -> Fingerprint {
    let mut hasher = blake3::Hasher::new();
    for (label, value) in parts {
        hasher.update(&(label.len() as u64).to_le_bytes());
        hasher.update(label.as_bytes());
        hasher.update(&(value.len() as u64).to_le_bytes());
        hasher.update(value.as_bytes());
    }
    Fingerprint::new(*hasher.finalize().as_bytes())
}

/// Frames of floating-point numbers need not have a level at which they saturate.
fn at_saturation(level: f64) -> String {
    if level < f64::MAX {
        format!(" saturation={level}")
    } else {
        String::new()
    }
}

impl std::fmt::Display for Extras {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if let Some(saturation) = self.mask {
            write!(f, " mask{}", at_saturation(saturation))?;
        }
        if let Some(sensor) = self.uncertainty {
            write!(
                f,
                " uncertainty read_noise_e={} electrons_per_adu={}",
                sensor.read_noise_e, sensor.electrons_per_adu
            )?;
        }
        if self.repair {
            f.write_str(" repair")?;
        }
        if let LightSamples::Whole {
            added_level,
            compressed,
        } = self.samples
        {
            write!(f, " 16-bit added-level={added_level}")?;
            if compressed {
                f.write_str(" compressed")?;
            }
        }
        Ok(())
    }
}

/// One line of JSON: explicit names, exact numbers, the same on every machine.
#[allow(
    clippy::expect_used,
    reason = "plain structs of strings, options and finite numbers always serialise"
)]
pub(super) fn line(facts: &impl Serialize) -> String {
    serde_json::to_string(facts).expect("plain facts serialise")
}

impl std::fmt::Display for Combining {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Mean => f.write_str("mean"),
            Self::Median => f.write_str("median"),
            Self::SigmaClip {
                low,
                high,
                iterations,
                median_centre,
            } => {
                let centre = if *median_centre { "median" } else { "mean" };
                write!(
                    f,
                    "sigma-clip low={low} high={high} iterations={iterations} center={centre}"
                )
            }
            Self::Winsorized { low, high } => write!(f, "winsorized low={low} high={high}"),
            Self::GeneralizedEsd {
                alpha,
                max_outliers,
            } => write!(
                f,
                "generalized-esd alpha={alpha} max_outliers={max_outliers}"
            ),
            Self::Trimmed { low, high } => write!(f, "trimmed low={low} high={high}"),
            Self::NoiseModel { low, high, sensor } => {
                write!(f, "noise-model low={low} high={high} {sensor}")
            }
        }
    }
}

impl std::fmt::Display for SensorNoise {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "read_noise_adu={} electrons_per_adu={} pedestal=",
            self.read_noise_adu, self.electrons_per_adu
        )?;
        match self.pedestal {
            Pedestal::Whole => f.write_str("whole"),
            Pedestal::Level(adu) => write!(f, "{adu}"),
        }
    }
}
