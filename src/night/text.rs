//! How numbers, moments and foreign text are written, the same everywhere in this room.
//!
//! It does not know what they mean.

use jiff::Timestamp;

/// RFC 3339 in UTC with three decimals, always: texts of one length sort by time.
pub(super) fn utc(moment: Timestamp) -> String {
    format!("{moment:.3}")
}

/// Rounded to so many decimals, without a negative zero.
pub(super) fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let scaled = (value * scale).round();
    if scaled.is_finite() {
        scaled / scale + 0.0
    } else {
        value
    }
}

/// `1 light`, `2 lights`.
pub(super) fn counted(count: usize, noun: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{plural}")
}

/// Foreign text made fit for a terminal: blanks and line ends become single spaces, anything that
/// could move the cursor or turn the line around becomes `?`.
pub(super) fn tame(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            c if c.is_whitespace() => {
                if !out.ends_with(' ') && !out.is_empty() {
                    out.push(' ');
                }
            }
            c if c.is_control() || is_invisible(c) => out.push('?'),
            c => out.push(c),
        }
    }
    out.truncate(out.trim_end().len());
    out
}

fn is_invisible(c: char) -> bool {
    matches!(u32::from(c), 0x200b..=0x200f | 0x202a..=0x202e | 0x2060..=0x206f | 0xfeff | 0xfff9..=0xfffb | 0xe0000..=0xe007f)
}

/// Columns that a text takes in a terminal: two for the wide characters of East Asia and
/// pictures, none for the common combining marks.
pub(super) fn width(text: &str) -> usize {
    text.chars().map(columns).sum()
}

pub(super) fn columns(c: char) -> usize {
    match u32::from(c) {
        0x0300..=0x036f | 0xfe00..=0xfe0f => 0,
        0x1100..=0x115f
        | 0x2e80..=0xa4cf
        | 0xac00..=0xd7a3
        | 0xf900..=0xfaff
        | 0xfe30..=0xfe6f
        | 0xff00..=0xff60
        | 0xffe0..=0xffe6
        | 0x1f300..=0x1faff
        | 0x20000..=0x3fffd => 2,
        _ => 1,
    }
}
