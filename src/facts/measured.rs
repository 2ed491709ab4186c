//! What the pixels of a calibrated light say, and how it stands among its kind.
//!
//! [`Measured`] is a function of one product's bytes alone and is kept in the catalogue. [`Judged`]
//! also depends on the other lights of its group; it is worked out whenever a log is written and
//! kept nowhere.

use serde::{Deserialize, Serialize};

use super::Colour;

/// A star in one light. Positions count from the centre of the first stored pixel, in full pixels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Star {
    /// Column.
    pub x: f32,
    /// Row.
    pub y: f32,
    /// Flux above the background, ADU.
    pub flux: f32,
}

/// The width and shape of the stars of a frame or of a part of it: medians over its well exposed
/// stars.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// How many stars were measured.
    pub stars: u32,
    /// Full width at half maximum of the fitted Moffat, geometric mean of both axes, pixels.
    pub fwhm_px: f32,
    /// Diameter of the circle that holds half of a star's flux, pixels.
    pub half_flux_px: f32,
    /// Long axis over short axis.
    pub elongation: f32,
    /// Direction of the long axes' mean, degrees from the columns' axis towards the rows', 0 to 180.
    pub angle_deg: f32,
}

/// What all stars of a light have where the mount jumped during the exposure: a second image.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SecondImage {
    /// How far it lies from the first, pixels.
    pub apart_px: f32,
    /// The fainter one's part of the flux of both.
    pub share: f32,
}

/// The stars of a light.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stars {
    /// Stars above the threshold.
    pub count: u32,
    /// Over the whole frame; none where too few are well exposed.
    pub shape: Option<Shape>,
    /// Robust standard deviation of the full widths from star to star, pixels.
    pub fwhm_spread_px: f32,
    /// The same of their elongations.
    #[serde(default)]
    pub elongation_spread: f32,
    /// Where every star stands twice.
    #[serde(default)]
    pub second_image: Option<SecondImage>,
    /// Three rows of three zones each, the first stored row first.
    pub zones: [Option<Shape>; 9],
    /// The brightest ones that are neither saturated nor at an edge, by flux.
    pub brightest: Vec<Star>,
}

/// A straight trail of a satellite or an aircraft.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trail {
    /// Its visible length, pixels.
    pub length_px: f32,
    /// Its direction, degrees from the columns' axis towards the rows', 0 to 180.
    pub angle_deg: f32,
}

/// Sky level of one colour of a colour sensor, ADU.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ColourSky {
    /// Which photosites.
    pub colour: Colour,
    /// Background level, ADU.
    pub level_adu: f64,
    /// Noise from photosite to photosite, ADU.
    pub noise_adu: f64,
}

/// The channel line: the level of a colour as a straight line over that of green, fitted
/// orthogonally and robustly over background and stars.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelLine {
    /// Red or blue.
    pub colour: Colour,
    /// ADU of the colour per ADU of green.
    pub slope: f64,
    /// Level of the colour where green is 0, ADU.
    pub intercept_adu: f64,
}

/// How well a master fits a light: the slope of what is left in the light over the master's own
/// structure. 0 fits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// What is left, in parts of the master's structure.
    pub slope: f64,
    /// Its standard error.
    pub error: f64,
}

/// A dust shadow of the flat that a light does not have: the flat brightens it there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MovedShadow {
    /// Where it was: its middle in pixels from that of the first stored one, column then row.
    pub from: (f64, f64),
    /// Its depth, in parts of the flat's level around it.
    pub depth: f64,
    /// How much of it the flat over-corrects, 1 for all.
    pub part: f64,
    /// Standard error of that.
    pub part_error: f64,
    /// Where the light has a shadow of such a size that the flat lacks.
    pub to: Option<(f64, f64)>,
}

/// What was measured on one calibrated light. Every number is finite.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Background level, ADU; of a colour sensor on its green photosites. So for all that follows.
    pub background_adu: f64,
    /// Noise from pixel to pixel, ADU.
    pub noise_adu: f64,
    /// Steepest change of the background across the whole frame, ADU.
    pub gradient_adu: f64,
    /// The stars.
    pub stars: Stars,
    /// Trails found.
    pub trails: Vec<Trail>,
    /// Sky by colour; empty for a monochrome sensor.
    pub sky: Vec<ColourSky>,
    /// Red's and blue's channel lines; empty for a monochrome sensor.
    pub lines: Vec<ChannelLine>,
    /// How its flat fits.
    pub flat_fit: Option<Fit>,
    /// How its dark fits.
    pub dark_fit: Option<Fit>,
    /// Dust shadows of its flat that it does not have.
    #[serde(default)]
    pub moved: Vec<MovedShadow>,
}

/// Why a light is set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SetAside {
    /// Stars are drawn out.
    Trailed,
    /// Stars are too faint.
    Clouds,
    /// Stars are too wide.
    Defocused,
    /// The sky is too bright.
    BrightSky,
    /// Too few stars.
    FewStars,
    /// The field is another.
    OffTarget,
}

impl SetAside {
    /// As a person would say it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Trailed => "trailed",
            Self::Clouds => "clouds",
            Self::Defocused => "defocused",
            Self::BrightSky => "bright sky",
            Self::FewStars => "few stars",
            Self::OffTarget => "off target",
        }
    }

    /// What the rule usually looks at, and the unit of its value and limit with the blank before it.
    fn measure(self) -> (&'static str, &'static str) {
        match self {
            Self::Trailed => ("elongation", ""),
            Self::Clouds => ("transparency", ""),
            Self::Defocused => ("FWHM", " px"),
            Self::BrightSky => ("background", " ADU"),
            Self::FewStars => ("stars", ""),
            Self::OffTarget => ("shift", " of the side"),
        }
    }
}

/// What a finding's value and limit are of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gauge {
    /// What the rule usually looks at.
    #[default]
    Usual,
    /// The stars of a light of which none of the others has any: how far it points off is not known.
    UnmatchedStars,
}

impl Gauge {
    fn is_usual(&self) -> bool {
        *self == Self::Usual
    }
}

/// One rule that a light fails.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Which rule.
    pub reason: SetAside,
    /// What was measured, in the rule's own unit.
    pub value: f64,
    /// What the rule allows.
    pub limit: f64,
    /// How many robust standard deviations of its group it lies from the group's median; absent
    /// in a group too small to tell, and where stars are counted that match none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub beyond_sd: Option<f64>,
    /// What value and limit are of; absent where it is what the rule usually looks at.
    #[serde(default, skip_serializing_if = "Gauge::is_usual")]
    pub gauge: Gauge,
}

impl Finding {
    /// What was looked at, and the unit of value and limit with the blank before it.
    pub fn measure(&self) -> (&'static str, &'static str) {
        match self.gauge {
            Gauge::Usual => self.reason.measure(),
            Gauge::UnmatchedStars => ("stars that match none of the group's:", ""),
        }
    }
}

/// A light beside its group's reference light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Relative {
    /// Flux of the same stars over that in the group's best lights, corrected for air mass.
    pub transparency: f64,
    /// Shift of the field's centre, pixels along columns and rows of the reference.
    pub shift_px: (f64, f64),
    /// Rotation of the field, degrees, -180 to 180: near 180 after a meridian flip.
    pub rotation_deg: f64,
    /// Scale over that of the reference.
    pub scale: f64,
}

/// How a light stands among its group.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judged {
    /// Every rule it fails; none: it is kept.
    pub findings: Vec<Finding>,
    /// Where its stars could be matched with the reference's.
    pub relative: Option<Relative>,
}
