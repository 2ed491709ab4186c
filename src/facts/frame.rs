//! A subframe as its header and path describe it.

use std::cmp::Ordering;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::sync::Arc;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Celsius, Degrees, Overscan, Seconds};

/// What a subframe is for.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Shortest exposure, no light: the pedestal.
    Bias,
    /// The flat's exposure, no light.
    FlatDark,
    /// A light's exposure, no light.
    Dark,
    /// An evenly lit field.
    Flat,
    /// The sky.
    Light,
}

impl Kind {
    /// The four kinds that masters are made of, in the order in which they depend on each other.
    pub const CALIBRATION: [Kind; 4] = [Kind::Bias, Kind::FlatDark, Kind::Dark, Kind::Flat];

    /// The word used in settings, logs and file names.
    pub fn word(self) -> &'static str {
        match self {
            Self::Bias => "bias",
            Self::FlatDark => "flat-dark",
            Self::Dark => "dark",
            Self::Flat => "flat",
            Self::Light => "light",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// A gain or offset setting as the header gives it: a plain number, compared exactly.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Setting(f64);

impl Setting {
    /// A finite number, else nothing.
    pub fn new(value: f64) -> Option<Self> {
        value.is_finite().then_some(Self(value + 0.0))
    }

    /// The bare number.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl Eq for Setting {}

impl Hash for Setting {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.0.to_bits().hash(state);
    }
}

impl PartialOrd for Setting {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Setting {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.total_cmp(&other.0)
    }
}

impl fmt::Display for Setting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// The order in which a file stores the rows of the picture. Frames of different order never mix.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum RowOrder {
    /// The header does not say.
    #[default]
    Unstated,
    /// The first row stored is the top of the picture.
    TopDown,
    /// The first row stored is the bottom of the picture.
    BottomUp,
}

impl RowOrder {
    /// The header does not say.
    pub fn is_unstated(&self) -> bool {
        *self == Self::Unstated
    }
}

/// The colour of a photosite.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Colour {
    /// Red.
    Red,
    /// Green.
    Green,
    /// Blue.
    Blue,
}

/// A 2x2 colour filter array, as it lies over the image's pixels: `colours[y % 2][x % 2]` is the
/// colour of column x of row y as stored, both counted from 0, with offsets and row order already
/// worked in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Cfa([[Colour; 2]; 2]);

impl Cfa {
    /// From a pattern word such as `RGGB`, in any letter case: first row, then second row.
    pub fn parse(word: &str) -> Option<Self> {
        let mut colours = word.trim().chars().map(|c| match c.to_ascii_uppercase() {
            'R' => Some(Colour::Red),
            'G' => Some(Colour::Green),
            'B' => Some(Colour::Blue),
            _ => None,
        });
        let mut next = || colours.next().flatten();
        let pattern = [[next()?, next()?], [next()?, next()?]];
        let flat = [pattern[0][0], pattern[0][1], pattern[1][0], pattern[1][1]];
        let count = |colour| flat.iter().filter(|&&c| c == colour).count();
        let bayer = count(Colour::Green) == 2
            && count(Colour::Red) == 1
            && (pattern[0][0] == Colour::Green) == (pattern[1][1] == Colour::Green);
        (bayer && colours.next().is_none()).then_some(Self(pattern))
    }

    /// The same array seen from an origin moved by `dx` columns and `dy` rows.
    pub fn shifted(self, dx: i64, dy: i64) -> Self {
        let at = |y: i64, x: i64| self.0[(y.rem_euclid(2)) as usize][(x.rem_euclid(2)) as usize];
        Self([
            [at(dy, dx), at(dy, dx + 1)],
            [at(dy + 1, dx), at(dy + 1, dx + 1)],
        ])
    }

    /// The array with its rows counted from the other end of an image of `height` rows.
    pub fn flipped(self, height: u64) -> Self {
        if height.is_multiple_of(2) {
            Self([self.0[1], self.0[0]])
        } else {
            self
        }
    }

    /// The colour of the photosite at column `x` of stored row `y`.
    pub fn at(self, x: usize, y: usize) -> Colour {
        self.0[y % 2][x % 2]
    }
}

impl fmt::Display for Cfa {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for colour in self.0.iter().flatten() {
            f.write_str(match colour {
                Colour::Red => "R",
                Colour::Green => "G",
                Colour::Blue => "B",
            })?;
        }
        Ok(())
    }
}

impl From<Cfa> for String {
    fn from(cfa: Cfa) -> String {
        cfa.to_string()
    }
}

impl TryFrom<String> for Cfa {
    type Error = String;

    fn try_from(word: String) -> Result<Self, String> {
        Self::parse(&word)
            .ok_or_else(|| format!("{word:?} is not one of RGGB, BGGR, GRBG and GBRG"))
    }
}

