//! Newtypes that carry a unit. A value is always finite: `new` refuses NaN and infinities.

use std::cmp::Ordering;
use std::fmt;
use std::hash::{Hash, Hasher};

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $suffix:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// The value, or nothing when it is not finite. Negative zero becomes zero.
            pub fn new(value: f64) -> Option<Self> {
                value.is_finite().then_some(Self(value + 0.0))
            }

            /// The bare number.
            pub fn get(self) -> f64 {
                self.0
            }
        }

        impl Eq for $name {}

        impl Hash for $name {
            fn hash<H: Hasher>(&self, state: &mut H) {
                self.0.to_bits().hash(state);
            }
        }

        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
                Some(self.cmp(other))
            }
        }

        impl Ord for $name {
            fn cmp(&self, other: &Self) -> Ordering {
                self.0.total_cmp(&other.0)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                if let Some(precision) = f.precision() {
                    write!(f, "{:.*}{}", precision, self.0, $suffix)
                } else {
                    write!(f, "{}{}", self.0, $suffix)
                }
            }
        }
    };
}

unit!(
    /// A span of time in seconds.
    Seconds,
    " s"
);
unit!(
    /// A temperature in degrees Celsius.
    Celsius,
    " C"
);
unit!(
    /// An angle in degrees.
    Degrees,
    " deg"
);
