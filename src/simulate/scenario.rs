//! A scenario as written: YAML in, checked values out.
//!
//! Every key but `rigs`, a rig's `camera` and a run's `kind` and `start` has a default, so a test
//! needs few lines. Unknown keys are errors. It does not know what a frame looks like.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;
use serde::Deserialize;

use crate::facts::{Cfa, Colour, Kind};

/// What is wrong with a scenario.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// Not YAML, an unknown key, a value of the wrong type.
    #[error("scenario: {0}")]
    Syntax(#[from] serde_yaml::Error),
    /// A value that cannot be played.
    #[error("scenario: {at}: {what}")]
    Value {
        /// Which part.
        at: String,
        /// What is wrong with it.
        what: String,
    },
}

/// A night to be played: rigs with what they expose, and files that are no frames.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// All randomness hangs on it.
    #[serde(default)]
    pub(super) seed: u64,
    pub(super) rigs: Vec<Rig>,
    #[serde(default)]
    pub(super) strays: Vec<Stray>,
}

impl Scenario {
    /// Reads and checks a scenario.
    ///
    /// # Errors
    /// With line and column for what is not understood, with the rig or run for what cannot be
    /// played.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Self = serde_yaml::from_str(text)?;
        super::check::scenario(&scenario)?;
        Ok(scenario)
    }
}

/// One value for all photosites, or one for each colour.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(untagged)]
pub(super) enum Channels {
    All(f64),
    Each([f64; 3]),
}

impl Channels {
    pub(super) fn of(self, colour: Option<Colour>) -> f64 {
        match (self, colour) {
            (Self::All(value), _) => value,
            (Self::Each([red, _, _]), Some(Colour::Red)) => red,
            (Self::Each([_, green, _]), Some(Colour::Green) | None) => green,
            (Self::Each([_, _, blue]), Some(Colour::Blue)) => blue,
        }
    }

    pub(super) fn values(self) -> [f64; 3] {
        match self {
            Self::All(value) => [value; 3],
            Self::Each(values) => values,
        }
    }
}

/// A camera behind a telescope.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Rig {
    /// Folder that its files go to; the watch folder itself when empty.
    #[serde(default)]
    pub(super) folder: String,
    pub(super) camera: String,
    #[serde(default)]
    pub(super) spelling: Spelling,
    #[serde(default)]
    pub(super) sensor: Sensor,
    #[serde(default)]
    pub(super) optics: Optics,
    #[serde(default)]
    pub(super) filters: Vec<Filter>,
    #[serde(default)]
    pub(super) targets: Vec<Target>,
    #[serde(default)]
    pub(super) runs: Vec<Run>,
    /// Cards that every frame of the rig gets in place of its own; null takes one away.
    #[serde(default)]
    pub(super) cards: BTreeMap<String, serde_yaml::Value>,
}

/// Which of the common keyword spellings a rig's capture program uses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Spelling {
    /// `LIGHT`, EXPTIME, RA and DEC in degrees.
    #[default]
    Short,
    /// `Light Frame`, EXPOSURE, sexagesimal OBJCTRA and OBJCTDEC.
    Long,
}