/// Everything that must be equal for two frames to have to do with each other at all: the hard
/// keys. An absent value equals only an absent value.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Camera {
    /// Camera name as the header gives it, blanks trimmed.
    pub name: Arc<str>,
    /// Image width in pixels, without overscan.
    pub width: u32,
    /// Image height in pixels, without overscan.
    pub height: u32,
    /// Binning in x and y.
    pub binning: (u32, u32),
    /// Gain setting.
    pub gain: Option<Setting>,
    /// Offset setting.
    pub offset: Option<Setting>,
    /// Readout mode's name.
    pub readout_mode: Option<Arc<str>>,
    /// Order of the stored rows.
    pub row_order: RowOrder,
    /// First column and row of the image on the sensor, unbinned pixels from 0.
    pub origin: (u32, u32),
    /// Colour filter array; none for a monochrome sensor.
    pub cfa: Option<Cfa>,
    /// What was stored around the image, where the profile names it. Its level is subtracted, so
    /// frames with and without never mix.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub overscan: Option<Overscan>,
}

impl Camera {
    /// The first hard key in which two frames differ: its name, this value, the other value.
    /// Gain, offset and readout mode are left out of the comparison where `readout` is false.
    pub fn difference(
        &self,
        other: &Self,
        readout: bool,
    ) -> Option<(&'static str, String, String)> {
        type Text = fn(&Camera) -> String;
        fn text<T: fmt::Display>(value: &Option<T>) -> String {
            value.as_ref().map_or("absent".to_owned(), T::to_string)
        }
        let stripes = |c: &Self| c.overscan.map(|overscan| overscan.stripes);
        let (a, b) = (self, other);
        let (a_size, b_size) = ((a.width, a.height), (b.width, b.height));
        let keys: [(&str, bool, Text); 10] = [
            ("camera", a.name != b.name, |c| c.name.to_string()),
            ("sensor size", a_size != b_size, |c| {
                format!("{}x{}", c.width, c.height)
            }),
            ("binning", a.binning != b.binning, |c| {
                format!("{}x{}", c.binning.0, c.binning.1)
            }),
            ("row order", a.row_order != b.row_order, |c| {
                format!("{:?}", c.row_order).to_lowercase()
            }),
            ("subframe origin", a.origin != b.origin, |c| {
                format!("{},{}", c.origin.0, c.origin.1)
            }),
            ("overscan", stripes(a) != stripes(b), |c| {
                text(&c.overscan.map(|overscan| overscan.stripes))
            }),
            ("colour filter array", a.cfa != b.cfa, |c| text(&c.cfa)),
            ("gain", readout && a.gain != b.gain, |c| text(&c.gain)),
            ("offset", readout && a.offset != b.offset, |c| {
                text(&c.offset)
            }),
            (
                "readout mode",
                readout && a.readout_mode != b.readout_mode,
                |c| text(&c.readout_mode),
            ),
        ];
        let (key, _, words) = keys.into_iter().find(|(_, differs, _)| *differs)?;
        Some((key, words(a), words(b)))
    }
}

/// The optics in front of the camera.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Optics {
    /// Telescope or lens name.
    pub telescope: Option<Arc<str>>,
    /// Focal length in millimetres.
    pub focal_length_mm: Option<Setting>,
}

/// Where the telescope pointed, in degrees of the header's own equinox.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pointing {
    /// Right ascension.
    pub ra: Degrees,
    /// Declination.
    pub dec: Degrees,
}

/// A recognised subframe. What the header does not say stays absent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Frame {
    /// What it is for.
    pub kind: Kind,
    /// The profile's name.
    pub rig: Arc<str>,
    /// The hard keys.
    pub camera: Arc<Camera>,
    /// The physical filter after aliases; `none` without one.
    pub filter: Arc<str>,
    /// Exposure time.
    pub exposure: Seconds,
    /// Measured sensor temperature.
    pub temperature: Option<Celsius>,
    /// The cooler's set-point.
    pub set_point: Option<Celsius>,
    /// Telescope and focal length.
    pub optics: Arc<Optics>,
    /// Mechanical angle of the rotator, 0 <= angle < 360.
    pub rotator: Option<Degrees>,
    /// Position angle of the field on the sky, 0 <= angle < 360.
    pub sky_angle: Option<Degrees>,
    /// Name of the target, blanks trimmed.
    pub target: Option<Arc<str>>,
    /// Start of the exposure, UTC.
    pub start: Option<Timestamp>,
    /// Where the telescope pointed.
    pub pointing: Option<Pointing>,
    /// Pixel size after binning, micrometres.
    pub pixel_um: Option<f64>,
    /// Electrons per ADU as the header states them.
    pub electrons_per_adu: Option<f64>,
    /// What is odd about it without being wrong enough to refuse it, as sentences.
    pub remarks: Vec<String>,
}

impl Frame {
    /// The temperature to match by: measured where it was, else the set-point.
    pub fn felt_temperature(&self) -> Option<Celsius> {
        self.temperature.or(self.set_point)
    }
}

/// True for the word that stands for having no filter.
pub fn filter_is_none(filter: &str) -> bool {
    filter == "none"
}
