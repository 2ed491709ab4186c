//! The parts of a profile that are made of words found in headers and paths: aliases, keywords,
//! path patterns.

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::Deserialize;
use serde::de::{Deserializer, Error, SeqAccess, Visitor};

use crate::facts::{Kind, PathPattern};
use crate::frame::{FACTS, path_glob};

use super::bounds::said;
use super::schema::facts_stated;
use super::text::{Fault, Step, Text, steps};

/// A string or a list of strings.
pub(super) struct OneOrMore {
    listed: bool,
    pub(super) texts: Vec<String>,
}

impl OneOrMore {
    /// The place of the entry at `index`.
    pub(super) fn place(&self, at: &[Step], index: usize) -> Vec<Step> {
        let mut at = at.to_vec();
        if self.listed {
            at.push(Step::Index(index));
        }
        at
    }
}

impl<'de> Deserialize<'de> for OneOrMore {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Texts;
        impl<'de> Visitor<'de> for Texts {
            type Value = OneOrMore;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("text or a list of texts, in quotes where it looks like a number")
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<OneOrMore, E> {
                Ok(OneOrMore {
                    listed: false,
                    texts: vec![text.to_owned()],
                })
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<OneOrMore, A::Error> {
                let mut texts = Vec::new();
                while let Some(text) = list.next_element::<Text>()? {
                    texts.push(text.to_string());
                }
                Ok(OneOrMore {
                    listed: true,
                    texts,
                })
            }
        }
        deserializer.deserialize_any(Texts)
    }
}

/// Facts that hold for the files whose path fits a pattern, where their headers say nothing.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, expecting = "a mapping with match and facts")]
#[schemars(rename = "PathFacts")]
pub(super) struct RawPath {
    /// A pattern on the path in the watch folder; * stays within a folder, ** crosses folders.
    #[schemars(length(min = 1))]
    #[serde(rename = "match")]
    glob: Text,
    /// Facts and their values, as a header would state them.
    #[schemars(schema_with = "facts_stated")]
    facts: BTreeMap<String, Stated>,
}

/// What a header might state: text, or a number or truth value that is taken as text.
pub(super) struct Stated(String);

impl<'de> Deserialize<'de> for Stated {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Plain;
        impl Visitor<'_> for Plain {
            type Value = Stated;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value as a header would state it")
            }

            // Nothing at all is for the checks to refuse, in their own words.
            fn visit_unit<E: Error>(self) -> Result<Stated, E> {
                Ok(Stated("~".to_owned()))
            }

            fn visit_bool<E: Error>(self, truth: bool) -> Result<Stated, E> {
                Ok(Stated(truth.to_string()))
            }

            fn visit_i64<E: Error>(self, number: i64) -> Result<Stated, E> {
                Ok(Stated(number.to_string()))
            }

            fn visit_u64<E: Error>(self, number: u64) -> Result<Stated, E> {
                Ok(Stated(number.to_string()))
            }

            fn visit_f64<E: Error>(self, number: f64) -> Result<Stated, E> {
                Ok(Stated(number.to_string()))
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<Stated, E> {
                Ok(Stated(text.to_owned()))
            }
        }
        deserializer.deserialize_any(Plain)
    }
}

/// Words that headers use are compared without regard to letter case, so two spellings of one
/// word must not mean two things.
fn distinct<'a>(words: impl Iterator<Item = &'a String>, part: &str) -> Result<(), Fault> {
    let mut seen: BTreeMap<String, &String> = BTreeMap::new();
    for word in words {
        let at = steps![part, word.as_str()];
        said(word, "a word as headers give it", &at)?;
        if let Some(earlier) = seen.insert(word.trim().to_lowercase(), word) {
            return Err(Fault::new(
                &at,
                format!("{word:?} and {earlier:?} are the same but for letter case, want one"),
            ));
        }
    }
    Ok(())
}

