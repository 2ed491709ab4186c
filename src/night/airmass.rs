//! Through how much air a field is seen.
//!
//! Coordinates are taken as of date: of those of J2000 precession moves the altitude by up to a
//! third of a degree until mid-century, which changes the air mass at 30 degrees by 1 %. It does not
//! know refraction, terrain or weather.

use jiff::{SignedDuration, Timestamp};

use super::sun::julian;
use crate::facts::{Pointing, Seconds, Site};

/// Julian date of the epoch J2000.0.
const J2000: f64 = 2_451_545.0;

/// Air mass in the middle of an exposure; nothing where the field is not above the horizon then.
pub fn airmass(
    site: &Site,
    pointing: &Pointing,
    start: Timestamp,
    exposure: Seconds,
) -> Option<f64> {
    let half = SignedDuration::try_from_secs_f64(exposure.get() / 2.0).ok()?;
    let altitude = altitude_deg(site, pointing, start.checked_add(half).ok()?);
    (altitude > 0.0).then(|| at_altitude(altitude))
}

/// Geometric altitude of a field, degrees. Sidereal time from the Earth's rotation alone, counted in
/// UTC (IAU 2000, Capitaine et al. 2000, A&A 355, 398, and the precession of its origin, 4612
/// arcseconds a century): within some arcseconds, which is far more than a telescope's pointing is
/// known to.
fn altitude_deg(site: &Site, pointing: &Pointing, at: Timestamp) -> f64 {
    let days = julian(at) - J2000;
    let rotation = 0.779_057_273_264_0 + 1.002_737_811_911_354_5 * days;
    let sidereal = 360.0 * rotation.rem_euclid(1.0) + 4612.156 / 3600.0 * days / 36_525.0;
    let hour_angle = (sidereal + site.longitude_deg - pointing.ra.get()).to_radians();
    let (latitude, declination) = (
        site.latitude_deg.to_radians(),
        pointing.dec.get().to_radians(),
    );
    let sine =
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    sine.clamp(-1.0, 1.0).asin().to_degrees()
}

/// Kasten & Young 1989, Applied Optics 28, 4735, for altitudes in degrees (formula and constants from
/// memory; checked against the secant, which it meets at high altitudes).
fn at_altitude(altitude: f64) -> f64 {
    let sine = altitude.to_radians().sin();
    1.0 / (sine + 0.505_72 * (altitude + 6.079_95).powf(-1.6364))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use jiff::tz::TimeZone;

    use super::*;
    use crate::facts::Degrees;

    /// Altitudes by astropy 8.0.2 (SkyCoord to AltAz, pressure 0), coordinates of date.
    #[test]
    fn altitudes_agree_with_a_reference() {
        let cases = [
            (
                "2026-09-05T21:10:00Z",
                57.3,
                -4.4,
                314.3266,
                31.5535,
                61.928,
            ),
            ("2026-09-06T03:30:00Z", 57.3, -4.4, 23.8393, 30.796, 62.692),
            (
                "2024-03-20T06:00:00Z",
                -31.2733,
                149.0644,
                201.6564,
                -43.1254,
                -8.737,
            ),
        ];
        for (at, latitude_deg, longitude_deg, ra, dec, wanted) in cases {
            let site = Site {
                name: String::new(),
                latitude_deg,
                longitude_deg,
                elevation_m: 0.0,
                time_zone: TimeZone::UTC,
            };
            let degrees = |value| Degrees::new(value).unwrap();
            let pointing = Pointing {
                ra: degrees(ra),
                dec: degrees(dec),
            };
            let found = altitude_deg(&site, &pointing, at.parse().unwrap());
            assert!((found - wanted).abs() < 0.02, "{at}: {found}, not {wanted}");
        }
    }

    #[test]
    fn air_masses() {
        for (altitude, wanted, error) in
            [(90.0, 1.0, 0.001), (30.0, 1.995, 0.002), (0.0, 38.0, 0.5)]
        {
            let found = at_altitude(altitude);
            assert!((found - wanted).abs() < error, "{altitude}: {found}");
        }
    }
}
