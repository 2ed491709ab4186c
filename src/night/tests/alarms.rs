//! When something is worth telling at once.

use jiff::{SignedDuration, Timestamp};

use super::composing::frame;
use crate::facts::{Alarms, Kind, Occasion, Space, Verdict};
use crate::night::{Alarm, Cause, Daylight, Event, is_dark, scene, spells, summary};

const MINUTE: SignedDuration = SignedDuration::from_mins(1);

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn alarm() -> Alarm {
    Alarm::new(scene::site(), Alarms::default())
}

fn occasions(events: &[Event]) -> Vec<Occasion> {
    events.iter().map(Event::occasion).collect()
}

/// A light of five minutes that arrives when its exposure has ended.
fn light(alarm: &mut Alarm, start: &str) -> Timestamp {
    let end = at(start) + SignedDuration::from_secs(302);
    alarm.frame(&frame(Kind::Light, "Ha", 300.0, Some(start)), end);
    end
}

fn series(alarm: &mut Alarm) -> Timestamp {
    ["22:00", "22:05", "22:10"].map(|time| light(alarm, &format!("2026-09-05T{time}:00Z")))[2]
}

/// Looks every minute over so many hours.
fn watched(alarm: &mut Alarm, from: Timestamp, hours: i64) -> Vec<(SignedDuration, Event)> {
    let mut told = Vec::new();
    for minute in 0..hours * 60 {
        let now = from + MINUTE * i32::try_from(minute).unwrap();
        alarm.look(now);
        told.extend(
            alarm
                .events()
                .into_iter()
                .map(|event| (now.duration_since(from), event)),
        );
    }
    told
}

#[test]
fn a_capture_that_stands_still_in_the_dark_is_told_of_once() {
    let mut alarm = alarm();
    let last = series(&mut alarm);
    let told = watched(&mut alarm, last, 5);
    assert_eq!(told.len(), 1, "{told:?}");
    let (after, event) = &told[0];
    // Half an hour beyond the exposure of five minutes.
    assert_eq!(*after, MINUTE * 35);
    assert_eq!(event.occasion(), Occasion::Stalled);
    assert_eq!(
        event.text(),
        "no frame of north-pier for 35 min, though it is dark: the last came at 22:15"
    );
    // It goes on, and stands still again.
    let last = light(&mut alarm, "2026-09-06T00:30:00Z");
    assert_eq!(watched(&mut alarm, last, 2).len(), 1);
}

#[test]
fn a_capture_that_goes_on_or_ends_with_the_night_is_left_alone() {
    let mut going_on = alarm();
    for hour in 21..24 {
        for minute in (0..60).step_by(5) {
            let end = light(&mut going_on, &format!("2026-09-05T{hour}:{minute:02}:00Z"));
            assert_eq!(watched(&mut going_on, end, 0).len(), 0);
            going_on.look(end + MINUTE * 30);
        }
    }
    assert_eq!(going_on.events(), []);

    // Lights until the end of darkness.
    let mut till_dawn = alarm();
    let spells = spells(&scene::site(), "2026-09-05".parse().unwrap());
    let dark = spells.iter().find(|spell| spell.light == Daylight::Dark);
    let dawn = dark.unwrap().to;
    for lights_left in (0..4).rev() {
        let start = dawn - MINUTE * 6 * (lights_left + 1);
        light(&mut till_dawn, &start.to_string());
    }
    assert_eq!(watched(&mut till_dawn, dawn - MINUTE, 18), []);
}

