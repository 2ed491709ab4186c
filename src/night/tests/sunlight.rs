//! The Sun's altitude and crossings against astropy (get_sun and AltAz, pressure 0, height 0).

use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::{Date, time};
use jiff::tz::TimeZone;

use crate::facts::{Close, Site};
use crate::night::{
    Daylight, altitude_deg, closes_at, is_over, rises_above, scene, sets_below, spells,
};

fn site(latitude_deg: f64, longitude_deg: f64) -> Site {
    Site {
        latitude_deg,
        longitude_deg,
        ..scene::site()
    }
}

fn places() -> [Site; 3] {
    [
        site(51.4778, 0.0),
        site(19.8260, -155.4700),
        site(-31.2733, 149.0644),
    ]
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn date(text: &str) -> Date {
    text.parse().unwrap()
}

const CLOSE: Close = Close {
    sun_altitude_deg: 10.0,
    quiet: Duration::from_secs(3600),
    at: None,
};

/// Source: computed with astropy, geometric altitudes at 0, 6 and 18 h UTC, within 0.01 degrees.
#[test]
fn altitudes_agree_with_astropy() {
    let table: [(&str, [[f64; 3]; 3]); 3] = [
        (
            "2024-03-20",
            [
                [-38.551, -1.115, 1.316],
                [60.200, -21.257, 21.393],
                [45.962, 27.536, -27.681],
            ],
        ),
        (
            "2024-06-21",
            [
                [-15.085, 17.848, 18.424],
                [67.357, -12.537, 29.106],
                [27.574, 11.658, -37.981],
            ],
        ),
        (
            "2024-12-21",
            [
                [-61.959, -17.858, -18.372],
                [40.330, -29.970, 13.227],
                [61.948, 37.171, -11.071],
            ],
        ),
    ];
    for (day, rows) in table {
        for (place, row) in places().iter().zip(rows) {
            for (hour, wanted) in ["00", "06", "18"].into_iter().zip(row) {
                let moment = at(&format!("{day}T{hour}:00:00Z"));
                let found = altitude_deg(place, moment);
                let what = format!("{day} {hour} h at {}", place.latitude_deg);
                assert!(
                    (found - wanted).abs() < 0.01,
                    "{what}: {found}, not {wanted}"
                );
            }
        }
    }
}

/// Source: computed with astropy, UTC of -18, -12, -6 and -0.833 degrees around a local noon,
/// within 10 seconds.
#[test]
fn crossings_agree_with_astropy() {
    const LEVELS: [f64; 4] = [-18.0, -12.0, -6.0, -0.833];
    // Place, a moment before the morning, its times; a moment before the evening, its times.
    type Row = (
        usize,
        &'static str,
        [&'static str; 4],
        &'static str,
        [&'static str; 4],
    );
    let table: [Row; 9] = [
        (
            0,
            "2024-03-20T00:00",
            ["04:08:20", "04:49:15", "05:28:33", "06:01:48"],
            "2024-03-20T12:00",
            ["20:07:48", "19:26:38", "18:47:10", "18:13:49"],
        ),
        (
            1,
            "2024-03-20T11:00",
            ["15:12:08", "15:37:46", "16:03:19", "16:25:17"],
            "2024-03-20T23:00",
            ["05:46:20", "05:20:40", "04:55:06", "04:33:07"],
        ),
        (
            2,
            "2024-03-19T15:00",
            ["18:46:08", "19:14:37", "19:42:52", "20:07:04"],
            "2024-03-20T02:00",
            ["09:35:34", "09:07:08", "08:38:57", "08:14:46"],
        ),
        (
            0,
            "2024-06-21T00:30",
            ["never", "01:40:42", "02:55:09", "03:42:51"],
            "2024-06-21T12:00",
            ["never", "22:23:04", "21:08:39", "20:20:57"],
        ),
        (
            1,
            "2024-06-21T11:00",
            ["14:20:01", "14:50:13", "15:19:25", "15:43:57"],
            "2024-06-21T23:00",
            ["06:27:44", "05:57:32", "05:28:21", "05:03:49"],
        ),
        (
            2,
            "2024-06-20T15:00",
            ["19:35:28", "20:05:06", "20:35:25", "21:02:12"],
            "2024-06-21T02:00",
            ["08:35:40", "08:06:02", "07:35:43", "07:08:56"],
        ),
        (
            0,
            "2024-12-21T00:00",
            ["05:59:03", "06:39:50", "07:23:01", "08:03:19"],
            "2024-12-21T12:00",
            ["17:57:31", "17:16:43", "16:33:33", "15:53:15"],
        ),
        (
            1,
            "2024-12-21T11:00",
            ["15:33:42", "16:00:51", "16:28:20", "16:52:20"],
            "2024-12-21T23:00",
            ["05:07:04", "04:39:54", "04:12:25", "03:48:25"],
        ),
        (
            2,
            "2024-12-20T15:00",
            ["17:17:16", "17:54:04", "18:28:13", "18:56:12"],
            "2024-12-21T02:00",
            ["10:46:23", "10:09:35", "09:35:26", "09:07:26"],
        ),
    ];
    for (place, night, morning, noon, evening) in table {
        let place = &places()[place];
        let (night, noon) = (at(&format!("{night}:00Z")), at(&format!("{noon}:00Z")));
        for (level, (up, down)) in LEVELS.into_iter().zip(morning.into_iter().zip(evening)) {
            let what = format!("{level} deg at {} after {night}", place.latitude_deg);
            agrees(&what, night, rises_above(place, night, level), up);
            agrees(&what, noon, sets_below(place, noon, level), down);
        }
    }
}

fn agrees(what: &str, after: Timestamp, found: Option<Timestamp>, wanted: &str) {
    if wanted == "never" {
        assert_eq!(found, None, "{what}");
        return;
    }
    let found = found.unwrap_or_else(|| panic!("{what}: never, not {wanted}"));
    let time: jiff::civil::Time = wanted.parse().unwrap();
    let today = after.to_zoned_datetime(TimeZone::UTC).date();
    let wanted = [today, today.tomorrow().unwrap()]
        .map(|date| {
            date.to_datetime(time)
                .to_zoned_datetime(TimeZone::UTC)
                .unwrap()
                .timestamp()
        })
        .into_iter()
        .find(|&moment| moment > after)
        .unwrap();
    let off = found.duration_since(wanted).as_secs_f64();
    assert!(off.abs() < 10.0, "{what}: {found}, not {wanted}");
}

#[test]
fn a_crossing_is_where_the_altitude_says() {
    let site = scene::site();
    let up = rises_above(&site, at("2026-09-06T00:00:00Z"), 10.0).unwrap();
    assert!((altitude_deg(&site, up) - 10.0).abs() < 1e-4);
}

#[test]
fn a_moment_beyond_reckoning_has_no_altitude() {
    let site = scene::site();
    assert!(altitude_deg(&site, Timestamp::MAX).is_nan());
    assert_eq!(rises_above(&site, Timestamp::MAX, 0.0), None);
    let night = date("9000-01-01");
    assert_eq!(
        closes_at(night, &site, &CLOSE),
        site.noon_of(date("9000-01-02"))
    );
}

#[test]
fn a_night_is_over_when_the_sun_is_up_and_the_folders_are_quiet() {
    let site = scene::site();
    let night = date("2026-09-05");
    let up = closes_at(night, &site, &CLOSE);
    assert!(
        up > at("2026-09-06T06:00:00Z") && up < at("2026-09-06T08:00:00Z"),
        "{up}"
    );
    let minutes = |n: i64| jiff::SignedDuration::from_mins(n);
    let over = |now, last| is_over(night, &site, &CLOSE, now, last);
    assert!(!over(up - minutes(1), None));
    assert!(over(up, None));
    assert!(over(up, Some(up - minutes(60))));
    assert!(!over(up, Some(up - minutes(59))));
    assert!(over(up + minutes(1), Some(up - minutes(59))));
    assert!(
        !over(up, Some(up + minutes(5))),
        "an arrival ahead of the clock"
    );
    // The next evening it is still over, though the Sun has set.
    assert!(over(at("2026-09-06T23:00:00Z"), None));
    // The evening's high Sun ends nothing.
    assert!(!over(at("2026-09-05T15:00:00Z"), None));
}

#[test]
fn the_hour_in_the_settings_decides_whatever_the_sun_does() {
    let mut site = scene::site();
    let night = date("2026-09-05");
    let at_hour = |hour| Close {
        at: Some(time(hour, 0, 0, 0)),
        ..CLOSE
    };
    assert_eq!(
        closes_at(night, &site, &at_hour(4)),
        at("2026-09-06T04:00:00Z")
    );
    assert_eq!(
        closes_at(night, &site, &at_hour(13)),
        at("2026-09-06T13:00:00Z")
    );
    assert_eq!(
        closes_at(night, &site, &at_hour(23)),
        at("2026-09-05T23:00:00Z")
    );
    site.time_zone = TimeZone::get("Europe/London").unwrap();
    assert_eq!(
        closes_at(night, &site, &at_hour(4)),
        at("2026-09-06T03:00:00Z")
    );
    let quiet_since = Some(at("2026-09-06T02:30:00Z"));
    let now = at("2026-09-06T03:00:00Z");
    assert!(!is_over(night, &site, &at_hour(4), now, quiet_since));
}

#[test]
fn where_the_sun_never_climbs_noon_ends_the_night_and_where_it_never_sinks_midnight() {
    let north = site(78.2, 15.6);
    let noon = north.noon_of(date("2026-12-11"));
    assert_eq!(closes_at(date("2026-12-10"), &north, &CLOSE), noon);
    let midnight = north.noon_of(date("2026-06-20")) + jiff::SignedDuration::from_hours(12);
    assert_eq!(closes_at(date("2026-06-20"), &north, &CLOSE), midnight);
    // 57 degrees north in December: the Sun stays below ten degrees.
    let hill = scene::site();
    let noon = hill.noon_of(date("2026-12-22"));
    assert_eq!(closes_at(date("2026-12-21"), &hill, &CLOSE), noon);
}

#[test]
fn a_night_falls_into_spells_without_gaps() {
    use Daylight::{Astronomical, Civil, Dark, Day, Nautical};
    let lights = |site: &Site, night: &str| -> Vec<Daylight> {
        let night = date(night);
        let spells = spells(site, night);
        let noon = site.noon_of(night);
        assert_eq!(spells[0].from, noon);
        assert_eq!(
            spells.last().unwrap().to,
            noon + jiff::SignedDuration::from_hours(24)
        );
        for pair in spells.windows(2) {
            assert_eq!(pair[0].to, pair[1].from);
            assert_ne!(pair[0].light, pair[1].light);
        }
        spells.iter().map(|spell| spell.light).collect()
    };
    let hill = scene::site();
    assert_eq!(
        lights(&hill, "2026-09-05"),
        [
            Day,
            Civil,
            Nautical,
            Astronomical,
            Dark,
            Astronomical,
            Nautical,
            Civil,
            Day
        ]
    );
    // Midsummer at 57 degrees north: the Sun sinks to 9 degrees below the horizon.
    assert_eq!(
        lights(&hill, "2026-06-20"),
        [Day, Civil, Nautical, Civil, Day]
    );
    let north = site(78.2, 15.6);
    assert_eq!(lights(&north, "2026-06-20"), [Day]);
    // Midwinter there: at noon it is still 12 degrees below or nearly so.
    assert!(!lights(&north, "2026-12-20").contains(&Civil));
}
