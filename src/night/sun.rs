//! Where the Sun stands over a site, and when that ends a night.
//!
//! Altitudes are geometric: centre of the disc, no refraction, horizon at sea level. They come from the Solar
//! Position Algorithm (Reda & Andreas 2004, Solar Energy 76, 577) with the Earth's rotation
//! counted in UTC, which is good to far better than a second's worth of sky.
//!
//! It does not know weather, terrain or clocks.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use solar_positioning::time::JulianDate;
use solar_positioning::{Horizon, Location, SolarEvents, SolarPositions, delta_t};

use crate::facts::{Close, Site};

/// Julian date of 1970-01-01T00:00:00 UTC.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;
const DAY_S: f64 = 86_400.0;
/// How far ahead a crossing is looked for.
const A_DAY: SignedDuration = SignedDuration::from_hours(24);
/// A night's middle, counted from the mean solar noon at which it begins.
const HALF_A_NIGHT: SignedDuration = SignedDuration::from_hours(12);
/// Before this hour after mean solar noon a night does not close by the clock.
const EVENING: SignedDuration = SignedDuration::from_hours(6);

/// Geometric altitude of the Sun's centre in degrees. NaN outside the years -500 to 3000, where the
/// Earth's rotation is anybody's guess; every comparison with it is false.
pub fn altitude_deg(site: &Site, at: Timestamp) -> f64 {
    let altitude = || {
        let jd = julian(at);
        let time = JulianDate::new(jd, rotation_lag(jd)?).ok()?;
        let position = SolarPositions::new()
            .at_from_julian(time, location(site), 0.0, None)
            .ok()?;
        Some(position.elevation_angle())
    };
    altitude().unwrap_or(f64::NAN)
}

/// The first moment within 24 hours after `after` at which the rising Sun's centre passes the
/// geometric altitude, to a millisecond; nothing where it does not.
pub fn rises_above(site: &Site, after: Timestamp, altitude_deg: f64) -> Option<Timestamp> {
    crossing(site, after, altitude_deg, true)
}

/// The first moment within 24 hours after `after` at which the sinking Sun's centre passes the
/// geometric altitude, to a millisecond; nothing where it does not.
pub fn sets_below(site: &Site, after: Timestamp, altitude_deg: f64) -> Option<Timestamp> {
    crossing(site, after, altitude_deg, false)
}

/// The moment from which a night may close. With a local time in the settings that time decides,
/// whatever the Sun does: its first occurrence later than six hours after the night's solar noon. Else it
/// is the moment after solar midnight when the Sun passes the wanted altitude; midnight itself
/// where the Sun never sinks that low, the next solar noon where it never climbs that high.
pub fn closes_at(night: Date, site: &Site, close: &Close) -> Timestamp {
    let noon = site.noon_of(night);
    if let Some(time) = close.at
        && let Some(moment) = clock_strikes(site, later(noon, EVENING), time)
    {
        return moment;
    }
    let midnight = later(noon, HALF_A_NIGHT);
    let next_noon = night
        .tomorrow()
        .map_or(later(noon, A_DAY), |date| site.noon_of(date));
    match rises_above(site, midnight, close.sun_altitude_deg) {
        Some(moment) if moment < next_noon => moment,
        _ if altitude_deg(site, midnight) > close.sun_altitude_deg => midnight,
        _ => next_noon,
    }
}

/// How much light the Sun leaves in the sky.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Daylight {
    /// The Sun is more than 18 degrees below the horizon.
    Dark,
    /// Astronomical twilight, from 12 to 18 degrees.
    Astronomical,
    /// Nautical twilight, from 6 to 12 degrees.
    Nautical,
    /// Civil twilight, from the Sun's rim at the horizon to 6 degrees.
    Civil,
    /// The Sun is up.
    Day,
}

impl Daylight {
    /// The upper rim at a sea horizon, with the usual refraction of 34 minutes of arc and half a
    /// disc of 16.
    const RIM_DEG: f64 = -50.0 / 60.0;

    fn of(altitude_deg: f64) -> Self {
        match altitude_deg {
            below if below < -18.0 => Self::Dark,
            below if below < -12.0 => Self::Astronomical,
            below if below < -6.0 => Self::Nautical,
            below if below < Self::RIM_DEG => Self::Civil,
            _ => Self::Day,
        }
    }
}