#[test]
fn what_is_no_series_of_tonight_does_not_stall() {
    let evening = at("2026-09-05T23:00:00Z");
    // Frames of last month, copied tonight.
    let mut old = alarm();
    for minute in 0..9 {
        let start = format!("2026-08-05T22:0{minute}:00Z");
        old.frame(&frame(Kind::Light, "Ha", 300.0, Some(&start)), evening);
    }
    assert_eq!(watched(&mut old, evening, 3), []);
    // Two lights, to frame the field; and a set of darks.
    let mut odd = alarm();
    light(&mut odd, "2026-09-05T22:00:00Z");
    light(&mut odd, "2026-09-05T22:05:00Z");
    for minute in 10..30 {
        let start = format!("2026-09-05T22:{minute}:00Z");
        odd.frame(
            &frame(Kind::Dark, "none", 50.0, Some(&start)),
            at(&start) + MINUTE,
        );
    }
    assert_eq!(watched(&mut odd, evening, 3), []);
    // Darks after a series: it goes on.
    let mut darks = alarm();
    series(&mut darks);
    let late = at("2026-09-05T22:40:00Z");
    darks.frame(
        &frame(Kind::Dark, "none", 60.0, Some("2026-09-05T22:39:00Z")),
        late,
    );
    darks.look(at("2026-09-05T23:00:00Z"));
    assert_eq!(darks.events(), []);
    // Tomorrow night nothing of it is left.
    assert_eq!(watched(&mut darks, at("2026-09-06T20:00:00Z"), 8), []);
}

#[test]
fn each_rig_is_watched_for_itself() {
    let mut alarm = alarm();
    let last = series(&mut alarm);
    for minute in (0..60).step_by(5) {
        let start = format!("2026-09-05T22:{minute:02}:00Z");
        let mut other = frame(Kind::Light, "Ha", 300.0, Some(&start));
        other.rig = "south-pier".into();
        alarm.frame(&other, at(&start) + MINUTE * 5);
    }
    alarm.look(last + MINUTE * 40);
    let events = alarm.events();
    assert_eq!(events.len(), 1);
    assert!(events[0].text().contains("north-pier"), "{events:?}");
}

/// Around the solstice the Sun at Skarn Hill sinks to -9.3 degrees and no deeper.
#[test]
fn a_bright_summer_night_has_its_dark_hours_too() {
    let mut site = scene::site();
    assert!(is_dark(&site, at("2026-06-21T00:18:00Z")));
    assert!(!is_dark(&site, at("2026-06-21T22:00:00Z")));
    assert!(is_dark(&site, at("2026-12-21T20:00:00Z")));
    assert!(!is_dark(&site, at("2026-12-21T17:00:00Z")));
    assert!(!is_dark(&site, at("2026-12-21T12:00:00Z")));
    // North of the polar circle the summer has none.
    site.latitude_deg = 69.6;
    assert!(!is_dark(&site, at("2026-06-21T00:18:00Z")));
}

#[test]
fn a_failure_is_told_of_once_until_its_cause_gives_peace() {
    let mut alarm = alarm();
    let noon = at("2026-09-06T12:00:00Z");
    // A full disk is met every ten seconds.
    for second in 0..20_000 {
        if second % 10 == 0 {
            let now = noon + SignedDuration::from_secs(second);
            alarm.failed(Cause::Disk, "no space left", now);
        }
    }
    // Another cause is another matter, and so is another folder.
    alarm.failed(Cause::Folder("north".to_owned()), "north is away", noon);
    alarm.failed(Cause::Folder("south".to_owned()), "south is away", noon);
    alarm.failed(Cause::Product, "a flat could not be made", noon);
    alarm.failed(
        Cause::Product,
        "a light could not be made",
        noon + MINUTE * 59,
    );
    alarm.failed(
        Cause::Product,
        "a dark could not be made",
        noon + MINUTE * 120,
    );
    let events = alarm.events();
    let told: Vec<&str> = events.iter().map(Event::text).collect();
    assert_eq!(
        told,
        [
            "no space left",
            "north is away",
            "south is away",
            "a flat could not be made",
            "a dark could not be made"
        ]
    );
}

