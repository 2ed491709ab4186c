//! Where facts come from: the profile's own keywords, then the known ones, then the path.
//!
//! What a profile states of a supplied master comes before all of them, and then nothing else is heard
//! about that fact.
//!
//! Invariant: a path pattern is heard only where the header says nothing about the fact. A blank
//! string says nothing.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use crate::facts::{Header, Profile, Refusal, RelPath, Value};

use super::glob::path_glob;
use super::keywords::Fact;
use super::value::{Unit, number, shown, text};

/// A statement about a fact.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Found {
    /// The header keyword, or `path fact NAME`.
    pub(super) keyword: String,
    /// What is stated.
    pub(super) value: Value,
}

impl Found {
    /// Refuses the frame on account of this statement.
    pub(super) fn refuse(&self, want: impl Into<String>) -> Refusal {
        Refusal::Keyword {
            keyword: self.keyword.clone(),
            found: shown(&self.value),
            want: want.into(),
        }
    }

    /// Says that this statement was passed over.
    pub(super) fn remark(&self, what: &str) -> String {
        format!(
            "{} is {}: {what}, ignored",
            self.keyword,
            shown(&self.value)
        )
    }
}

/// One file's header and path as one profile reads them.
pub(super) struct Source<'a> {
    header: &'a Header,
    profile: &'a Profile,
    matching: Vec<&'a BTreeMap<String, String>>,
    stated: Option<&'a BTreeMap<String, String>>,
}

impl<'a> Source<'a> {
    pub(super) fn new(header: &'a Header, path: &RelPath, profile: &'a Profile) -> Self {
        let matching = profile
            .paths
            .iter()
            // A checked profile holds no bad glob; one that does not compile matches nothing.
            .filter(|pattern| path_glob(&pattern.glob).is_ok_and(|g| g.is_match(path.as_path())))
            .map(|pattern| &pattern.facts)
            .collect();
        Self {
            header,
            profile,
            matching,
            stated: None,
        }
    }

    /// A supplied master's header, with what its profile states of it.
    pub(super) fn supplied(
        header: &'a Header,
        stated: &'a BTreeMap<String, String>,
        profile: &'a Profile,
    ) -> Self {
        Self {
            header,
            profile,
            matching: Vec::new(),
            stated: Some(stated),
        }
    }

    /// What the profile states of this very file.
    pub(super) fn stated_fact(&self, fact: Fact) -> Option<Found> {
        Some(Found {
            keyword: fact.name.to_owned(),
            value: Value::Text(self.stated?.get(fact.name)?.clone()),
        })
    }

    pub(super) fn profile(&self) -> &'a Profile {
        self.profile
    }

    /// The keywords looked at for a fact, in order, leaving out `but`.
    fn keywords(&self, fact: Fact, but: &[&str]) -> Vec<String> {
        let own = self.profile.keywords.get(fact.name).into_iter().flatten();
        own.cloned()
            .chain(
                fact.keywords
                    .iter()
                    .filter(|keyword| !but.contains(keyword))
                    .map(|&keyword| keyword.to_owned()),
            )
            .collect()
    }

    /// Every statement about a fact, most trusted first.
    pub(super) fn all(&self, fact: Fact) -> Vec<Found> {
        self.all_but(fact, &[])
    }

    /// Like [`Source::all`], without some of the known keywords.
    pub(super) fn all_but(&self, fact: Fact, but: &[&str]) -> Vec<Found> {
        if let Some(stated) = self.stated_fact(fact) {
            return vec![stated];
        }
        let mut found: Vec<Found> = self
            .keywords(fact, but)
            .iter()
            .filter_map(|keyword| self.stated(keyword))
            .collect();
        if found.is_empty() {
            let stated = self.matching.iter().find_map(|facts| facts.get(fact.name));
            found.extend(stated.map(|value| Found {
                keyword: format!("path fact {}", fact.name),
                value: Value::Text(value.clone()),
            }));
        }
        found
    }

    /// A header keyword's value, unless it is blank.
    pub(super) fn stated(&self, keyword: &str) -> Option<Found> {
        let card = self.header.find(keyword)?;
        let blank = matches!(&card.value, Value::Text(text) if text.trim().is_empty());
        (!blank).then(|| Found {
            keyword: card.keyword.clone(),
            value: card.value.clone(),
        })
    }

    /// True where the profile has a word of its own about the fact: a keyword, or the fact itself.
    pub(super) fn is_own(&self, fact: Fact) -> bool {
        self.stated_fact(fact).is_some() || self.profile.keywords.contains_key(fact.name)
    }

    /// True where the profile itself names this keyword for the fact: then it means to overrule.
    pub(super) fn overrules(&self, fact: Fact, keyword: &str) -> bool {
        let own = self.profile.keywords.get(fact.name).into_iter().flatten();
        own.into_iter()
            .any(|name| name.eq_ignore_ascii_case(keyword))
    }

    /// The first statement that is text or a number, as text.
    pub(super) fn text(&self, fact: Fact) -> Option<String> {
        self.all(fact).iter().find_map(|found| text(&found.value))
    }

    /// The first statement that is a number within the range. Where there are statements and none
    /// is usable, each leaves a remark.
    pub(super) fn optional(
        &self,
        fact: Fact,
        unit: Unit,
        range: RangeInclusive<f64>,
        what: &str,
        remarks: &mut Vec<String>,
    ) -> Option<f64> {
        let found = self.all(fact);
        pick(&found, unit, range, what, remarks)
    }

    /// The refusal for a fact that nothing states.
    pub(super) fn missing(&self, what: &'static str, fact: Fact) -> Refusal {
        Refusal::Missing {
            what,
            keywords: self.keywords(fact, &[]).join(", "),
        }
    }
}

/// See [`Source::optional`].
pub(super) fn pick(
    found: &[Found],
    unit: Unit,
    range: RangeInclusive<f64>,
    what: &str,
    remarks: &mut Vec<String>,
) -> Option<f64> {
    let usable = found
        .iter()
        .filter_map(|found| number(&found.value, unit))
        .find(|number| range.contains(number));
    if usable.is_none() {
        remarks.extend(found.iter().map(|found| found.remark(what)));
    }
    usable
}
