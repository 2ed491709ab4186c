//! The session log as YAML text, and back.
//!
//! Every string is double-quoted, so that no reader takes `12:30:00`, `on` or `=` for something
//! else; whatever could harm a terminal or a parser is escaped. Keys are plain and stand in the
//! order of the struct. The writer walks the log's own serde form, so that it cannot forget a
//! key. Numbers never carry an exponent, since some readers take `1e-7` for a string.
//!
//! It does not know what the keys mean.

use std::fmt::Write;

use serde::Serialize;
use serde_yaml::Value;

use crate::facts::{SensorHistory, SessionLog};

use super::sheet::harmless;

const FIRST_LINE: &str =
    "# What became of every file of one night. Times are UTC, paths relative.\n";

const FIRST_LINE_OF_SENSORS: &str = "# What bias, dark and flat frames say of each sensor, by evening date. Errors are standard errors.\n";

/// The log as block-style YAML.
pub fn yaml(log: &SessionLog) -> String {
    block(FIRST_LINE, log)
}

/// The sensors' history in the same style.
pub fn sensors_yaml(history: &SensorHistory) -> String {
    block(FIRST_LINE_OF_SENSORS, history)
}

/// Plain data as block-style YAML below its first lines.
#[allow(
    clippy::expect_used,
    reason = "structs with text keys, strings, numbers, options and lists always have a value form"
)]
pub(super) fn block(first_lines: &str, data: &impl Serialize) -> String {
    let value = serde_yaml::to_value(data).expect("it is plain data");
    let mut out = String::from(first_lines);
    write_value(&mut out, &value, 0, false);
    out
}

/// Reads a log back.
///
/// # Errors
/// When the text is not YAML or not a session log, with line and column.
pub fn parse(text: &str) -> Result<SessionLog, serde_yaml::Error> {
    serde_yaml::from_str(text)
}

/// Writes a value that begins a line of its own at `indent`, or follows `- ` where `inline`.
fn write_value(out: &mut String, value: &Value, indent: usize, inline: bool) {
    match value {
        Value::Mapping(mapping) => {
            for (place, (key, value)) in mapping.iter().enumerate() {
                if place > 0 || !inline {
                    pad(out, indent);
                }
                write_key(out, key.as_str().unwrap_or_default());
                out.push(':');
                write_nested(out, value, indent);
            }
        }
        Value::Sequence(items) => {
            for item in items {
                pad(out, indent);
                out.push_str("- ");
                write_value(out, item, indent + 2, true);
            }
        }
        scalar => {
            write_scalar(out, scalar);
            out.push('\n');
        }
    }
}

/// Keys of ours are plain. What a user named, a filter say, is quoted unless it looks like one of
/// ours, and no reader takes it for a truth value.
fn write_key(out: &mut String, key: &str) {
    const TRUTHS: [&str; 9] = ["y", "n", "yes", "no", "on", "off", "true", "false", "null"];
    let is_plain = |b: u8| b.is_ascii_lowercase() || b == b'_';
    if !key.is_empty() && key.bytes().all(is_plain) && !TRUTHS.contains(&key) {
        out.push_str(key);
    } else {
        write_quoted(out, key);
    }
}

/// Writes what follows `key:`.
fn write_nested(out: &mut String, value: &Value, indent: usize) {
    match value {
        Value::Mapping(mapping) if mapping.is_empty() => out.push_str(" {}\n"),
        Value::Sequence(items) if items.is_empty() => out.push_str(" []\n"),
        Value::Mapping(_) | Value::Sequence(_) => {
            out.push('\n');
            write_value(out, value, indent + 2, false);
        }
        scalar => {
            out.push(' ');
            write_scalar(out, scalar);
            out.push('\n');
        }
    }
}

fn write_scalar(out: &mut String, value: &Value) {
    match value {
        Value::String(text) => write_quoted(out, text),
        Value::Number(number) => match number.as_f64() {
            Some(real) if number.is_f64() => write_real(out, real),
            _ => push(out, format_args!("{number}")),
        },
        Value::Bool(flag) => push(out, format_args!("{flag}")),
        _ => out.push_str("null"),
    }
}

fn write_real(out: &mut String, real: f64) {
    if real.is_nan() {
        out.push_str(".nan");
    } else if real.is_infinite() {
        out.push_str(if real > 0.0 { ".inf" } else { "-.inf" });
    } else {
        let point = if real.fract() == 0.0 { ".0" } else { "" };
        push(out, format_args!("{real}{point}"));
    }
}

