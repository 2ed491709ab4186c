//! BLAKE3 digests: of a file's bytes ([`Digest`]) and of a product's recipe ([`Fingerprint`]).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

macro_rules! hash {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(into = "String", try_from = "String")]
        pub struct $name([u8; 32]);

        impl $name {
            /// Wraps 32 bytes.
            pub const fn new(bytes: [u8; 32]) -> Self {
                Self(bytes)
            }

            /// The 32 bytes.
            pub const fn bytes(&self) -> &[u8; 32] {
                &self.0
            }

            /// The first eight hexadecimal digits: enough for a file name.
            pub fn short(&self) -> String {
                self.to_string()[..8].to_owned()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}({self})", stringify!($name))
            }
        }

        impl FromStr for $name {
            type Err = NotHex;

            fn from_str(text: &str) -> Result<Self, NotHex> {
                if text.len() != 64 || !text.is_ascii() {
                    return Err(NotHex);
                }
                let mut bytes = [0; 32];
                for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks(2)) {
                    let pair = std::str::from_utf8(pair).map_err(|_| NotHex)?;
                    *byte = u8::from_str_radix(pair, 16).map_err(|_| NotHex)?;
                }
                Ok(Self(bytes))
            }
        }

        impl From<$name> for String {
            fn from(value: $name) -> String {
                value.to_string()
            }
        }

        impl TryFrom<String> for $name {
            type Error = NotHex;

            fn try_from(text: String) -> Result<Self, NotHex> {
                text.parse()
            }
        }
    };
}

hash!(
    /// BLAKE3 of a raw file's bytes: its identity, wherever it lies and whatever it is called.
    Digest
);
hash!(
    /// BLAKE3 of everything that determines a product's bytes: see [`crate::facts::Recipe`].
    Fingerprint
);

/// The text is not 64 hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not 64 hexadecimal digits")]
pub struct NotHex;
