//! The settings file: the site, the folders, the profiles.
//!
//! Paths are made absolute where the settings file's own path is, without asking the disk, so
//! overlaps are found as written; the caller looks again behind symbolic links.

mod raw;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::civil::Time;
use jiff::tz::{TimeZone, TimeZoneDatabase};

use crate::facts::{Alarms, Close, Profile, Settings, Site, WatchFolder, WatchMode};
use crate::frame::{name_matches, path_glob};

use super::ConfigError;
use super::alarms::{disk_low, hooks, stalled};
use super::bounds::{duration, path, said, seconds, within};
use super::text::{Fault, Step, Text, read, steps};

pub(super) use raw::RawSettings;
use raw::{RawClose, RawSite, RawWatch};

/// Settings that are sound by themselves and still lack their profiles.
#[derive(Clone, Debug)]
pub struct SettingsDraft {
    /// For complaints that only come up with the profiles.
    text: String,
    file: PathBuf,
    settings: Settings,
    profile_paths: Vec<PathBuf>,
}

impl SettingsDraft {
    /// The profile files to read, in order, relative ones counted from the settings file's folder.
    pub fn profile_paths(&self) -> &[PathBuf] {
        &self.profile_paths
    }

    /// Joins the profiles, given in the order of [`SettingsDraft::profile_paths`].
    ///
    /// # Errors
    /// Two profiles of one name, or a profile that can never be chosen since an earlier one takes
    /// all of its cameras.
    pub fn complete(self, profiles: Vec<(PathBuf, Profile)>) -> Result<Settings, ConfigError> {
        let complain = |index: usize, message: String| {
            Fault::new(&steps!["profiles", index], message).locate(&self.text, &self.file)
        };
        for (index, (path, profile)) in profiles.iter().enumerate() {
            for (earlier_path, earlier) in &profiles[..index] {
                if earlier.name == profile.name {
                    return Err(complain(
                        index,
                        format!(
                            "{} and {} are both named {:?}, want a name for each",
                            earlier_path.display(),
                            path.display(),
                            profile.name
                        ),
                    ));
                }
                let shadowed = earlier.telescope.is_none()
                    && profile
                        .cameras
                        .iter()
                        .all(|camera| earlier.cameras.iter().any(|glob| covers(glob, camera)));
                if shadowed {
                    return Err(complain(
                        index,
                        format!(
                            "{:?} can never be chosen, since {:?} before it takes its cameras: \
                             want `telescope` in both, or the narrower one first",
                            profile.name, earlier.name
                        ),
                    ));
                }
            }
        }
        let mut settings = self.settings;
        settings.profiles = profiles
            .into_iter()
            .map(|(_, profile)| Arc::new(profile))
            .collect();
        Ok(settings)
    }
}

/// True where every name that fits `pattern` fits `glob` as well, as far as that is plain to see.
fn covers(glob: &str, pattern: &str) -> bool {
    let literal = !pattern.contains(['*', '?']);
    let equal = glob.trim().to_lowercase() == pattern.trim().to_lowercase();
    equal || glob.trim() == "*" || literal && name_matches(glob, pattern)
}

pub(super) fn parse(text: &str, file: &Path) -> Result<SettingsDraft, ConfigError> {
    let raw: RawSettings = read(text, file)?;
    let folder = file.parent().unwrap_or(Path::new(""));
    let (settings, profile_paths) = check(raw, folder).map_err(|fault| fault.locate(text, file))?;
    Ok(SettingsDraft {
        text: text.to_owned(),
        file: file.to_owned(),
        settings,
        profile_paths,
    })
}

