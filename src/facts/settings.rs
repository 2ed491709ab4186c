//! Checked settings of one daemon: the site, the folders, the profiles.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Profile;

/// Where the observatory stands.
#[derive(Clone, Debug)]
pub struct Site {
    /// Its name.
    pub name: String,
    /// North positive, -90 to 90.
    pub latitude_deg: f64,
    /// East positive, -180 to 180.
    pub longitude_deg: f64,
    /// Above sea level.
    pub elevation_m: f64,
    /// For times shown to people; products never depend on it.
    pub time_zone: TimeZone,
}

impl Site {
    /// The night that a moment belongs to: named by its evening date, from mean solar noon to
    /// mean solar noon, which is 12 h minus one hour for every 15 degrees of east longitude, UTC.
    pub fn night_of(&self, moment: Timestamp) -> Date {
        let shifted = moment
            .saturating_sub(self.noon_offset())
            .unwrap_or(moment)
            .to_zoned_datetime(TimeZone::UTC);
        shifted.date()
    }

    /// The night that a moment belongs to, counted from that of 1970-01-01: the difference of two is
    /// that of their dates.
    pub fn night_number(&self, moment: Timestamp) -> i32 {
        let noon = self.noon_offset();
        // Before 1970 fractions of a second are negative.
        let fraction = moment.subsec_nanosecond() - noon.subsec_nanos();
        let whole = i64::from(fraction.div_euclid(1_000_000_000));
        let second = moment.as_second() - noon.as_secs() + whole;
        // Timestamps end within the year 9999: 3 million days.
        i32::try_from(second.div_euclid(86_400)).unwrap_or(i32::MAX)
    }

    /// The mean solar noon at which a night begins.
    pub fn noon_of(&self, night: Date) -> Timestamp {
        night
            .to_zoned_datetime(TimeZone::UTC)
            .map_or(Timestamp::MIN, |zoned| zoned.timestamp())
            .saturating_add(self.noon_offset())
            .unwrap_or(Timestamp::MIN)
    }

    fn noon_offset(&self) -> SignedDuration {
        SignedDuration::from_secs_f64((12.0 - self.longitude_deg / 15.0) * 3600.0)
    }
}

/// How a watch folder is followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WatchMode {
    /// Native events hasten the scans; what others may change without an event is scanned every minute.
    Events,
    /// Only scans, at this interval.
    Polling(Duration),
}

/// One folder that capture software writes to.
#[derive(Clone, Debug)]
pub struct WatchFolder {
    /// Its name in logs: its last path part unless the settings name it. Unique.
    pub name: Arc<str>,
    /// Absolute path.
    pub path: PathBuf,
    /// How it is followed.
    pub mode: WatchMode,
    /// Names (globs on the path in the folder) that are left alone.
    pub ignore: Vec<String>,
}

/// When a night closes.
#[derive(Clone, Copy, Debug)]
pub struct Close {
    /// The Sun must stand higher than this, degrees.
    pub sun_altitude_deg: f64,
    /// The folders must have been quiet for this long.
    pub quiet: Duration,
    /// A local time at which the night closes whatever the Sun does.
    pub at: Option<Time>,
}

/// When a command of the user's own is run.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Occasion {
    /// A night's log was closed.
    NightClosed,
    /// It is dark, frames were coming, and now there are none.
    Stalled,
    /// A product could not be made, the disk or a watch folder cannot be used.
    Failed,
    /// The disk or a watch folder that failed works again.
    Recovered,
    /// Too little room is left on a disk.
    DiskLow,
}

impl Occasion {
    /// Its word in settings and events.
    pub fn word(self) -> &'static str {
        match self {
            Self::NightClosed => "night-closed",
            Self::Stalled => "stalled",
            Self::Failed => "failed",
            Self::Recovered => "recovered",
            Self::DiskLow => "disk-low",
        }
    }
}

/// A command of the user's own.
#[derive(Clone, Debug, PartialEq)]
pub struct Hook {
    /// On which occasions it is run; not empty.
    pub when: Vec<Occasion>,
    /// The program. Absolute.
    pub program: PathBuf,
    /// Its arguments, handed over as they are: there is no shell.
    pub arguments: Vec<String>,
    /// It is killed when it runs for longer.
    pub timeout: Duration,
}

/// What is worth telling at once, and whom.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarms {
    /// Commands to run.
    pub hooks: Vec<Hook>,
    /// In the dark no frame for so long beyond the last one's exposure means that capture has
    /// stalled.
    pub stalled: Duration,
    /// Less free space than this is low, bytes.
    pub disk_low: u64,
}

impl Default for Alarms {
    fn default() -> Self {
        Self {
            hooks: Vec::new(),
            stalled: Duration::from_secs(1800),
            disk_low: 20_000_000_000,
        }
    }
}

/// Everything the daemon needs to know, checked.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The observatory.
    pub site: Site,
    /// At least one; they do not overlap with each other, the output or the state.
    pub watch: Vec<WatchFolder>,
    /// Where products go. Absolute.
    pub output: PathBuf,
    /// Where the catalogue lives. Absolute.
    pub state: PathBuf,
    /// One per rig, names unique.
    pub profiles: Vec<Arc<Profile>>,
    /// Size and times unchanged for this long means: its writer is done.
    pub settle: Duration,
    /// Interval of the scans that back up native events.
    pub scan_interval: Duration,
    /// When a night closes.
    pub close: Close,
    /// Memory for pixels, bytes.
    pub memory_budget: u64,
    /// Threads for pixels and for planning; 0 means one per core.
    pub threads: usize,
    /// What is worth telling at once, and whom.
    pub alarms: Alarms,
}

impl Settings {
    /// The watch folder of this name.
    pub fn folder(&self, name: &str) -> Option<&WatchFolder> {
        self.watch.iter().find(|folder| *folder.name == *name)
    }

    /// The profile of this name.
    pub fn profile(&self, name: &str) -> Option<&Profile> {
        let mut profiles = self.profiles.iter();
        profiles
            .find(|profile| profile.name == name)
            .map(Arc::as_ref)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    #[test]
    fn nights_are_counted_as_their_dates_are() {
        for longitude_deg in [-179.9, -4.4, 0.0, 73.1, 180.0] {
            let site = Site {
                name: "Skarn Hill".to_owned(),
                latitude_deg: 57.3,
                longitude_deg,
                elevation_m: 310.0,
                time_zone: TimeZone::UTC,
            };
            let epoch: Date = "1970-01-01".parse().unwrap();
            let noon = site.noon_of(epoch);
            assert_eq!(site.night_number(noon), 0);
            for hour in -1000..1000 {
                let moment = noon + SignedDuration::from_millis(3_600_000 * hour * 97 - 1);
                let days = moment.duration_since(noon);
                let number = site.night_number(moment);
                assert_eq!(
                    i64::from(number),
                    days.as_millis().div_euclid(86_400_000) as i64
                );
                let since = site.night_of(moment).since(epoch).unwrap();
                assert_eq!(number, since.get_days());
            }
        }
    }
}
