//! How numbers and moments are written, the same everywhere in this room.
//!
//! It does not know what they mean.

use jiff::Timestamp;

/// RFC 3339 in UTC with three decimals, always: texts of one length sort by time.
pub(super) fn utc(moment: Timestamp) -> String {
    format!("{moment:.3}")
}

/// Rounded to so many decimals, without a negative zero. What cannot be rounded stays.
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