fn check(raw: RawSettings, folder: &Path) -> Result<(Settings, Vec<PathBuf>), Fault> {
    let site = site(raw.site)?;
    let watch = watch(raw.watch, folder)?;
    let output = path(&raw.output, folder, &steps!["output"])?;
    let state = path(&raw.state, folder, &steps!["state"])?;
    no_overlap(&watch, &output, &state)?;
    let profile_paths = profile_paths(&raw.profiles, folder)?;
    let settle = seconds(raw.settle_s, 5.0, (0.5, 3600.0), &steps!["settle_s"])?;
    let at = steps!["scan_interval_s"];
    let scan_interval = seconds(raw.scan_interval_s, 1800.0, (1.0, 86_400.0), &at)?;
    let close = close(raw.close.unwrap_or_default())?;
    let memory_mib = raw.memory_mib.unwrap_or(256);
    if !(64..=1_048_576).contains(&memory_mib) {
        return Err(Fault::new(
            &steps!["memory_mib"],
            format!("found {memory_mib}, want 64 to 1048576 MiB"),
        ));
    }
    let threads = raw.threads.unwrap_or(0);
    if threads > 1024 {
        return Err(Fault::new(
            &steps!["threads"],
            format!("found {threads}, want 0 (one per core) to 1024"),
        ));
    }
    let settings = Settings {
        site,
        watch,
        output,
        state,
        profiles: Vec::new(),
        settle,
        scan_interval,
        close,
        memory_budget: memory_mib * 1024 * 1024,
        threads,
        alarms: Alarms {
            hooks: hooks(raw.hooks.unwrap_or_default(), folder)?,
            stalled: stalled(raw.stalled_minutes)?,
            disk_low: disk_low(raw.disk_low_gb)?,
        },
    };
    Ok((settings, profile_paths))
}

fn site(raw: RawSite) -> Result<Site, Fault> {
    let at = |key: &str| steps!["site", key];
    let elevation = raw.elevation_m.unwrap_or(0.0);
    Ok(Site {
        name: said(&raw.name, "a name", &at("name"))?.to_owned(),
        latitude_deg: within(
            raw.latitude_deg,
            (-90.0, 90.0),
            "degrees",
            &at("latitude_deg"),
        )?,
        longitude_deg: within(
            raw.longitude_deg,
            (-180.0, 180.0),
            "degrees, east positive",
            &at("longitude_deg"),
        )?,
        elevation_m: within(elevation, (-500.0, 9000.0), "metres", &at("elevation_m"))?,
        time_zone: match &raw.time_zone {
            None => TimeZone::UTC,
            Some(name) => time_zone(name, &at("time_zone"))?,
        },
    })
}

fn time_zone(name: &str, at: &[Step]) -> Result<TimeZone, Fault> {
    // Bundled, so that a name means the same on every computer.
    TimeZoneDatabase::bundled().get(name.trim()).map_err(|_| {
        Fault::new(
            at,
            format!("found {name:?}, want a zone of the time zone database, such as Europe/London or UTC"),
        )
    })
}

fn watch(raw: Vec<RawWatch>, folder: &Path) -> Result<Vec<WatchFolder>, Fault> {
    if raw.is_empty() {
        return Err(Fault::new(
            &steps!["watch"],
            "found an empty list, want at least one folder to watch",
        ));
    }
    let mut folders: Vec<WatchFolder> = Vec::new();
    for (index, raw) in raw.into_iter().enumerate() {
        let at = |key: &str| steps!["watch", index, key];
        let path = path(&raw.path, folder, &at("path"))?;
        let name = match (&raw.name, path.file_name()) {
            (Some(name), _) => said(name, "a name", &at("name"))?.to_owned(),
            (None, Some(last)) => last.to_string_lossy().into_owned(),
            (None, None) => {
                return Err(Fault::new(
                    &at("path"),
                    format!(
                        "found {:?}, which has no last part: want `name` beside it",
                        raw.path
                    ),
                ));
            }
        };
        if name.contains('/') || name.chars().any(char::is_control) {
            return Err(Fault::new(
                &at("name"),
                format!("found {name:?}, want a name without slashes"),
            ));
        }
        if let Some(earlier) = folders.iter().position(|other| *other.name == *name) {
            let key = if raw.name.is_some() { "name" } else { "path" };
            return Err(Fault::new(
                &at(key),
                format!(
                    "watch folder {} is named {name:?} too, want a `name` of its own for each",
                    earlier + 1
                ),
            ));
        }
        let ignore = raw.ignore.unwrap_or_default();
        for (place, glob) in ignore.iter().enumerate() {
            path_glob(glob).map_err(|problem| {
                Fault::new(
                    &steps!["watch", index, "ignore", place],
                    format!("found {glob:?}, want a pattern on a path: {problem}"),
                )
            })?;
        }
        let mode = match raw.poll_s {
            None => WatchMode::Events,
            Some(_) => {
                WatchMode::Polling(seconds(raw.poll_s, 0.0, (1.0, 86_400.0), &at("poll_s"))?)
            }
        };
        folders.push(WatchFolder {
            name: Arc::from(name),
            path,
            mode,
            ignore: ignore.iter().map(|glob| glob.to_string()).collect(),
        });
    }
    Ok(folders)
}

