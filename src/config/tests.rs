#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::civil::{date, time};
use proptest::prelude::*;

use super::*;
use crate::facts::{
    CfaChoice, Combining, FlatLevel, GainMeaning, Kind, Rule, ShortShots, Tolerance, WatchMode,
    Windows,
};

const SETTINGS: &str = include_str!("../../config/settings.yaml");

const PROFILES: [(&str, &str); 5] = [
    (
        "mono-cooled.yaml",
        include_str!("../../config/profiles/mono-cooled.yaml"),
    ),
    (
        "colour-cooled-glow.yaml",
        include_str!("../../config/profiles/colour-cooled-glow.yaml"),
    ),
    (
        "mono-cooled-glow.yaml",
        include_str!("../../config/profiles/mono-cooled-glow.yaml"),
    ),
    (
        "uncooled.yaml",
        include_str!("../../config/profiles/uncooled.yaml"),
    ),
    (
        "colour-consumer.yaml",
        include_str!("../../config/profiles/colour-consumer.yaml"),
    ),
];

fn shipped() -> Vec<(PathBuf, Profile)> {
    PROFILES
        .iter()
        .map(|(name, text)| {
            let path = Path::new("/sky/profiles").join(name);
            let profile = parse_profile(text, &path).unwrap_or_else(|error| panic!("{error}"));
            (path, profile)
        })
        .collect()
}

#[test]
fn shipped_files_are_sound_and_fit_together() {
    let draft = parse_settings(SETTINGS, Path::new("/sky/settings.yaml")).unwrap();
    assert_eq!(
        draft.profile_paths(),
        [
            Path::new("/sky/profiles/mono-cooled.yaml"),
            Path::new("/sky/profiles/colour-cooled-glow.yaml"),
        ]
    );
    let settings = draft.complete(shipped()).unwrap();
    let names: Vec<&str> = settings.profiles.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(
        names,
        ["north-pier", "south-pier", "west-dome", "garden", "meadow"]
    );
    assert_eq!(settings.watch[0].path, Path::new("/sky/incoming"));
    assert_eq!(&*settings.watch[0].name, "incoming");
    assert_eq!(settings.watch[0].mode, WatchMode::Events);
    assert_eq!(settings.output, Path::new("/sky/products"));
    assert_eq!(settings.state, Path::new("/sky/state"));
    assert_eq!(settings.settle, Duration::from_secs(5));
    assert_eq!(settings.scan_interval, Duration::from_secs(1800));
    assert_eq!(settings.close.quiet, Duration::from_secs(3600));
    assert_eq!(settings.close.sun_altitude_deg, 10.0);
    assert_eq!(settings.close.at, None);
    assert_eq!(settings.memory_budget, 256 << 20);
    assert_eq!(settings.threads, 0);
    assert_eq!(settings.site.time_zone.iana_name(), Some("Europe/London"));
}

/// The commented defaults must be the defaults: taking the comment marks away changes nothing but
/// what the comment says is off by default.
#[test]
fn commented_lines_of_the_settings_are_settings() {
    let text: String = SETTINGS
        .lines()
        .map(|line| {
            let bare = line.trim_start().trim_start_matches("# ");
            let key = bare.split(':').next().unwrap_or_default();
            let indent = &line[..line.len() - line.trim_start().len()];
            let known = [
                "name",
                "poll_s",
                "ignore",
                "settle_s",
                "scan_interval_s",
                "close",
                "memory_mib",
                "threads",
                "  sun_altitude_deg",
                "  quiet_minutes",
                "  at",
            ];
            if line.trim_start().starts_with("# ") && known.contains(&key) {
                format!("{indent}{bare}\n")
            } else {
                format!("{line}\n")
            }
        })
        .collect();
    let open = parse_settings(&text, Path::new("/sky/settings.yaml"))
        .unwrap_or_else(|error| panic!("{error}\n{text}"))
        .complete(Vec::new())
        .unwrap();
    assert_eq!(open.close.at, Some(time(11, 0, 0, 0)));
    assert_eq!(
        open.watch[0].mode,
        WatchMode::Polling(Duration::from_secs(30))
    );
    assert_eq!(open.watch[0].ignore, ["*.tmp", "trash/**"]);
    assert_eq!(open.settle, Duration::from_secs(5));
    assert_eq!(open.scan_interval, Duration::from_secs(1800));
    assert_eq!(open.close.quiet, Duration::from_secs(3600));
    assert_eq!(open.memory_budget, 256 << 20);
}
