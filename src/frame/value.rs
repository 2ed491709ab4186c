//! Numbers out of header values, which capture programs write as numbers, as strings, and as
//! strings with a unit.
//!
//! It does not know which keyword a value came from.

use crate::facts::Value;

/// The unit a fact is kept in, and with it the unit names that may follow its number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unit {
    /// A bare number.
    Plain,
    Seconds,
    Celsius,
    Degrees,
    Millimetres,
    Micrometres,
    ElectronsPerAdu,
}

impl Unit {
    /// The number in this unit, or nothing when the suffix is not a unit of this quantity.
    fn convert(self, number: f64, suffix: &str) -> Option<f64> {
        let suffix = suffix
            .trim()
            .trim_matches(['[', ']', '(', ')'])
            .trim_end_matches('.')
            .to_lowercase();
        if suffix.is_empty() {
            return Some(number);
        }
        let factor = match (self, suffix.as_str()) {
            (Self::Seconds, "s" | "sec" | "secs" | "second" | "seconds") => 1.0,
            // A division, since a product with 0.001 would miss the nearest number.
            (Self::Seconds, "ms" | "msec" | "millisecond" | "milliseconds") => {
                return Some(number / 1e3);
            }
            (Self::Seconds, "us" | "µs" | "μs" | "usec" | "microseconds") => {
                return Some(number / 1e6);
            }
            (Self::Seconds, "min" | "mins" | "minute" | "minutes") => 60.0,
            (
                Self::Celsius,
                "c" | "°c" | "degc" | "deg c" | "deg. c" | "deg" | "celsius" | "degrees c"
                | "degrees celsius" | "deg celsius",
            ) => 1.0,
            (Self::Celsius, "k" | "kelvin") => return Some(number - 273.15),
            (Self::Degrees, "deg" | "degs" | "degree" | "degrees" | "°" | "d") => 1.0,
            (Self::Millimetres, "mm" | "millimetre" | "millimetres" | "millimeters") => 1.0,
            (Self::Millimetres, "cm") => 10.0,
            (Self::Millimetres, "m") => 1000.0,
            (
                Self::Micrometres,
                "um" | "µm" | "μm" | "micron" | "microns" | "micrometre" | "micrometres"
                | "micrometers",
            ) => 1.0,
            (Self::Micrometres, "mm") => 1000.0,
            (Self::ElectronsPerAdu, "e-/adu" | "e/adu" | "e-/dn" | "electrons/adu") => 1.0,
            _ => return None,
        };
        Some(number * factor)
    }
}

/// The value as a finite number in `unit`; a string may carry a unit of the same quantity.
pub(super) fn number(value: &Value, unit: Unit) -> Option<f64> {
    let number = match value {
        Value::Integer(number) => *number as f64,
        Value::Real(number) => *number,
        Value::Text(text) => {
            let (number, suffix) = split_number(text.trim())?;
            unit.convert(number, suffix)?
        }
        Value::Logical(_) | Value::Other(_) | Value::None => return None,
    };
    number.is_finite().then_some(number)
}

/// The value as a whole number; `2.0` counts as one.
pub(super) fn whole(value: &Value) -> Option<i64> {
    let number = number(value, Unit::Plain)?;
    (number.fract() == 0.0 && number.abs() < 1e15).then_some(number as i64)
}

/// The value as text without surrounding blanks; numbers are written out. Nothing for a blank.
pub(super) fn text(value: &Value) -> Option<String> {
    let text = match value {
        Value::Text(text) => text.trim().to_owned(),
        Value::Integer(_) | Value::Real(_) => value.to_string(),
        Value::Other(text) => text.trim().to_owned(),
        Value::Logical(_) | Value::None => return None,
    };
    (!text.is_empty()).then_some(text)
}

/// Degrees from an angle on the sky. Three (or two) parts are sexagesimal: of hours where
/// `in_hours`, else of degrees. A lone number is degrees, unless an `h` follows it.
pub(super) fn sky(value: &Value, in_hours: bool) -> Option<f64> {
    let Value::Text(text) = value else {
        return number(value, Unit::Degrees);
    };
    let text = text.trim();
    if let Some(degrees) = number(value, Unit::Degrees) {
        return Some(degrees);
    }
    let negative = text.starts_with('-');
    let bare = text.trim_start_matches(['+', '-']).to_lowercase();
    let separators = |c: char| c.is_whitespace() || ":hdms°'\"′″".contains(c);
    let parts: Vec<&str> = bare
        .split(separators)
        .filter(|part| !part.is_empty())
        .collect();
    let hours = in_hours && !bare.contains(['d', '°']) || bare.contains('h');
    if parts.is_empty() || parts.len() > 3 || (parts.len() == 1 && !bare.contains('h')) {
        return None;
    }
    let mut total = 0.0;
    for (index, part) in parts.iter().enumerate() {
        // Digits and a point only: no inner sign, no exponent, no `nan`.
        if !part.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
            return None;
        }
        let part: f64 = part.parse().ok()?;
        if index > 0 && part >= 60.0 {
            return None;
        }
        total += part / 60f64.powi(index as i32);
    }
    let degrees = if hours { total * 15.0 } else { total };
    let signed = if negative { -degrees } else { degrees };
    signed.is_finite().then_some(signed)
}

/// Splits `-10.0 C` into the number and what follows it.
fn split_number(text: &str) -> Option<(f64, &str)> {
    let mut end = 0;
    let bytes = text.as_bytes();
    let digits = |end: &mut usize| {
        let start = *end;
        while bytes.get(*end).is_some_and(u8::is_ascii_digit) {
            *end += 1;
        }
        *end > start
    };
    if matches!(bytes.first(), Some(b'+' | b'-')) {
        end += 1;
    }
    let before = digits(&mut end);
    let mut after = false;
    if bytes.get(end) == Some(&b'.') {
        end += 1;
        after = digits(&mut end);
    }
    if !before && !after {
        return None;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let mut ahead = end + 1;
        if matches!(bytes.get(ahead), Some(b'+' | b'-')) {
            ahead += 1;
        }
        if digits(&mut ahead) {
            end = ahead;
        }
    }
    // Everything up to `end` is ASCII, so `end` is a character boundary.
    let (number, suffix) = text.split_at_checked(end)?;
    Some((number.parse().ok()?, suffix))
}

/// A value as a person should see it: short, printable.
pub(super) fn shown(value: &Value) -> String {
    const LONGEST: usize = 60;
    let text: String = value
        .to_string()
        .chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect();
    if text.chars().count() <= LONGEST {
        return text;
    }
    let mut short: String = text.chars().take(LONGEST).collect();
    short.push('…');
    short
}
