//! How numbers and moments are written, the same everywhere in this room.
//!
//! It does not know what they mean.

use jiff::Timestamp;
use jiff::tz::TimeZone;

/// RFC 3339 in UTC with three decimals, always: texts of one length sort by time.
pub(super) fn utc(moment: Timestamp) -> String {
    format!("{moment:.3}")
}

/// Hours and minutes on a clock of this zone.
pub fn clock(moment: Timestamp, zone: &TimeZone) -> String {
    let local = moment.to_zoned_datetime(zone.clone());
    format!("{:02}:{:02}", local.hour(), local.minute())
}

/// Rounded to so many decimals, without a negative zero. What cannot be rounded stays.
pub fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let scaled = (value * scale).round();
    if scaled.is_finite() {
        scaled / scale + 0.0
    } else {
        value
    }
}

/// `1 light`, `2 lights`.
pub fn counted(count: usize, noun: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{plural}")
}

/// Hours and minutes, as people add them up.
pub fn span(seconds: f64) -> String {
    if seconds < 60.0 {
        return format!("{seconds:.0} s");
    }
    let minutes = (seconds / 60.0).round() as u64;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

/// Bytes in the units that disks are sold in.
pub fn bytes(count: u64) -> String {
    let count = count as f64;
    match count {
        small if small < 1e6 => format!("{:.0} kB", count / 1e3),
        small if small < 1e9 => format!("{:.0} MB", count / 1e6),
        small if small < 1e10 => format!("{:.1} GB", count / 1e9),
        small if small < 1e13 => format!("{:.0} GB", count / 1e9),
        _ => format!("{:.0} TB", count / 1e12),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_written_as_people_add_them_up() {
        assert_eq!(span(45.0), "45 s");
        assert_eq!(span(2400.0), "40 min");
        assert_eq!(span(12_000.0), "3 h 20 min");
        assert_eq!(span(3599.0), "1 h 00 min");
    }

    #[test]
    fn bytes_are_written_as_disks_are_sold() {
        assert_eq!(bytes(12_345), "12 kB");
        assert_eq!(bytes(31_457_280), "31 MB");
        assert_eq!(bytes(9_400_000_000), "9.4 GB");
        assert_eq!(bytes(412_300_000_000), "412 GB");
        assert_eq!(bytes(16_000_000_000_000), "16 TB");
    }
}
