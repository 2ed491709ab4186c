//! The settings as they are typed. What is written here is also what editors show: the schema is
//! derived from it, comments included.
//!
//! Ranges and defaults stand here for the schema and in the checks for the program;
//! `config/tests/agreement.rs` goes through every key of the schema and holds the two together.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::config::alarms::RawHook;
use crate::config::schema::{HOUR, NAME, PATH, SAID};
use crate::config::text::Text;

/// Settings of one observatory.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping of settings")]
#[schemars(title = "Settings of Dawnledger")]
pub(in crate::config) struct RawSettings {
    /// Where the observatory stands.
    pub(super) site: RawSite,
    /// The folders that the capture software writes to. Nothing in them is ever changed.
    #[schemars(length(min = 1))]
    pub(super) watch: Vec<RawWatch>,
    /// The folder for products. It lies neither inside a watch folder nor around one.
    #[schemars(regex(pattern = PATH))]
    pub(super) output: Text,
    /// The folder for the catalogue, on a local disk; apart from `output` and the watch folders.
    #[schemars(regex(pattern = PATH))]
    pub(super) state: Text,
    /// Profile files, one for each camera rig. The first whose `camera` fits a header is taken.
    #[schemars(length(min = 1), inner(regex(pattern = PATH)))]
    #[schemars(extend("uniqueItems" = true))]
    pub(super) profiles: Vec<Text>,
    /// Seconds: a file is done when its size and times stood still for so long.
    #[schemars(range(min = 0.5, max = 3600), extend("default" = 5))]
    pub(super) settle_s: Option<f64>,
    /// Seconds: folders are scanned at least this often, whatever was reported.
    #[schemars(range(min = 1, max = 86400), extend("default" = 1800))]
    pub(super) scan_interval_s: Option<f64>,
    /// When the night closes and what is missing is written up.
    pub(super) close: Option<RawClose>,
    /// MiB of memory for pixels while masters are combined.
    #[schemars(range(min = 64, max = 1048576), extend("default" = 256))]
    pub(super) memory_mib: Option<u64>,
    /// Threads for pixels and for planning; 0 means one per core.
    #[schemars(range(min = 0, max = 1024), extend("default" = 0))]
    pub(super) threads: Option<usize>,
    /// Commands that are run when something is worth telling at once.
    pub(super) hooks: Option<Vec<RawHook>>,
    /// Minutes without a frame in the dark, beyond the last one's exposure, that count as stalled.
    #[schemars(range(min = 1, max = 1440), extend("default" = 30))]
    pub(super) stalled_minutes: Option<f64>,
    /// Gigabytes: less free space than this, for products or the catalogue, is low.
    #[schemars(range(min = 0, max = 1e6), extend("default" = 20))]
    pub(super) disk_low_gb: Option<f64>,
}

/// Where the observatory stands.
#[derive(Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with name, latitude_deg and longitude_deg"
)]
#[schemars(rename = "Site")]
pub(super) struct RawSite {
    /// Its name, as logs and pages show it.
    #[schemars(regex(pattern = SAID))]
    pub(super) name: Text,
    /// Degrees, north positive.
    #[schemars(range(min = -90, max = 90))]
    pub(super) latitude_deg: f64,
    /// Degrees, east positive. It decides when a night begins: at mean solar noon.
    #[schemars(range(min = -180, max = 180))]
    pub(super) longitude_deg: f64,
    /// Metres above sea level.
    #[schemars(range(min = -500, max = 9000), extend("default" = 0))]
    pub(super) elevation_m: Option<f64>,
    /// Zone of the time zone database, such as Europe/London, for times shown to people.
    #[schemars(regex(pattern = SAID), extend("default" = "UTC"))]
    pub(super) time_zone: Option<Text>,
}

/// A folder that the capture software writes to.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with a path")]
#[schemars(rename = "WatchFolder")]
pub(super) struct RawWatch {
    /// The folder; a relative path counts from the settings file.
    #[schemars(regex(pattern = PATH))]
    pub(super) path: Text,
    /// Its name in logs, without slashes; by default the path's last part.
    #[schemars(regex(pattern = NAME))]
    pub(super) name: Option<Text>,
    /// Seconds between two looks, without events. Left out: events, and a scan every `scan_interval_s`; of
    /// network shares, which do not tell what others change, every minute.
    #[schemars(range(min = 1, max = 86400))]
    pub(super) poll_s: Option<f64>,
    /// Patterns of files to leave out. One without a slash fits the file's name in any folder;
    /// * stays within a folder, ** crosses folders.
    #[schemars(inner(length(min = 1)))]
    pub(super) ignore: Option<Vec<Text>>,
}

/// When the night closes.
#[derive(Default, Deserialize, JsonSchema)]
#[serde(
    deny_unknown_fields,
    expecting = "a mapping with sun_altitude_deg, quiet_minutes or at"
)]
#[schemars(rename = "Close")]
pub(super) struct RawClose {
    /// Degrees: the Sun stands higher than this, and the folders are quiet.
    #[schemars(range(min = -18, max = 60), extend("default" = 10))]
    pub(super) sun_altitude_deg: Option<f64>,
    /// Minutes: the folders are quiet when nothing has arrived for so long.
    #[schemars(range(min = 0, max = 1440), extend("default" = 60))]
    pub(super) quiet_minutes: Option<f64>,
    /// Or at this local time, such as "11:00", whatever the Sun does; off by default.
    #[schemars(regex(pattern = HOUR))]
    pub(super) at: Option<Text>,
}
