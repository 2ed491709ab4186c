//! What a subframe is for, and whether it is a raw subframe at all.
//!
//! HISTORY and COMMENT are prose and prove nothing; floating-point pixels alone prove nothing
//! either. Only keywords that state it count.

use crate::facts::{Header, Kind, Refusal, Value};

use super::keywords::KIND;
use super::source::Source;
use super::value::{Unit, number, shown, text};

/// Keywords that count the exposures in a file; more than one is a stack.
pub(super) const COUNTS: [&str; 5] = ["NCOMBINE", "NCOMB", "STACKCNT", "NSTACK", "SNAPSHOT"];

/// Keywords that say that the colour filter array was interpolated away.
const DEMOSAICED: [&str; 4] = ["DEBAYER", "DEBAYERD", "DEMOSAIC", "DEMOSAICED"];

/// Keywords that list calibration steps already taken.
const CALIBRATED: [&str; 2] = ["CALSTAT", "CALSTATUS"];

/// Keywords that only this program's products have.
const OURS: [&str; 1] = ["DLPRINT"];

/// Words within a kind that belong to products, not to raw subframes.
const PRODUCT_WORDS: [&str; 8] = [
    "master",
    "stack",
    "integrat",
    "calibrated",
    "superbias",
    "superdark",
    "superflat",
    "combined",
];

/// What one of the known words means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Word {
    Raw(Kind),
    Product,
    Unknown,
}

/// Reads a kind word: letter case, blanks, hyphens and a word such as `frame` do not matter.
pub(super) fn word(text: &str) -> Word {
    let lower = text.to_lowercase();
    let parts: Vec<&str> = lower
        .split(|c: char| !c.is_alphanumeric())
        .filter(|part| {
            !matches!(
                *part,
                "" | "frame" | "frames" | "subframe" | "sub" | "subs" | "image" | "exposure"
            )
        })
        .collect();
    let joined = parts.concat();
    if PRODUCT_WORDS.iter().any(|word| joined.contains(word)) {
        return Word::Product;
    }
    let bare = joined
        .strip_suffix("frames")
        .or_else(|| joined.strip_suffix("frame"))
        .unwrap_or(&joined);
    match bare {
        "light" | "lights" | "science" | "object" => Word::Raw(Kind::Light),
        "flat" | "flats" | "flatfield" | "flatfields" | "skyflat" | "skyflats" | "domeflat"
        | "domeflats" | "twilightflat" | "twilightflats" | "panelflat" | "panelflats" => {
            Word::Raw(Kind::Flat)
        }
        "dark" | "darks" => Word::Raw(Kind::Dark),
        "bias" | "biases" | "zero" | "offset" | "offsets" => Word::Raw(Kind::Bias),
        "flatdark" | "flatdarks" | "darkflat" | "darkflats" | "darkforflat" | "darkforflats" => {
            Word::Raw(Kind::FlatDark)
        }
        _ => Word::Unknown,
    }
}

/// The kind of the subframe.
///
/// Of several statements the first that is understood counts, so that a profile may look into a
/// keyword of its own for some of the frames only.
pub(super) fn kind(source: &Source<'_>, remarks: &mut Vec<String>) -> Result<Kind, Refusal> {
    let found = source.all(KIND);
    let mut understood: Option<(String, Kind)> = None;
    for statement in &found {
        let Some(said) = text(&statement.value) else {
            continue;
        };
        let alias = source
            .profile()
            .kinds
            .iter()
            .find(|(word, _)| same(word, &said))
            .map(|(_, kind)| Word::Raw(*kind));
        match (alias.unwrap_or_else(|| word(&said)), &understood) {
            (Word::Product, _) => {
                return Err(Refusal::Processed {
                    keyword: statement.keyword.clone(),
                    found: shown(&statement.value),
                });
            }
            (Word::Raw(kind), None) => understood = Some((statement.keyword.clone(), kind)),
            (Word::Raw(kind), Some((keyword, first)))
                if kind != *first && !source.overrules(KIND, keyword) =>
            {
                remarks.push(format!(
                    "{keyword} says {first}, {} says {kind}: the first is believed",
                    statement.keyword
                ));
            }
            _ => {}
        }
    }
    match (understood, found.first()) {
        (Some((_, kind)), _) => Ok(kind),
        (None, Some(first)) => Err(first.refuse(
            "not a known kind; want light, flat, dark, bias or flat-dark, \
             or an entry under `kinds` in the profile",
        )),
        (None, None) => Err(source.missing("kind", KIND)),
    }
}

/// Letter case and surrounding blanks do not tell names apart.
pub(super) fn same(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

/// Refuses what is calibrated, demosaiced or stacked already.
pub(super) fn check_raw(header: &Header) -> Result<(), Refusal> {
    let processed = |keyword: &str, value: &Value| {
        Err(Refusal::Processed {
            keyword: keyword.to_owned(),
            found: shown(value),
        })
    };
    for card in header.cards() {
        let keyword = card.keyword.to_ascii_uppercase();
        let is = |list: &[&str]| list.contains(&keyword.as_str());
        let guilty = if is(&OURS) {
            card.value != Value::None
        } else if is(&CALIBRATED) || is(&DEMOSAICED) {
            affirmed(&card.value)
        } else if is(&COUNTS) || is(&["NAXIS3", "ZNAXIS3"]) {
            number(&card.value, Unit::Plain).is_some_and(|count| count > 1.0)
        } else {
            false
        };
        if guilty {
            return processed(&card.keyword, &card.value);
        }
    }
    Ok(())
}

/// True unless the value denies or is blank.
fn affirmed(value: &Value) -> bool {
    match value {
        Value::Logical(flag) => *flag,
        Value::Integer(number) => *number != 0,
        Value::Real(number) => *number != 0.0,
        Value::Text(text) => !matches!(
            text.trim().to_lowercase().as_str(),
            "" | "none" | "no" | "n" | "false" | "f" | "off" | "0" | "raw"
        ),
        Value::Other(_) | Value::None => false,
    }
}
