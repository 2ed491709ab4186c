//! A checked profile: what one camera rig needs.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Cfa, Kind, Stripes, SuppliedFile};

/// Whether a master of a kind is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Wait for it, then say what is missing.
    Required,
    /// Use it where there is one.
    IfPresent,
    /// Not wanted.
    Never,
    /// Darks only: decided from the sensor's own frames. Where they do not tell it acts as
    /// [`Rule::Required`].
    Measured,
}

impl Rule {
    /// True where lights wait for the master.
    pub fn is_required(self) -> bool {
        matches!(self, Self::Required | Self::Measured)
    }
}

/// How the exposures of a set are combined, pixel by pixel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Combining {
    /// Arithmetic mean.
    Mean,
    /// Median; the mean of the middle two for an even number.
    Median,
    /// Iterated sigma clipping, then the mean of the survivors.
    SigmaClip {
        /// Lower bound in standard deviations.
        low: f64,
        /// Upper bound in standard deviations.
        high: f64,
        /// At most this many rounds.
        iterations: u32,
        /// True: bounds around the median; false: around the mean.
        median_centre: bool,
    },
    /// Huber's scheme: a standard deviation from samples pulled in at 1.5 of it, then one clip.
    Winsorized {
        /// Lower bound in standard deviations.
        low: f64,
        /// Upper bound in standard deviations.
        high: f64,
    },
    /// Rosner's generalized extreme studentized deviate test, then the mean of the survivors.
    GeneralizedEsd {
        /// Chance of finding an outlier among normal samples, 0 to 1.
        alpha: f64,
        /// At most so many outliers are looked for, always fewer than half of the samples and none of three.
        max_outliers: u32,
    },
    /// The mean without so many of the smallest and largest; the median always stays.
    Trimmed {
        /// Smallest ones dropped.
        low: u32,
        /// Largest ones dropped.
        high: u32,
    },
    /// One clip around the median by the noise that the sensor must have at that level.
    NoiseModel {
        /// Lower bound in standard deviations.
        low: f64,
        /// Upper bound in standard deviations.
        high: f64,
        /// What the noise follows from.
        sensor: SensorNoise,
    },
}

/// What a profile says of combining: a recipe holds the method that follows from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CombiningRule {
    /// This method, whatever the number of exposures.
    Always(Combining),
    /// Chosen by the number of exposures; the table stands in `combine::by_count`.
    ByCount {
        /// Lower bound in standard deviations, where the method chosen has bounds.
        low: f64,
        /// Upper bound in standard deviations.
        high: f64,
        /// What a noise model needs; without it the choice is among the other methods.
        sensor: Option<SensorNoise>,
    },
}

/// What the noise of one exposure follows from: at a level c its variance is
/// `read_noise_adu`^2 + 1/12 + max(c - pedestal, 0) / `electrons_per_adu`, in ADU^2. The twelfth is
/// what rounding to whole ADU adds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorNoise {
    /// Read noise without that of rounding, ADU.
    pub read_noise_adu: f64,
    /// Gain, electrons per ADU.
    pub electrons_per_adu: f64,
    /// How much of a level is no signal.
    pub pedestal: Pedestal,
}

/// The part of a pixel's level that carries no shot noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pedestal {
    /// All of it: bias frames.
    Whole,
    /// So many ADU: 0 where the pedestal has been subtracted.
    Level(f64),
}

/// What a profile asks of one kind of calibration frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameRule {
    /// Whether its master is wanted.
    pub rule: Rule,
    /// A set needs this many survivors.
    pub min_frames: usize,
    /// The set must have been quiet for this long before it is combined.
    pub quiet: Duration,
    /// A longer pause between two exposures begins a new set.
    pub run_gap: Duration,
    /// How its exposures are combined.
    pub combining: CombiningRule,
    /// Darks only: one of another exposure may be scaled to a light's, where none of the light's
    /// own exposure is there. A statement about the sensor: no amplifier glow, and a signal of
    /// darks that is proportional to time.
    pub scaled: bool,
}