/// Lower than this the Sun leaves no light that matters, degrees.
const DARK_DEG: f64 = -18.0;
/// Higher than this it is never dark, degrees.
const DUSK_DEG: f64 = -6.0;
/// In nights that hardly get dark this much of them counts, degrees above the Sun's deepest.
const DEEP_DEG: f64 = 6.0;

/// True while the sky is dark enough for lights: the Sun lower than -18 degrees, and in short
/// nights lower than 6 degrees above its deepest, but never above -6.
pub fn is_dark(site: &Site, at: Timestamp) -> bool {
    let midnight = later(site.noon_of(site.night_of(at)), HALF_A_NIGHT);
    let limit = (altitude_deg(site, midnight) + DEEP_DEG).clamp(DARK_DEG, DUSK_DEG);
    altitude_deg(site, at) < limit
}

/// A part of a day over which the sky's light is of one kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spell {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// What light there is.
    pub light: Daylight,
}

/// The spells of a night from noon to noon, in order and without gaps; neighbours differ.
pub fn spells(site: &Site, night: Date) -> Vec<Spell> {
    let noon = site.noon_of(night);
    let end = later(noon, A_DAY);
    let mut borders = vec![noon, end];
    for altitude in [Daylight::RIM_DEG, -6.0, -12.0, -18.0] {
        borders.extend(sets_below(site, noon, altitude).filter(|&at| at < end));
        borders.extend(rises_above(site, noon, altitude).filter(|&at| at < end));
    }
    borders.sort();
    let mut spells: Vec<Spell> = Vec::new();
    for pair in borders.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let middle = later(from, to.duration_since(from) / 2);
        let light = Daylight::of(altitude_deg(site, middle));
        match spells.last_mut() {
            Some(last) if last.light == light => last.to = to,
            _ => spells.push(Spell { from, to, light }),
        }
    }
    spells
}

/// True once [`closes_at`] has passed and the folders have been quiet for as long as the settings
/// ask. `last_arrival` is when the last file was taken in; without one there is nothing to be
/// quiet after.
pub fn is_over(
    night: Date,
    site: &Site,
    close: &Close,
    now: Timestamp,
    last_arrival: Option<Timestamp>,
) -> bool {
    let quiet = SignedDuration::try_from(close.quiet).unwrap_or(SignedDuration::MAX);
    let is_quiet = last_arrival.is_none_or(|last| now.duration_since(last) >= quiet);
    is_quiet && now >= closes_at(night, site, close)
}

fn crossing(site: &Site, after: Timestamp, altitude_deg: f64, rising: bool) -> Option<Timestamp> {
    let start = julian(after);
    let lag = rotation_lag(start)?;
    let horizon = Horizon::Custom(altitude_deg);
    let events = SolarEvents::new();
    let found = if rising {
        events.next_rise_from_julian(start, start + 1.0, location(site), lag, horizon)
    } else {
        events.next_set_from_julian(start, start + 1.0, location(site), lag, horizon)
    };
    // A Julian date near today resolves 40 microseconds, so a millisecond is honest.
    let milliseconds = (found.ok()?? - UNIX_EPOCH_JD) * DAY_S * 1000.0;
    Timestamp::from_millisecond(milliseconds.round() as i64).ok()
}

/// The first moment after `after` at which the site's clocks show `time`.
fn clock_strikes(site: &Site, after: Timestamp, time: jiff::civil::Time) -> Option<Timestamp> {
    let today = after.to_zoned_datetime(site.time_zone.clone()).date();
    [Some(today), today.tomorrow().ok()]
        .into_iter()
        .flatten()
        .filter_map(|date| {
            let moment = date
                .to_datetime(time)
                .to_zoned_datetime(site.time_zone.clone());
            Some(moment.ok()?.timestamp())
        })
        .find(|&moment| moment > after)
}

fn later(moment: Timestamp, span: SignedDuration) -> Timestamp {
    moment.saturating_add(span).unwrap_or(Timestamp::MAX)
}

fn location(site: &Site) -> Location {
    Location {
        latitude: site.latitude_deg,
        longitude: site.longitude_deg,
    }
}

pub(super) fn julian(at: Timestamp) -> f64 {
    UNIX_EPOCH_JD + at.as_nanosecond() as f64 / 1e9 / DAY_S
}

/// Terrestrial time minus universal time in seconds.
fn rotation_lag(jd: f64) -> Option<f64> {
    delta_t::estimate(2000.0 + (jd - 2_451_544.5) / 365.25).ok()
}
