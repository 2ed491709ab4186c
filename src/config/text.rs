//! YAML text to raw values, and places in the text to lines and columns.
//!
//! Three walks over the same text. The first refuses what the YAML reader lets pass: a key given
//! twice (it would keep the last) and numbers that are not finite. The second reads the raw
//! struct, which knows its keys. The third is only taken for a complaint: it fails on purpose at
//! the place complained of, since the reader tells positions in its errors and nowhere else.
//!
//! It does not know what the keys mean.

use std::collections::BTreeSet;
use std::fmt;
use std::ops::Deref;
use std::path::Path;

use serde::Deserialize;
use serde::de::{
    DeserializeOwned, DeserializeSeed, Deserializer, EnumAccess, Error, IgnoredAny, MapAccess,
    SeqAccess, Visitor,
};

use super::ConfigError;

/// Text that was typed as text. The reader would take a number's digits for it as well; then `007`
/// and `1e3` would mean something else to every other reader of the file.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Text(String);

impl fmt::Debug for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl Deref for Text {
    type Target = str;

    fn deref(&self) -> &str {
        &self.0
    }
}

impl<'de> Deserialize<'de> for Text {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Typed;
        impl Visitor<'_> for Typed {
            type Value = Text;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("text, in quotes where it looks like a number")
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<Text, E> {
                Ok(Text(text.to_owned()))
            }
        }
        deserializer.deserialize_any(Typed)
    }
}

/// One step down into a document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Into a mapping.
    Key(String),
    /// Into a list.
    Index(usize),
}

impl From<&str> for Step {
    fn from(key: &str) -> Self {
        Self::Key(key.to_owned())
    }
}

impl From<String> for Step {
    fn from(key: String) -> Self {
        Self::Key(key)
    }
}

impl From<usize> for Step {
    fn from(index: usize) -> Self {
        Self::Index(index)
    }
}

/// A complaint about a place in a document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Fault {
    /// The steps to the place.
    pub(super) at: Vec<Step>,
    /// What was found, what is allowed.
    pub(super) message: String,
}

impl Fault {
    pub(super) fn new(at: &[Step], message: impl Into<String>) -> Self {
        Self {
            at: at.to_vec(),
            message: message.into(),
        }
    }

    /// Finds line and column: of the key where the place is a value in a mapping, of the nearest
    /// enclosing place where the text does not spell it out.
    pub(super) fn locate(self, text: &str, file: &Path) -> ConfigError {
        let pointer = Pointer { steps: &self.at };
        let (line, column) = match pointer.deserialize(serde_yaml::Deserializer::from_str(text)) {
            Ok(()) => (1, 1),
            Err(error) => position(&error),
        };
        ConfigError {
            file: file.to_owned(),
            line,
            column,
            message: self.message,
        }
    }
}

/// Steps written down: `steps!["watch", 0, "path"]`.
macro_rules! steps {
    ($($step:expr),* $(,)?) => { [$($crate::config::text::Step::from($step)),*] };
}
pub(super) use steps;

/// Reads a raw value.
pub(super) fn read<T: DeserializeOwned>(text: &str, file: &Path) -> Result<T, ConfigError> {
    let complain = |error: serde_yaml::Error| {
        let (line, column) = position(&error);
        ConfigError {
            file: file.to_owned(),
            line,
            column,
            message: message(&error),
        }
    };
    Sound
        .deserialize(serde_yaml::Deserializer::from_str(text))
        .map_err(complain)?;
    serde_yaml::from_str(text).map_err(complain)
}

fn position(error: &serde_yaml::Error) -> (usize, usize) {
    error
        .location()
        .map_or((1, 1), |place| (place.line().max(1), place.column().max(1)))
}

