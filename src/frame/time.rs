//! The start of the exposure, by the rules of FITS: `YYYY-MM-DDThh:mm:ss[.s...]`, UTC, and the
//! old `DD/MM/YY`, which means 1900 to 1999 (FITS Standard 3.0, section 4.4.2.1).
//!
//! Tolerated though not by the rules: a trailing `Z` or offset such as `+01:00`, a blank for the
//! `T`, and a date and a time of day in two keywords. A date without a time of day gives no start:
//! midnight would be an invention.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::keywords::{START, START_TIME};
use super::source::{Found, Source};
use super::value::text;

/// The start of the exposure; oddities leave a remark.
pub(super) fn start(source: &Source<'_>, remarks: &mut Vec<String>) -> Option<Timestamp> {
    if let Some(scale) = source.stated("TIMESYS") {
        let said = text(&scale.value).unwrap_or_default().to_uppercase();
        let utc = said.starts_with("UTC") || matches!(said.as_str(), "UT" | "UT1" | "GMT" | "Z");
        if !utc {
            remarks.push(scale.remark("start times are understood in UTC only"));
            return None;
        }
    }
    let dates = source.all(START);
    let mut odd = Vec::new();
    for found in &dates {
        match text(&found.value).as_deref().map(read) {
            Some(Some(Read::Moment(moment))) => return Some(moment),
            Some(Some(Read::Day(date))) => match time_of_day(source) {
                Ok(Some(time)) => {
                    if let Some(moment) = utc(DateTime::from_parts(date, time)) {
                        return Some(moment);
                    }
                }
                Ok(None) => odd.push(found.remark("a date without a time of day")),
                Err(time) => odd.push(time.remark("not a time of day")),
            },
            _ => odd.push(found.remark("not a date as FITS writes it")),
        }
    }
    remarks.append(&mut odd);
    None
}

/// The first statement of a time of day that can be read.
fn time_of_day(source: &Source<'_>) -> Result<Option<Time>, Found> {
    let found = source.all(START_TIME);
    let read = found.iter().find_map(|found| {
        let said = text(&found.value)?;
        clock(said.trim_end_matches(['Z', 'z']).trim_end())
    });
    match (read, found.into_iter().next()) {
        (Some(time), _) => Ok(Some(time)),
        (None, Some(found)) => Err(found),
        (None, None) => Ok(None),
    }
}

/// What a date string says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Read {
    Moment(Timestamp),
    Day(Date),
}

/// Reads a date string.
pub(super) fn read(said: &str) -> Option<Read> {
    let said = said.trim();
    let (date, rest) = match said.find(['T', 't', ' ']) {
        Some(at) => (said.get(..at)?, said.get(at + 1..)?.trim()),
        None => (said, ""),
    };
    let date = day(date)?;
    if rest.is_empty() {
        // `2026-09-05T` promises a time and has none.
        return (!said.ends_with(['T', 't'])).then_some(Read::Day(date));
    }
    let (time, ahead) = zone(rest)?;
    let local = DateTime::from_parts(date, clock(time)?);
    let moment = utc(local)?.checked_sub(ahead).ok()?;
    Some(Read::Moment(moment))
}

fn utc(moment: DateTime) -> Option<Timestamp> {
    TimeZone::UTC.to_timestamp(moment).ok()
}

fn day(text: &str) -> Option<Date> {
    let (year, month, day) = if text.contains('/') {
        let [day, month, year] = digits(text, '/')?;
        if year > 99 {
            return None;
        }
        (1900 + year, month, day)
    } else {
        let [year, month, day] = digits(text, '-')?;
        (year, month, day)
    };
    Date::new(
        i16::try_from(year).ok()?,
        i8::try_from(month).ok()?,
        i8::try_from(day).ok()?,
    )
    .ok()
}

/// `hh:mm` or `hh:mm:ss[.s...]`; decimals beyond nanoseconds are dropped, a leap second is the
/// last moment of its minute.
fn clock(text: &str) -> Option<Time> {
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    if !decimals.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let whole = if whole.matches(':').count() == 1 {
        format!("{whole}:00")
    } else {
        whole.to_owned()
    };
    let [hour, minute, second] = digits(&whole, ':')?;
    let nanoseconds = (0..9).fold(0, |sum, place| {
        let digit = decimals.as_bytes().get(place).map_or(0, |b| b - b'0');
        sum * 10 + i32::from(digit)
    });
    let (second, nanoseconds) = if second == 60 {
        (59, 999_999_999)
    } else {
        (second, nanoseconds)
    };
    Time::new(
        i8::try_from(hour).ok()?,
        i8::try_from(minute).ok()?,
        i8::try_from(second).ok()?,
        nanoseconds,
    )
    .ok()
}

/// Takes a zone off the end of a time: `Z`, `UTC`, `+01:00`.
fn zone(text: &str) -> Option<(&str, SignedDuration)> {
    for mark in ["Z", "z", "UTC", "UT"] {
        if let Some(time) = text.strip_suffix(mark) {
            return Some((time.trim_end(), SignedDuration::ZERO));
        }
    }
    let Some(at) = text.find(['+', '-']) else {
        return Some((text, SignedDuration::ZERO));
    };
    let (time, offset) = text.split_at_checked(at)?;
    let sign = if offset.starts_with('-') { -1 } else { 1 };
    let offset = offset.get(1..)?;
    let [hours, minutes, _] = digits(&format!("{offset}:0"), ':')?;
    (hours <= 14 && minutes < 60).then(|| {
        let seconds = i64::from(sign * (hours * 3600 + minutes * 60));
        (time.trim_end(), SignedDuration::from_secs(seconds))
    })
}

/// Three runs of one to four digits.
fn digits(text: &str, separator: char) -> Option<[i32; 3]> {
    let mut parts = text.split(separator).map(|part| {
        let good = (1..=4).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
        good.then(|| part.parse::<i32>().ok()).flatten()
    });
    let three = [parts.next()??, parts.next()??, parts.next()??];
    parts.next().is_none().then_some(three)
}
