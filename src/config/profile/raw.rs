//! A profile as it is typed. What is written here is also what editors show: the schema is derived
//! from it, comments included.
//!
//! Ranges and defaults stand here for the schema and in the checks for the program;
//! `config/tests/agreement.rs` goes through every key of the schema and holds the two together.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

use crate::config::combining::RawSensor;
use crate::config::overscan::RawOverscan;
use crate::config::passbands::RawPassbands;
use crate::config::products::RawProducts;
use crate::config::rules::RawRules;
use crate::config::schema::{DATE, KEYWORD, RIG, SAID, array, facts, one_or_more, stated};
use crate::config::supplied::RawSupplied;
use crate::config::text::Text;
use crate::config::verdict::RawVerdict;
use crate::config::words::{OneOrMore, RawPath, Stated};
use crate::facts::Kind;

/// What one camera rig needs.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping of a profile's keys")]
#[schemars(title = "A camera rig's profile for Dawnledger")]
pub(in crate::config) struct RawProfile {
    /// The rig's name: lower-case letters, digits and inner hyphens; it becomes a folder name.
    #[schemars(regex(pattern = RIG))]
    pub(super) name: Text,
    /// The camera's name as headers give it, or a list of names; * and ? are allowed.
    pub(super) camera: OneOrMore,
    /// The telescope's name as headers give it, where two rigs have the same camera; * and ? are allowed.
    #[schemars(regex(pattern = SAID))]
    pub(super) telescope: Option<Text>,
    /// Which masters are wanted, and how they are made.
    pub(super) calibration: RawRules,
    /// How far matched values may lie apart.
    pub(super) tolerance: Option<RawTolerance>,
    /// How many nights a master may be older or younger than the light it serves.
    pub(super) windows: Option<RawWindows>,
    /// Names of filters found in headers, and the physical filter that each means.
    #[schemars(with = "Option<BTreeMap<String, String>>")]
    #[schemars(extend("additionalProperties" = stated()))]
    pub(super) filters: Option<BTreeMap<String, Stated>>,
    /// Filters that pass single spectral lines, and the photosites of a colour sensor those reach.
    pub(super) passbands: Option<BTreeMap<String, RawPassbands>>,
    /// Words for a frame's kind found in headers, and the kind that each means.
    pub(super) kinds: Option<BTreeMap<String, Kind>>,
    /// Facts, and the header keywords of your own to look at first for each.
    #[schemars(extend("propertyNames" = facts(), "additionalProperties" = one_or_more(KEYWORD)))]
    pub(super) keywords: Option<BTreeMap<String, OneOrMore>>,
    /// Facts read from paths, for files whose headers say too little.
    pub(super) paths: Option<Vec<RawPath>>,
    /// What the header's gain keyword holds; by default the camera's setting.
    pub(super) gain_keyword: Option<RawGain>,
    /// The colour filter array as it lies over the stored pixels, mono, or what the header says.
    #[schemars(schema_with = "array", default)]
    pub(super) cfa: Option<Text>,
    /// Columns or rows of the stored frame that see no light; none by default.
    pub(super) overscan: Option<RawOverscan>,
    /// ADU at which a pixel is saturated, unless the pixels' format ends or samples pile up below it.
    #[schemars(range(min = 1, max = 4294967295_u32))]
    pub(super) saturation_adu: Option<f64>,
    /// What a usable flat is, and the mean of a master flat.
    pub(super) flat: Option<RawFlat>,
    /// Seconds: a bias frame that is longer is left out.
    #[schemars(range(min = 0, max = 60), extend("default" = 0.5))]
    pub(super) bias_max_s: Option<f64>,
    /// Focus and centring shots that call themselves lights: shorter than both limits.
    pub(super) short_shots: Option<RawShortShots>,
    /// The sensor's noise at the gain in use, without that of rounding.
    pub(super) sensor: Option<RawSensor>,
    /// What calibrated lights hold.
    pub(super) products: Option<RawProducts>,
    /// When a light is set aside.
    pub(super) verdict: Option<RawVerdict>,
    /// Evenings, such as 2026-08-20, from which the optical train is another: flats never cross one.
    #[schemars(inner(regex(pattern = DATE)), extend("uniqueItems" = true))]
    pub(super) train_changes: Option<Vec<Text>>,
    /// Masters that you have already, used where none made here fits.
    pub(super) supplied: Option<Vec<RawSupplied>>,
}