/// Folders that lie within each other would make products look like raw files, or raw files like
/// products.
fn no_overlap(watch: &[WatchFolder], output: &Path, state: &Path) -> Result<(), Fault> {
    let mut places: Vec<(String, &Path, Vec<Step>)> = watch
        .iter()
        .enumerate()
        .map(|(index, folder)| {
            let name = format!("watch folder {:?}", folder.name);
            (
                name,
                folder.path.as_path(),
                steps!["watch", index, "path"].to_vec(),
            )
        })
        .collect();
    places.push(("output".to_owned(), output, steps!["output"].to_vec()));
    places.push(("state".to_owned(), state, steps!["state"].to_vec()));
    for (index, (name, path, at)) in places.iter().enumerate() {
        for (earlier, other, _) in &places[..index] {
            if path.starts_with(other) || other.starts_with(path) {
                return Err(Fault::new(
                    at,
                    format!(
                        "{name} at {} overlaps with {earlier} at {}, want folders apart",
                        path.display(),
                        other.display()
                    ),
                ));
            }
        }
    }
    Ok(())
}

fn profile_paths(raw: &[Text], folder: &Path) -> Result<Vec<PathBuf>, Fault> {
    if raw.is_empty() {
        return Err(Fault::new(
            &steps!["profiles"],
            "found an empty list, want at least one profile file",
        ));
    }
    let mut paths = Vec::new();
    for (index, text) in raw.iter().enumerate() {
        let at = steps!["profiles", index];
        let path = path(text, folder, &at)?;
        if paths.contains(&path) {
            return Err(Fault::new(
                &at,
                format!("{} stands here a second time, want it once", path.display()),
            ));
        }
        paths.push(path);
    }
    Ok(paths)
}

fn close(raw: RawClose) -> Result<Close, Fault> {
    let at = |key: &str| steps!["close", key];
    let altitude = raw.sun_altitude_deg.unwrap_or(10.0);
    let minutes = raw.quiet_minutes.unwrap_or(60.0);
    let range = (0.0, 1440.0);
    Ok(Close {
        sun_altitude_deg: within(altitude, (-18.0, 60.0), "degrees", &at("sun_altitude_deg"))?,
        quiet: duration(
            within(minutes, range, "minutes", &at("quiet_minutes"))? * 60.0,
            &at("quiet_minutes"),
        )?,
        at: raw
            .at
            .map(|text| {
                hour(&text).ok_or_else(|| {
                    Fault::new(
                        &at("at"),
                        format!("found {text:?}, want a local time such as \"09:30\""),
                    )
                })
            })
            .transpose()?,
    })
}

/// `HH:MM`, both with two digits.
fn hour(text: &str) -> Option<Time> {
    let (hour, minute) = text.split_once(':')?;
    let two = |part: &str| {
        let good = part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
        good.then(|| part.parse::<i8>().ok()).flatten()
    };
    Time::new(two(hour)?, two(minute)?, 0, 0).ok()
}
