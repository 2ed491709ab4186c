//! BLAKE3 digests: of a file's bytes ([`Digest`]) and of a product's recipe ([`Fingerprint`]).

use std::collections::{HashMap, HashSet};
use std::fmt;
use std::hash::{BuildHasherDefault, Hash, Hasher};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

macro_rules! hash {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
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

        /// Any eight bytes of a BLAKE3 digest are as good a hash as can be.
        impl Hash for $name {
            fn hash<H: Hasher>(&self, state: &mut H) {
                let (eight, _) = self.0.split_first_chunk().unwrap_or((&[0; 8], &[]));
                state.write_u64(u64::from_le_bytes(*eight));
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let mut text = [0; 64];
                for (pair, byte) in text.chunks_exact_mut(2).zip(self.0) {
                    let digit = |half: u8| b"0123456789abcdef"[usize::from(half)];
                    pair.copy_from_slice(&[digit(byte >> 4), digit(byte & 15)]);
                }
                f.write_str(std::str::from_utf8(&text).map_err(|_| fmt::Error)?)
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

/// A map by [`Digest`] or [`Fingerprint`], or by one of them and another hash.
pub type DigestMap<K, V> = HashMap<K, V, BuildHasherDefault<EightBytes>>;
/// A set of [`Digest`]s or [`Fingerprint`]s.
pub type DigestSet<K> = HashSet<K, BuildHasherDefault<EightBytes>>;

/// The hasher of maps by digest: takes the eight bytes that a digest gives as they are, several XORed.
#[derive(Clone, Copy, Debug, Default)]
pub struct EightBytes(u64);

impl Hasher for EightBytes {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write_u64(&mut self, eight: u64) {
        self.0 ^= eight;
    }

    /// Of what is no digest: any bytes, eight at a time.
    fn write(&mut self, bytes: &[u8]) {
        for chunk in bytes.chunks(8) {
            let mut eight = [0; 8];
            eight[..chunk.len()].copy_from_slice(chunk);
            self.0 = self.0.rotate_left(5) ^ u64::from_le_bytes(eight);
        }
    }
}

/// The text is not 64 hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not 64 hexadecimal digits")]
pub struct NotHex;
