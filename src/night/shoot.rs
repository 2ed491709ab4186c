//! What is to be shot, in the words that the digest and the morning page share.
//!
//! It does not know why something is wanted.

use super::text::{counted, rounded};
use crate::facts::{Kind, ShootEntry, filter_is_none};

/// Goes with every wish for flats.
pub const SUN_CAUTION: &str = "Twilight flats: never point unfiltered optics at the Sun.";

/// Flats first: they belong to the optical train as it stands this morning, the others keep.
pub fn in_order(wanted: &[ShootEntry]) -> Vec<&ShootEntry> {
    let (mut flats, others): (Vec<_>, Vec<_>) =
        wanted.iter().partition(|shoot| shoot.kind == Kind::Flat);
    flats.extend(others);
    flats
}

/// One line: how many of what, on which rig, with which settings.
pub fn shot(shoot: &ShootEntry) -> String {
    let noun = match shoot.kind {
        Kind::Bias => "bias frame",
        kind => kind.word(),
    };
    let filter = shoot.filter.as_deref();
    let filter = filter.filter(|filter| !filter_is_none(filter));
    let through = filter.map_or(String::new(), |filter| format!(" through {filter}"));
    let exposure = shoot.exposure_s.map(|exposure| rounded(exposure, 6));
    let settings: Vec<String> = [
        exposure.map(|exposure| format!("{exposure} s")),
        shoot.temperature_c.map(|t| format!("{t} C")),
        shoot.gain.map(|gain| format!("gain {gain}")),
        shoot.offset.map(|offset| format!("offset {offset}")),
        shoot
            .rotator_deg
            .map(|angle| format!("rotator {angle} deg")),
    ]
    .into_iter()
    .flatten()
    .collect();
    let colon = if settings.is_empty() { "" } else { ": " };
    format!(
        "{}{through} on {}{colon}{}",
        counted(shoot.count, noun),
        shoot.rig,
        settings.join(", ")
    )
}
