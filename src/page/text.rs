//! How names, numbers and moments are written on a page.
//!
//! Foreign text passes [`name`] or [`sentence`]: one line, nothing invisible, of bounded length. Escaping
//! is the templates' business.

use std::fmt::Write;

use jiff::civil::Date;

use crate::facts::filter_is_none;
pub(super) use crate::night::clock;
use crate::night::tame;

/// What stands where a number has no value.
const NO_NUMBER: &str = "\u{2013}";
/// Groups thousands; does not break a line.
const THIN: char = '\u{202f}';

/// A foreign name.
pub(super) fn name(text: &str) -> String {
    shortened(text, 60)
}

/// A filter's name, or that there is none.
pub(super) fn filter_word(filter: &str) -> String {
    if filter_is_none(filter) {
        "no filter".to_owned()
    } else {
        name(filter)
    }
}

/// A target's name, or that it has none.
pub(super) fn target_word(target: &str) -> String {
    match target {
        "" => "no target named".to_owned(),
        target => name(target),
    }
}

/// A foreign sentence.
pub(super) fn sentence(text: &str) -> String {
    shortened(text, 600)
}

/// A path; its end tells more than its beginning.
pub(super) fn path(text: &str) -> String {
    let text = tame(text);
    let over = text.chars().count().saturating_sub(120);
    match text.char_indices().nth(over) {
        Some((at, _)) if over > 0 => format!("\u{2026}{}", &text[at..]),
        _ => text,
    }
}

fn shortened(text: &str, most: usize) -> String {
    let text = tame(text);
    match text.char_indices().nth(most) {
        Some((at, _)) => format!("{}\u{2026}", text[..at].trim_end()),
        None => text,
    }
}

/// A path as part of an address.
pub(super) fn address(path: &str) -> String {
    let mut out = String::with_capacity(path.len());
    for &byte in path.as_bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            out.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

/// Where a night's page lies in the output folder.
pub(super) fn page_of(night: &str) -> String {
    format!("nights/{}/morning.html", address(night))
}

/// A number with so many decimals, a real minus and grouped thousands.
pub(super) fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NO_NUMBER.to_owned();
    }
    let plain = format!("{:.decimals$}", value.abs());
    let (whole, fraction) = plain.split_at(plain.find('.').unwrap_or(plain.len()));
    let mut out = String::new();
    if value < 0.0 && plain.bytes().any(|b| matches!(b, b'1'..=b'9')) {
        out.push('\u{2212}');
    }
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && whole.len() > 4 && (whole.len() - at).is_multiple_of(3) {
            out.push(THIN);
        }
        out.push(digit);
    }
    out + fraction
}

/// A number of any size with about three digits that count.
pub(super) fn three_digits(value: f64) -> String {
    let decimals = match value.abs() {
        large if large >= 100.0 => 0,
        middle if middle >= 10.0 => 1,
        one if one >= 1.0 => 2,
        _ => 3,
    };
    number(value, decimals)
}

/// A number that may be absent: then nothing.
pub(super) fn cell(value: Option<f64>, decimals: usize) -> String {
    value.map_or(String::new(), |value| number(value, decimals))
}

/// Seconds without superfluous zeros.
pub(super) fn exposure(seconds: f64) -> String {
    let decimals = match seconds {
        s if s.fract() == 0.0 => 0,
        s if s >= 1.0 => 1,
        _ => 4,
    };
    let text = number(seconds, decimals);
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// Parts in a million or per cent, whichever is readable.
pub(super) fn fraction(value: f64) -> String {
    match value * 100.0 {
        0.0 => "0".to_owned(),
        percent if percent >= 0.01 => format!("{} %", number(percent, 2)),
        percent => format!("{} ppm", number(percent * 1e4, 1)),
    }
}

/// The evening and the morning of a night.
pub(super) fn night_words(night: &str) -> String {
    let months = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    let dates = night.parse::<Date>().ok();
    let Some((evening, morning)) = dates.and_then(|date| Some((date, date.tomorrow().ok()?)))
    else {
        return name(night);
    };
    let month = |date: Date| months[usize::from(date.month().unsigned_abs()) - 1];
    let end = format!("{} {} {}", morning.day(), month(morning), morning.year());
    if evening.year() != morning.year() {
        format!(
            "{} {} {} to {end}",
            evening.day(),
            month(evening),
            evening.year()
        )
    } else if evening.month() != morning.month() {
        format!("{} {} to {end}", evening.day(), month(evening))
    } else {
        format!("{} to {end}", evening.day())
    }
}

/// Days between two dates.
pub(super) fn days(from: Date, to: Date) -> f64 {
    from.until(to)
        .map_or(0.0, |span| f64::from(span.get_days()))
}

/// Base 64 after RFC 4648, padded.
pub(super) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let byte = |at: usize| u32::from(chunk.get(at).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for at in 0..4 {
            if at > chunk.len() {
                out.push('=');
            } else {
                let six = bits >> (18 - 6 * at) & 63;
                out.push(char::from(LETTERS[six as usize]));
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_as_printed() {
        assert_eq!(number(-10.04, 1), "\u{2212}10.0");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(1_234_567.0, 0), "1\u{202f}234\u{202f}567");
        assert_eq!(number(1234.5, 1), "1234.5");
        assert_eq!(number(f64::NAN, 1), "\u{2013}");
        assert_eq!(cell(None, 2), "");
        assert_eq!(
            [0.6712, 1.666, 41.26, 2410.4].map(three_digits),
            ["0.671", "1.67", "41.3", "2410"]
        );
        assert_eq!(exposure(300.0), "300");
        assert_eq!(exposure(2.5), "2.5");
        assert_eq!(exposure(0.001), "0.001");
        assert_eq!(fraction(0.000_012), "12.0 ppm");
        assert_eq!(fraction(0.013), "1.30 %");
    }

    #[test]
    fn nights_are_named_by_evening_and_morning() {
        assert_eq!(night_words("2026-09-05"), "5 to 6 September 2026");
        assert_eq!(night_words("2026-09-30"), "30 September to 1 October 2026");
        assert_eq!(
            night_words("2026-12-31"),
            "31 December 2026 to 1 January 2027"
        );
        assert_eq!(night_words("<b>"), "<b>");
    }

    #[test]
    fn names_are_tamed_and_bounded() {
        assert_eq!(name("a\u{202e}b\nc\u{0}"), "a?b c?");
        assert_eq!(name(&"x".repeat(5000)).chars().count(), 61);
        assert_eq!(
            path(&format!("{}/end.fits", "x".repeat(500)))
                .chars()
                .count(),
            121
        );
        assert_eq!(address("a b/\"<\u{e9}>.fits"), "a%20b/%22%3C%C3%A9%3E.fits");
    }

    /// Test vectors of RFC 4648, section 10.
    #[test]
    fn base64_is_that_of_the_standard() {
        let pairs = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in pairs {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
