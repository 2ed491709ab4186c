//! Why a candidate does not serve, in the words of the log and of `explain`.
//!
//! It does not know how that was found out.

use std::fmt;

use crate::facts::{Celsius, Degrees, Seconds};

/// Why a candidate does not qualify, in the order in which it is checked: a later case is a nearer
/// miss.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Failure {
    HardKey {
        key: &'static str,
        theirs: String,
        wanted: String,
    },
    Filter {
        theirs: String,
        wanted: String,
    },
    Optics {
        theirs: String,
        wanted: String,
    },
    Rotator {
        theirs: Option<Degrees>,
        wanted: Option<Degrees>,
        limit: f64,
    },
    Exposure {
        theirs: Seconds,
        wanted: Seconds,
        limit: f64,
    },
    Temperature {
        theirs: Option<Celsius>,
        wanted: Option<Celsius>,
        limit: f64,
    },
    Window {
        nights: i32,
        before: i32,
        after: i32,
    },
    Train {
        date: String,
    },
    TooFew {
        have: usize,
        need: usize,
    },
    Barred(String),
    /// A supplied one that cannot be what it is said to be.
    Unfit(String),
    /// Qualified, but another is better.
    Farther(String),
}

impl Failure {
    /// Of two failures the nearer miss has the larger number.
    pub(super) fn nearness(&self) -> u8 {
        match self {
            Self::HardKey { .. } => 0,
            Self::Filter { .. } => 1,
            Self::Optics { .. } => 2,
            Self::Rotator { .. } => 3,
            Self::Exposure { .. } => 4,
            Self::Temperature { .. } => 5,
            Self::Window { .. } => 6,
            Self::Train { .. } => 7,
            Self::TooFew { .. } => 8,
            Self::Barred(_) => 9,
            Self::Unfit(_) => 10,
            Self::Farther(_) => 11,
        }
    }
}

/// A value as text.
pub(super) fn or_absent<T: fmt::Display>(value: &Option<T>) -> String {
    value.as_ref().map_or("absent".to_owned(), T::to_string)
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::HardKey {
                key,
                theirs,
                wanted,
            } => write!(f, "{key} is {theirs}, wanted {wanted}"),
            Self::Filter { theirs, wanted } => write!(f, "filter is {theirs}, wanted {wanted}"),
            Self::Optics { theirs, wanted } => write!(f, "optics are {theirs}, wanted {wanted}"),
            Self::Rotator {
                theirs,
                wanted,
                limit,
            } => write!(
                f,
                "rotator angle is {}, wanted {} within {limit} deg",
                or_absent(theirs),
                or_absent(wanted)
            ),
            Self::Exposure {
                theirs,
                wanted,
                limit,
            } => {
                write!(
                    f,
                    "exposure is {theirs}, wanted {wanted} within {}",
                    Percent(*limit)
                )
            }
            Self::Temperature {
                theirs,
                wanted,
                limit,
            } => write!(
                f,
                "temperature is {}, wanted {} within {limit} C",
                or_absent(theirs),
                or_absent(wanted)
            ),
            Self::Window {
                nights,
                before,
                after,
            } => {
                let (count, side) = (nights.abs(), if *nights < 0 { "before" } else { "after" });
                write!(
                    f,
                    "taken {count} nights {side}, the limits are {before} before and {after} after"
                )
            }
            Self::Train { date } => write!(f, "the optical train changed on {date} in between"),
            Self::TooFew { have, need } => {
                write!(
                    f,
                    "has {have} usable frames, the profile asks for at least {need}"
                )
            }
            Self::Barred(reason) => write!(f, "cannot be made: {reason}"),
            Self::Unfit(how) | Self::Farther(how) => f.write_str(how),
        }
    }
}

struct Percent(f64);

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} %", (self.0 * 1e6).round() / 1e4)
    }
}