macro_rules! spec {
    ($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $type:ty = $default:expr,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub(super) struct $name { $($(#[$field_doc])* pub(super) $field: $type,)* }

        impl Default for $name {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }
    };
}

spec! {
    /// The sensor and its electronics.
    Sensor {
        width: usize = 64,
        height: usize = 48,
        /// Converter's bits; values are stored scaled to 16 bits, so 12 bits go in steps of 16,
        bits: u32 = 16,
        /// or as they are, where the camera says so: 12 bits end at 4095, and ADU are the converter's.
        scaled_to_16_bits: bool = true,
        cfa: Option<Cfa> = None,
        e_per_adu: f64 = 1.0,
        read_noise_e: f64 = 2.0,
        full_well_e: f64 = 1e6,
        pedestal_adu: f64 = 500.0,
        /// Standard deviation of the pedestal from column to column.
        column_pattern_adu: f64 = 1.0,
        /// Standard deviation of the pedestal from pixel to pixel.
        pixel_pattern_adu: f64 = 1.0,
        /// Dark current at `dark_at_c`; it doubles every `dark_doubling_c`.
        dark_e_per_s: f64 = 0.002,
        dark_at_c: f64 = -10.0,
        dark_doubling_c: f64 = 6.0,
        hot_pixels_per_million: f64 = 100.0,
        /// Mean dark current of a hot pixel at `dark_at_c`.
        hot_e_per_s: f64 = 5.0,
        /// Amplifier glow in its corner (the last column of the first row).
        glow_e_per_s: f64 = 0.0,
        /// Distance over which glow falls to 1/e, as a fraction of the width.
        glow_reach: f64 = 0.2,
        /// Standard deviation of the pixels' response.
        pixel_response: f64 = 0.01,
        pixel_um: f64 = 3.76,
        binning: u32 = 1,
        gain: Option<f64> = Some(100.0),
        offset: Option<f64> = Some(50.0),
        readout_mode: Option<String> = None,
        /// Value of ROWORDER.
        row_order: Option<String> = Some("TOP-DOWN".to_owned()),
        set_point_c: Option<f64> = Some(-10.0),
        jitter_c: f64 = 0.1,
        /// The camera holds its black level: the mean dark charge of ordinary pixels vanishes from
        /// what is stored, its noise does not.
        holds_black: bool = false,
    }
}

spec! {
    /// What lies in front of the sensor.
    Optics {
        telescope: Option<String> = None,
        focal_length_mm: f64 = 500.0,
        /// Light lost in the corners, as a fraction.
        vignetting: f64 = 0.25,
        rotator_deg: Option<f64> = None,
        /// Position angle of the field on the sky; it turns with the mount.
        sky_angle_deg: Option<f64> = None,
    }
}

spec! {
    /// A filter, as the light sees it and as the header spells it.
    Filter {
        name: String = String::new(),
        /// What the header says, when it is not the name.
        written: Option<String> = None,
        sky_e_per_s: Channels = Channels::All(1.0),
        /// Sky at the bright edge over sky at the dark edge, minus 1.
        gradient: f64 = 0.1,
        /// Factor on the stars' photons.
        stars: Channels = Channels::All(1.0),
        /// Relative brightness of the flat panel in each colour.
        panel: Channels = Channels::All(1.0),
        /// Number of dust shadows.
        dust: usize = 3,
    }
}

spec! {
    /// Where the telescope points and what it sees.
    Target {
        name: String = String::new(),
        ra_deg: f64 = 0.0,
        dec_deg: f64 = 0.0,
        /// Stars in the field of view.
        stars: usize = 60,
        /// The faintest star's photons.
        faintest_e_per_s: f64 = 10.0,
        brightest_e_per_s: f64 = 3000.0,
        /// Peak of the nebula's photons in a pixel.
        nebula_e_per_s: f64 = 0.0,
    }
}

/// A row of exposures of one kind.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Run {
    pub(super) kind: Kind,
    /// Start of the first exposure, UTC.
    pub(super) start: Timestamp,
    #[serde(default = "ten")]
    pub(super) count: usize,
    #[serde(default)]
    pub(super) exposure_s: f64,
    /// From one start to the next; by default the exposure and two seconds.
    pub(super) every_s: Option<f64>,
    pub(super) filter: Option<String>,
    pub(super) target: Option<String>,
    /// Mean level of a flat as a fraction of the range, in the brightest colour.
    #[serde(default = "half")]
    pub(super) level: f64,
    /// Change of a flat's level from first to last, as a fraction: twilight.
    #[serde(default)]
    pub(super) ramp: f64,
    /// Full width at half maximum of a star: each sub's lies evenly between the two.
    #[serde(default = "seeing")]
    pub(super) seeing_px: [f64; 2],
    /// Moffat's exponent; a Gaussian without one.
    pub(super) moffat: Option<f64>,
    /// Each sub's pointing lies within this of the target, in x and in y.
    #[serde(default = "dither")]
    pub(super) dither_px: f64,
    /// The mount stands on the other side of the pier: the field is upside down.
    #[serde(default)]
    pub(super) flipped: bool,
    /// The field is turned about its centre by this angle, from columns towards rows.
    #[serde(default)]
    pub(super) turn_deg: f64,
    /// Replaces the sensor's set-point.
    pub(super) set_point_c: Option<f64>,
    /// Replaces the rotator's angle.
    pub(super) rotator_deg: Option<f64>,
    /// File name; `{kind}`, `{filter}`, `{target}`, `{exposure}`, `{start}` and `{n}` are filled in.
    #[serde(default = "pattern")]
    pub(super) name: String,
    /// Compressed with gzip.
    #[serde(default)]
    pub(super) gzip: bool,
    #[serde(default)]
    pub(super) faults: Vec<FaultAt>,
    #[serde(default)]
    pub(super) cards: BTreeMap<String, serde_yaml::Value>,
}

fn ten() -> usize {
    10
}

fn half() -> f64 {
    0.45
}

fn seeing() -> [f64; 2] {
    [2.8, 3.2]
}

fn dither() -> f64 {
    3.0
}

fn pattern() -> String {
    "{kind}_{filter}_{exposure}s_{n}.fits".to_owned()
}

/// A fault and the exposures of its run that have it, counted from 1.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FaultAt {
    pub(super) at: Vec<usize>,
    #[serde(with = "serde_yaml::with::singleton_map")]
    pub(super) fault: Fault,
}

/// What went wrong with a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Fault {
    /// Nothing.
    #[default]
    None,
    /// This fraction of the starlight comes through, and the sky is somewhat brighter.
    Clouds(f64),
    /// Guiding failed: every star is drawn along this line, in pixels.
    Streaked([f64; 2]),
    /// Guiding jumped once: every star has a fainter copy this far away, in pixels.
    Doubled([f64; 2]),
    /// The telescope points this many pixels away.
    Moved([f64; 2]),
    /// Stars are this many times as wide.
    Defocused(f64),
    /// The sky, or a flat's panel, is this many times as bright.
    Bright(f64),
    /// The dome stands in the way of this part of the frame, from its first column on: no stars,
    /// hardly any sky.
    Blocked(f64),
    /// Light comes in from one side: electrons per second at that side's edge.
    Leak(f64),
    /// The sensor is this many degrees too warm.
    Warm(f64),
    /// Something flew through: electrons along its path, per pixel of length.
    Trail(f64),
    /// Only this fraction of the data unit was written.
    Truncated(f64),
    /// The file ends after its header.
    HeaderOnly,
    /// The file has its length, but holds noise from the first byte on.
    Junk,
    /// No bytes at all.
    Empty,
}

/// A file that is no frame: a text, or a copy of a frame under another name.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Stray {
    pub(super) path: String,
    pub(super) at: Timestamp,
    pub(super) text: Option<String>,
    /// Path of the frame whose bytes it repeats.
    pub(super) copy_of: Option<String>,
}

/// True where a path stays below the folder it is joined to.
pub(super) fn stays_inside(path: &str) -> bool {
    Path::new(path)
        .components()
        .all(|part| matches!(part, std::path::Component::Normal(_)))
}