/// How far matched values may lie apart.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping of tolerances")]
#[schemars(rename = "Tolerance")]
pub(super) struct RawTolerance {
    /// Degrees Celsius.
    #[schemars(range(min = 0, max = 20), extend("default" = 1))]
    pub(super) temperature_c: Option<f64>,
    /// Fraction of the exposure.
    #[schemars(range(min = 0, max = 0.5), extend("default" = 0.02))]
    pub(super) exposure_fraction: Option<f64>,
    /// Fraction of the flat's exposure, for flat-darks.
    #[schemars(range(min = 0, max = 0.5), extend("default" = 0.1))]
    pub(super) flat_dark_exposure_fraction: Option<f64>,
    /// Degrees of the mechanical rotator.
    #[schemars(range(min = 0, max = 45), extend("default" = 2))]
    pub(super) rotator_deg: Option<f64>,
}

/// How many nights a master may be older or younger than the light it serves.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping of nights")]
#[schemars(rename = "Windows")]
pub(super) struct RawWindows {
    /// Nights that flats may be older.
    #[schemars(range(min = 0, max = 3660), extend("default" = 14))]
    pub(super) flat_before_nights: Option<i64>,
    /// Nights that flats may be younger.
    #[schemars(range(min = 0, max = 3660), extend("default" = 3))]
    pub(super) flat_after_nights: Option<i64>,
    /// Nights that bias, darks and flat-darks may be older.
    #[schemars(range(min = 0, max = 3660), extend("default" = 180))]
    pub(super) library_before_nights: Option<i64>,
    /// Nights that bias, darks and flat-darks may be younger.
    #[schemars(range(min = 0, max = 3660), extend("default" = 7))]
    pub(super) library_after_nights: Option<i64>,
}

/// What the header's gain keyword holds.
#[derive(Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "GainKeyword")]
pub(super) enum RawGain {
    /// The camera's own setting.
    Setting,
    /// Electrons per ADU.
    ElectronsPerAdu,
}

/// What a usable flat is, and the mean of a master flat.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with level, min_fraction or max_fraction"
)]
#[schemars(rename = "Flat")]
pub(super) struct RawFlat {
    /// What has mean 1 in a master flat; by default each colour.
    pub(super) level: Option<RawLevel>,
    /// A usable flat's level as a fraction of saturation, at least; below `max_fraction`.
    #[schemars(range(min = 0, max = 1), extend("default" = 0.15))]
    pub(super) min_fraction: Option<f64>,
    /// A usable flat's level as a fraction of saturation, at most.
    #[schemars(range(min = 0, max = 1), extend("default" = 0.7))]
    pub(super) max_fraction: Option<f64>,
}

/// What has mean 1 in a master flat.
#[derive(Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "FlatLevel")]
pub(super) enum RawLevel {
    /// Each colour by itself, so that calibrating leaves the colour balance alone.
    PerColour,
    /// All pixels together.
    Common,
}

/// Focus and centring shots that call themselves lights.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with under_s or under_fraction"
)]
#[schemars(rename = "ShortShots")]
pub(super) struct RawShortShots {
    /// Seconds: shorter than this, and
    #[schemars(range(min = 0, max = 3600), extend("default" = 15))]
    pub(super) under_s: Option<f64>,
    /// shorter than this fraction of the night's usual exposure.
    #[schemars(range(min = 0, max = 1), extend("default" = 0.25))]
    pub(super) under_fraction: Option<f64>,
}