/// Rules for all four kinds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CalibrationRules {
    /// Bias.
    pub bias: FrameRule,
    /// Flat-dark.
    pub flat_dark: FrameRule,
    /// Dark.
    pub dark: FrameRule,
    /// Flat.
    pub flat: FrameRule,
}

impl CalibrationRules {
    /// The rule for a calibration kind; a light has none.
    pub fn of(&self, kind: Kind) -> Option<&FrameRule> {
        match kind {
            Kind::Bias => Some(&self.bias),
            Kind::FlatDark => Some(&self.flat_dark),
            Kind::Dark => Some(&self.dark),
            Kind::Flat => Some(&self.flat),
            Kind::Light => None,
        }
    }
}

/// How far matched values may lie apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// Degrees Celsius.
    pub temperature_c: f64,
    /// Fraction of the exposure.
    pub exposure_fraction: f64,
    /// Fraction of the flat's exposure, for flat-darks.
    pub flat_dark_exposure_fraction: f64,
    /// Degrees.
    pub rotator_deg: f64,
}

/// Eligibility by capture time: a master may serve lights this many nights away from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Windows {
    /// Flats may be this many nights older than the light.
    pub flat_before: i32,
    /// Flats may be this many nights younger.
    pub flat_after: i32,
    /// Bias, darks and flat-darks may be this many nights older.
    pub library_before: i32,
    /// Bias, darks and flat-darks may be this many nights younger.
    pub library_after: i32,
}

impl Windows {
    /// How many nights older and younger a master of a kind may be.
    pub fn of(&self, kind: Kind) -> (i32, i32) {
        let &Self {
            flat_before,
            flat_after,
            library_before,
            library_after,
        } = self;
        match kind {
            Kind::Flat => (flat_before, flat_after),
            _ => (library_before, library_after),
        }
    }
}

/// What the header's GAIN keyword holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GainMeaning {
    /// The camera's own setting.
    Setting,
    /// Electrons per ADU.
    ElectronsPerAdu,
}

/// The mean of a master flat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FlatLevel {
    /// Each CFA colour has mean 1, so that calibration leaves the colour balance alone.
    PerColour,
    /// All pixels together have mean 1.
    Common,
}

/// Facts read from the path of a file whose header says too little.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PathPattern {
    /// A glob on the path in the watch folder.
    pub glob: String,
    /// Fact name -> its value, as a header would state it.
    pub facts: BTreeMap<String, String>,
}

/// Focus and centring shots that call themselves lights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShortShots {
    /// Shorter than this, in seconds, and
    pub under_s: f64,
    /// shorter than this fraction of the night's usual exposure.
    pub under_fraction: f64,
}

/// How far a light may fall behind its group before it is set aside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VerdictLimits {
    /// Stars' long axis over their short one; 0.2 more where stars are narrower than 2 pixels.
    pub elongation: f64,
    /// Full width of the stars over that of the group.
    pub fwhm_ratio: f64,
    /// Flux of the stars over that in the group's best lights.
    pub transparency: f64,
    /// Number of stars over that of the group.
    pub stars_ratio: f64,
    /// Sky level over that of the group.
    pub sky_ratio: f64,
    /// Shift of the field as a fraction of the frame's side.
    pub pointing_fraction: f64,
}

impl Default for VerdictLimits {
    /// Common practice: what an experienced imager would not stack.
    fn default() -> Self {
        Self {
            elongation: 1.4,
            fwhm_ratio: 1.4,
            transparency: 0.7,
            stars_ratio: 0.5,
            sky_ratio: 2.0,
            pointing_fraction: 0.1,
        }
    }
}

/// What a rig's calibrated lights hold, and how.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ProductRules {
    /// A plane of flags.
    pub mask: bool,
    /// A plane of standard deviations.
    pub uncertainty: bool,
    /// Hot and dead pixels are replaced from their neighbours. Only with a mask.
    pub repair: bool,
    /// How the pixels are stored.
    pub samples: LightSamples,
    /// A light through a filter of two lines also becomes one plane per line, on a colour sensor.
    pub split_lines: bool,
}

