//! The `passbands` part of a profile: which filters pass single spectral lines, and which photosites of
//! a colour sensor those reach.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

use crate::facts::{Passband, Photosites};

use super::bounds::said;
use super::text::{Fault, steps};

/// Filters of one line that every profile knows, by their physical names.
const USUAL: [(&str, Photosites); 3] = [
    ("Ha", Photosites::Red),
    ("SII", Photosites::Red),
    ("OIII", Photosites::GreenBlue),
];

/// The photosites of a colour sensor that a filter's one line reaches, or those of each of its lines.
#[derive(Deserialize, JsonSchema)]
#[serde(
    untagged,
    expecting = "want red, green-blue, or a mapping of spectral lines to these"
)]
#[schemars(rename = "Passbands")]
pub(super) enum RawPassbands {
    /// The photosites that its only line reaches.
    One(Photosites),
    /// Spectral lines, and the photosites that each reaches.
    Lines(BTreeMap<String, Photosites>),
}

pub(super) fn check(
    raw: BTreeMap<String, RawPassbands>,
) -> Result<BTreeMap<String, Vec<Passband>>, Fault> {
    let one = |line: &str, photosites| {
        vec![Passband {
            line: line.to_owned(),
            photosites,
        }]
    };
    let mut checked: BTreeMap<String, Vec<Passband>> = USUAL
        .iter()
        .map(|&(filter, photosites)| (filter.to_owned(), one(filter, photosites)))
        .collect();
    for (filter, passbands) in raw {
        let at = steps!["passbands", filter.as_str()];
        let filter = said(&filter, "the name of a physical filter", &at)?;
        let lines = match passbands {
            RawPassbands::One(photosites) => one(filter, photosites),
            RawPassbands::Lines(lines) => {
                let mut found: Vec<Passband> = Vec::new();
                for (line, photosites) in lines {
                    let at = steps!["passbands", filter, line.as_str()];
                    let line = said(&line, "the name of a spectral line", &at)?.to_owned();
                    if found.iter().any(|other| other.photosites == photosites) {
                        return Err(Fault::new(
                            &at,
                            format!(
                                "two lines on the {} photosites cannot be told apart: want one line \
                                 on each",
                                photosites.word()
                            ),
                        ));
                    }
                    found.push(Passband { line, photosites });
                }
                found
            }
        };
        checked.insert(filter.to_owned(), lines);
    }
    Ok(checked)
}