#[test]
fn the_end_of_a_failure_is_told_of_as_often_as_the_failure() {
    let mut alarm = alarm();
    let noon = at("2026-09-06T12:00:00Z");
    let cause = Cause::Disk;
    alarm.recovered(&cause, "nothing was wrong", noon);
    // A disk that comes and goes is told of once an hour.
    for minute in [0, 10, 20, 90] {
        let now = noon + MINUTE * minute;
        alarm.failed(cause.clone(), &format!("full at {minute}"), now);
        alarm.recovered(&cause, &format!("over after {minute}"), now + MINUTE);
    }
    alarm.failed(Cause::Folder("north".to_owned()), "north is away", noon);
    // The next to be on watch goes on where this one left off, and loses nothing that is untold.
    let mut next = self::alarm();
    next.go_on(alarm);
    // It fails again at once and goes on so: told an hour after the last time, and then no more.
    for second in (91 * 60..300 * 60).step_by(10) {
        let text = format!("full at {}", second / 60);
        next.failed(
            cause.clone(),
            &text,
            noon + SignedDuration::from_secs(second),
        );
    }
    next.failed(Cause::Folder("north".to_owned()), "north is away", noon);
    let north = Cause::Folder("north".to_owned());
    next.recovered(&north, "north is back", noon + MINUTE * 92);
    let events = next.events();
    let told: Vec<&str> = events.iter().map(Event::text).collect();
    assert_eq!(
        told,
        [
            "full at 0",
            "over after 0",
            "full at 90",
            "over after 90",
            "north is away",
            "full at 150",
            "north is back"
        ]
    );
    let last = &events[6];
    assert_eq!(last.occasion(), Occasion::Recovered);
    let document: serde_json::Value = serde_json::from_str(&last.document()).unwrap();
    assert_eq!(
        (&document["event"], &document["cause"]),
        (&"recovered".into(), &"watch-folder".into())
    );
}

#[test]
fn a_low_disk_is_told_of_once_until_it_has_recovered() {
    let space = |role: &'static str, disk, free_bytes| Space {
        role,
        folder: format!("/srv/{role}").into(),
        disk,
        free_bytes,
    };
    let mut alarm = alarm();
    let now = at("2026-09-06T12:00:00Z");
    let mut told = |free: &[u64]| {
        let mut count = 0;
        for &free in free {
            alarm.space(&[space("output", 1, free), space("state", 1, free)], now);
            count += alarm.events().len();
        }
        count
    };
    let gb = 1_000_000_000;
    assert_eq!(told(&[500 * gb, 20 * gb]), 0, "at the limit");
    assert_eq!(
        told(&[20 * gb - 1, 19 * gb, 21 * gb, 19 * gb]),
        1,
        "hovering"
    );
    assert_eq!(told(&[22 * gb, 19 * gb]), 1, "recovered, and low again");
    alarm.space(
        &[space("output", 1, 19 * gb), space("state", 2, 3 * gb)],
        now,
    );
    let events = alarm.events();
    assert_eq!(occasions(&events), [Occasion::DiskLow], "another disk");
    assert_eq!(
        events[0].text(),
        "3.0 GB left at /srv/state, the limit is 20 GB"
    );
}

#[test]
fn an_event_is_one_document_with_a_key_on_each_line() {
    let mut alarm = alarm();
    let mut log = scene::full_log();
    log.lights[0].verdict = Some(Verdict::SetAside);
    let now = at("2026-09-06T09:00:00Z");
    alarm.closed(&summary(&log), "line one\nline \"two\"\n".to_owned(), now);
    let document = alarm.events()[0].document();
    let lines: Vec<&str> = document.lines().collect();
    assert!(
        lines.contains(&r#"  "digest": "line one\nline \"two\"\n","#),
        "{document}"
    );
    let value: serde_json::Value = serde_json::from_str(&document).unwrap();
    assert_eq!(value["schema"], "dawnledger-event/1");
    assert_eq!(value["event"], "night-closed");
    assert_eq!(value["night"], "2026-09-05");
    assert_eq!(value["time_utc"], "2026-09-06T09:00:00.000Z");
    assert_eq!(
        value["text"],
        "night of 2026-09-05: 104 lights, 51 calibrated, 50 kept (3 h 26 min), 52 waiting; \
         2 sets to shoot"
    );
    assert_eq!(value["numbers"]["set_aside"], 1);
    assert_eq!(value["numbers"]["kept_s"], 12_360.0);
}