/// The reader's message without the position, which stands in front of ours.
fn message(error: &serde_yaml::Error) -> String {
    let text = error.to_string();
    let text = match error.location() {
        Some(place) => {
            let tail = format!(" at line {} column {}", place.line(), place.column());
            text.strip_suffix(&tail).unwrap_or(&text).to_owned()
        }
        None => text,
    };
    if text.contains("more than one document") {
        return "found more than one document, want one: no `---` between lines".to_owned();
    }
    // The reader names Rust's types; the person writes numbers and lists.
    for (theirs, ours) in [
        ("expected f64", "expected a number"),
        ("expected usize", "expected a whole number from 0"),
        ("expected u64", "expected a whole number from 0"),
        ("expected u32", "expected a whole number from 0"),
        ("expected i64", "expected a whole number"),
        ("expected a sequence", "expected a list"),
        ("expected a map", "expected a mapping"),
    ] {
        if let Some(front) = text.strip_suffix(theirs) {
            return format!("{front}{ours}");
        }
    }
    text
}

/// The first walk.
struct Sound;

impl<'de> DeserializeSeed<'de> for Sound {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Sound {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a plain value without a tag")
    }

    fn visit_bool<E: Error>(self, _: bool) -> Result<(), E> {
        Ok(())
    }

    fn visit_i64<E: Error>(self, _: i64) -> Result<(), E> {
        Ok(())
    }

    fn visit_u64<E: Error>(self, _: u64) -> Result<(), E> {
        Ok(())
    }

    fn visit_f64<E: Error>(self, number: f64) -> Result<(), E> {
        if number.is_finite() {
            Ok(())
        } else {
            Err(E::custom(format_args!(
                "found {number}, want a finite number"
            )))
        }
    }

    fn visit_str<E: Error>(self, _: &str) -> Result<(), E> {
        Ok(())
    }

    fn visit_unit<E: Error>(self) -> Result<(), E> {
        Ok(())
    }

    fn visit_none<E: Error>(self) -> Result<(), E> {
        Ok(())
    }

    fn visit_enum<A: EnumAccess<'de>>(self, _: A) -> Result<(), A::Error> {
        Err(A::Error::custom(
            "found a tag, want a plain value without one",
        ))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<(), A::Error> {
        while list.next_element_seed(Sound)?.is_some() {}
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let mut seen = BTreeSet::new();
        while map.next_key_seed(NewKey { seen: &mut seen })?.is_some() {
            map.next_value_seed(Sound)?;
        }
        Ok(())
    }
}

/// A key that must not have been seen before.
struct NewKey<'a> {
    seen: &'a mut BTreeSet<String>,
}

impl<'de> DeserializeSeed<'de> for NewKey<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for NewKey<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_str<E: Error>(self, key: &str) -> Result<(), E> {
        if self.seen.insert(key.to_owned()) {
            Ok(())
        } else {
            Err(E::custom(format_args!(
                "key {key:?} stands here a second time, want it once"
            )))
        }
    }
}

/// The third walk: always ends in an error, whose position is the answer.
struct Pointer<'a> {
    steps: &'a [Step],
}

impl<'de> DeserializeSeed<'de> for Pointer<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Pointer<'_> {
    type Value = ();

    // The default methods for scalars fail too, in their own words and at the right place.
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("to stop here")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<(), A::Error> {
        if let Some((Step::Index(wanted), rest)) = self.steps.split_first() {
            for _ in 0..*wanted {
                if list.next_element::<IgnoredAny>()?.is_none() {
                    return Err(A::Error::custom("here"));
                }
            }
            list.next_element_seed(Pointer { steps: rest })?;
        }
        Err(A::Error::custom("here"))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        if let Some((Step::Key(wanted), rest)) = self.steps.split_first() {
            let stop = rest.is_empty();
            while let Some(found) = map.next_key_seed(FindKey { wanted, stop })? {
                if found {
                    map.next_value_seed(Pointer { steps: rest })?;
                } else {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Err(A::Error::custom("here"))
    }
}

/// Says whether a key is the one wanted; fails at it where the way ends there.
struct FindKey<'a> {
    wanted: &'a str,
    stop: bool,
}

impl<'de> DeserializeSeed<'de> for FindKey<'_> {
    type Value = bool;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<bool, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for FindKey<'_> {
    type Value = bool;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_str<E: Error>(self, key: &str) -> Result<bool, E> {
        match (key == self.wanted, self.stop) {
            (true, true) => Err(E::custom("here")),
            (found, _) => Ok(found),
        }
    }
}