pub(super) fn filters(raw: BTreeMap<String, Stated>) -> Result<BTreeMap<String, String>, Fault> {
    distinct(raw.keys(), "filters")?;
    raw.into_iter()
        .map(|(word, Stated(physical))| {
            let at = steps!["filters", word.as_str()];
            let physical = said(&physical, "the name of a physical filter, or none", &at)?;
            // `none` is a word of the house: it has one spelling.
            let physical = if physical.eq_ignore_ascii_case("none") {
                "none"
            } else {
                physical
            };
            Ok((word.trim().to_owned(), physical.to_owned()))
        })
        .collect()
}

pub(super) fn kinds(raw: BTreeMap<String, Kind>) -> Result<BTreeMap<String, Kind>, Fault> {
    distinct(raw.keys(), "kinds")?;
    Ok(raw
        .into_iter()
        .map(|(word, kind)| (word.trim().to_owned(), kind))
        .collect())
}

fn known_fact(name: &str, at: &[Step]) -> Result<(), Fault> {
    if FACTS.iter().any(|fact| fact.name == name) {
        return Ok(());
    }
    let names: Vec<&str> = FACTS.iter().map(|fact| fact.name).collect();
    Err(Fault::new(
        at,
        format!("found the fact {name:?}, want one of {}", names.join(", ")),
    ))
}

pub(super) fn keywords(
    raw: BTreeMap<String, OneOrMore>,
) -> Result<BTreeMap<String, Vec<String>>, Fault> {
    let mut checked = BTreeMap::new();
    for (fact, keywords) in raw {
        let at = steps!["keywords", fact.as_str()];
        known_fact(&fact, &at)?;
        let mut names = Vec::new();
        for (index, keyword) in keywords.texts.iter().enumerate() {
            let at = keywords.place(&at, index);
            names.push(header_keyword(keyword, &at)?);
        }
        if names.is_empty() {
            return Err(Fault::new(
                &at,
                "found an empty list, want a header keyword",
            ));
        }
        checked.insert(fact, names);
    }
    Ok(checked)
}

/// A keyword as headers are searched for it: capitals, single blanks, without the word HIERARCH.
fn header_keyword(text: &str, at: &[Step]) -> Result<String, Fault> {
    let capitals = text.to_uppercase();
    let words: Vec<&str> = capitals.split_whitespace().collect();
    let words = match words.as_slice() {
        ["HIERARCH", rest @ ..] => rest,
        words => words,
    };
    let keyword = words.join(" ");
    let printable = keyword
        .bytes()
        .all(|b| (0x20..0x7f).contains(&b) && b != b'=');
    let prose = matches!(keyword.as_str(), "COMMENT" | "HISTORY" | "END" | "CONTINUE");
    if keyword.is_empty() || keyword.len() > 68 || !printable || prose {
        return Err(Fault::new(
            at,
            format!("found {text:?}, want a header keyword that holds a value"),
        ));
    }
    Ok(keyword)
}

pub(super) fn paths(raw: Vec<RawPath>) -> Result<Vec<PathPattern>, Fault> {
    let mut patterns = Vec::new();
    for (index, raw) in raw.into_iter().enumerate() {
        path_glob(&raw.glob).map_err(|problem| {
            Fault::new(
                &steps!["paths", index, "match"],
                format!("found {:?}, want a pattern on a path: {problem}", raw.glob),
            )
        })?;
        if raw.facts.is_empty() {
            return Err(Fault::new(
                &steps!["paths", index, "facts"],
                "found no facts, want at least one, such as kind: dark",
            ));
        }
        let mut facts = BTreeMap::new();
        for (fact, Stated(value)) in raw.facts {
            let at = steps!["paths", index, "facts", fact.as_str()];
            known_fact(&fact, &at)?;
            said(&value, "a value as a header would state it", &at)?;
            facts.insert(fact, value);
        }
        patterns.push(PathPattern {
            glob: raw.glob.to_string(),
            facts,
        });
    }
    Ok(patterns)
}