/// How the pixels of calibrated lights are stored.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum LightSamples {
    /// As 32-bit floating-point numbers.
    #[default]
    Real,
    /// As unsigned 16-bit integers: rounded, half to even, and cut off at both ends of their range.
    Whole {
        /// Added before rounding, ADU, so that noise around 0 keeps its lower half.
        added_level: u16,
        /// Image and mask are compressed without loss.
        compressed: bool,
    },
}

/// What a sensor adds to the light's own noise, at the gain the rig is used with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Read noise of one exposure, electrons.
    pub read_noise_e: f64,
    /// Gain, electrons per ADU.
    pub electrons_per_adu: f64,
}

/// The photosites of a colour sensor that a spectral line reaches.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Photosites {
    /// The red ones: H-alpha, S II.
    Red,
    /// The green and the blue ones: O III.
    GreenBlue,
}

impl Photosites {
    /// Their part of all photosites of a Bayer array.
    pub fn part(self) -> f64 {
        match self {
            Self::Red => 0.25,
            Self::GreenBlue => 0.75,
        }
    }

    /// The word used in profiles.
    pub fn word(self) -> &'static str {
        match self {
            Self::Red => "red",
            Self::GreenBlue => "green-blue",
        }
    }
}

/// A spectral line that a filter passes.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Passband {
    /// Its name, as its products have it.
    pub line: String,
    /// Which photosites it reaches.
    pub photosites: Photosites,
}

/// One camera rig, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// Its name: lower-case letters, digits and hyphens.
    pub name: String,
    /// Globs on the header's camera name (`*` and `?`); the first profile that fits is taken.
    pub cameras: Vec<String>,
    /// A glob on the header's telescope name, where two rigs share a camera model.
    pub telescope: Option<String>,
    /// What it asks of each kind.
    pub calibration: CalibrationRules,
    /// How far matched values may lie apart.
    pub tolerance: Tolerance,
    /// Eligibility by capture time.
    pub windows: Windows,
    /// Filter name found -> physical filter.
    pub filters: BTreeMap<String, String>,
    /// Physical filter -> the spectral lines it passes, where it passes nothing else.
    pub passbands: BTreeMap<String, Vec<Passband>>,
    /// Kind word found in a header -> kind.
    pub kinds: BTreeMap<String, Kind>,
    /// Fact name -> header keywords of its own to look at first.
    pub keywords: BTreeMap<String, Vec<String>>,
    /// Facts from paths.
    pub paths: Vec<PathPattern>,
    /// What the header's GAIN holds.
    pub gain_keyword: GainMeaning,
    /// Overrides the header's colour filter array.
    pub cfa: CfaChoice,
    /// What of the stored frame sees no light, in unbinned pixels of a whole readout.
    pub overscan: Option<Stripes>,
    /// The saturation level, ADU, where nothing else makes it lower.
    pub saturation_adu: Option<f64>,
    /// Mean of a master flat.
    pub flat_level: FlatLevel,
    /// A flat's level must lie in this range, as fractions of the saturation level.
    pub flat_range: (f64, f64),
    /// A bias frame must not be longer than this.
    pub bias_max_s: f64,
    /// Shots not meant as lights.
    pub short_shots: ShortShots,
    /// Its sensor's noise, where the profile knows it.
    pub sensor: Option<Sensor>,
    /// What its calibrated lights hold. An uncertainty comes with [`Profile::sensor`] only.
    pub products: ProductRules,
    /// When its lights are set aside.
    pub verdict: VerdictLimits,
    /// Evening dates on and after which the optical train is another; flats never cross one.
    pub train_changes: Vec<Date>,
    /// Ready-made masters, used where none of our own serves.
    pub supplied: Vec<SuppliedFile>,
}

/// Where the colour filter array is known from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CfaChoice {
    /// From the header.
    Header,
    /// The sensor is monochrome whatever the header says.
    Mono,
    /// This array, as it lies over the stored pixels.
    Fixed(Cfa),
}

impl Profile {
    /// The number of the optical train at a night: it grows by one at each change.
    pub fn train_on(&self, night: Date) -> usize {
        self.train_changes
            .iter()
            .filter(|&&date| date <= night)
            .count()
    }
}