/// A double-quoted scalar on one line.
fn write_quoted(out: &mut String, text: &str) {
    out.push('"');
    for character in text.chars() {
        match character {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            '\r' => out.push_str("\\r"),
            c if is_unsafe(c) => match u32::from(c) {
                code @ ..=0xff => push(out, format_args!("\\x{code:02x}")),
                code @ ..=0xffff => push(out, format_args!("\\u{code:04x}")),
                code => push(out, format_args!("\\U{code:08x}")),
            },
            c => out.push(c),
        }
    }
    out.push('"');
}

/// Characters that YAML does not allow as they are, that end a line for some readers, or that
/// change how the rest of the line is displayed.
fn is_unsafe(c: char) -> bool {
    harmless(c) != c
}

fn pad(out: &mut String, indent: usize) {
    out.extend(std::iter::repeat_n(' ', indent));
}

fn push(out: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = out.write_fmt(text);
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use proptest::prelude::*;

    use super::*;
    use crate::night::scene;

    #[test]
    fn strings_that_other_readers_would_retype_stay_strings() {
        let mut out = String::new();
        write_quoted(&mut out, "12:30:00");
        assert_eq!(out, "\"12:30:00\"");
        for text in [
            "on", "=", "~", "", " x ", "#", "- a", "a: b", "'", "0x1f", "1e3",
        ] {
            let mut log = scene::full_log();
            log.warnings = vec![text.to_owned()];
            log.night = text.to_owned();
            assert_eq!(parse(&yaml(&log)).unwrap(), log, "{text:?}");
        }
    }

    #[test]
    fn escapes_are_those_of_yaml() {
        let mut out = String::new();
        write_quoted(&mut out, "a\"b\\c\nd\u{7}\u{85}\u{202e}\u{1ffff}é");
        assert_eq!(out, r#""a\"b\\c\nd\x07\x85\u202e\U0001ffffé""#);
    }

    #[test]
    fn numbers_carry_a_point_and_no_exponent() {
        let real = |value| {
            let mut out = String::new();
            write_real(&mut out, value);
            out
        };
        assert_eq!(real(300.0), "300.0");
        assert_eq!(real(3.8e-8), "0.000000038");
        assert_eq!(real(-0.5), "-0.5");
        assert_eq!(real(f64::NAN), ".nan");
        assert_eq!(real(f64::NEG_INFINITY), "-.inf");
    }

    #[test]
    fn the_text_is_block_style_in_the_struct_s_order() {
        let text = yaml(&scene::full_log());
        let keys: Vec<&str> = text
            .lines()
            .filter(|line| !line.starts_with([' ', '#']))
            .map(|line| line.split(':').next().unwrap())
            .collect();
        assert_eq!(
            keys,
            [
                "schema",
                "night",
                "state",
                "ledger",
                "lights",
                "calibration",
                "masters",
                "refused",
                "ignored",
                "to_shoot",
                "warnings",
                "totals",
                "sensors"
            ]
        );
        assert!(text.contains("\n  - file: \""), "{text}");
        assert!(text.contains("\n    masters:\n      bias: \""), "{text}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn any_text_and_number_comes_back(
            words in prop::collection::vec(any::<String>(), 8),
            controls in "[\\x00-\\x1f\\x7f-\\xa0\u{2028}\u{feff}\u{fffe}\"\\\\ ]{0,40}",
            long in ".{1200,5000}",
            numbers in prop::collection::vec(prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::SUBNORMAL, 4),
            count in any::<u32>(),
        ) {
            let mut log = scene::full_log();
            log.schema = words[0].clone();
            log.lights[0].file = words[1].clone();
            log.lights[0].reason = Some(words[2].clone());
            log.lights[0].target = Some(long.clone());
            log.lights[0].exposure_s = numbers[0];
            log.calibration[0].master = Some(controls.clone());
            log.calibration[0].rejected_low_fraction = Some(numbers[1]);
            log.masters[0].level_adu = numbers[2];
            log.masters[0].frames_used = Some(count as usize);
            log.to_shoot[0].gain = Some(numbers[3]);
            log.warnings = vec![long, controls, words[3].clone(), words[4].clone()];
            log.refused[0].reason = words[5].clone();
            log.totals[0].target = words[6].clone();
            log.ignored[0].watch = words[7].clone();
            let text = yaml(&log);
            let back = parse(&text);
            prop_assert!(back.is_ok(), "{}\n{text}", back.unwrap_err());
            prop_assert_eq!(back.unwrap(), log);
        }
    }
}
