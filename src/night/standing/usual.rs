//! What earlier nights of a rig were like: the measure for a night that is bad as a whole.
//!
//! It does not know how the lights of this night stand.

use std::collections::BTreeMap;

use crate::combine::median;
use crate::facts::{Conditions, Frame, NightSummary};
use crate::judge::Usual;

/// Earlier nights that say what is usual: not more than these, so that a rig that was mended is not
/// measured by what it once was.
const NIGHTS: usize = 20;
/// No further back than this many nights, so that the work for each night does not grow with the archive.
const REACH: usize = 200;

/// What is usual before a night, by rig and filter: medians over the latest nights before it.
/// `earlier` are nights before it, the latest first.
pub fn usual_before<'a>(earlier: impl Iterator<Item = &'a NightSummary>) -> Vec<Conditions> {
    let mut nights: BTreeMap<(&str, &str), Vec<&Conditions>> = BTreeMap::new();
    for found in earlier.take(REACH).flat_map(|night| &night.conditions) {
        let found_before = nights.entry((&found.rig, &found.filter)).or_default();
        if found_before.len() < NIGHTS {
            found_before.push(found);
        }
    }
    let usual = |((rig, filter), nights): ((&str, &str), Vec<&Conditions>)| {
        let middle = |figure: fn(&Conditions) -> Option<f64>| {
            median(
                &mut nights
                    .iter()
                    .copied()
                    .filter_map(figure)
                    .collect::<Vec<_>>(),
            )
        };
        Conditions {
            rig: rig.to_owned(),
            filter: filter.to_owned(),
            fwhm_px: middle(|night| night.fwhm_px),
            fwhm_arcsec: middle(|night| night.fwhm_arcsec),
            elongation: middle(|night| night.elongation),
            background_adu: middle(|night| night.background_adu),
            background_adu_per_s: middle(|night| night.background_adu_per_s),
        }
    };
    nights.into_iter().map(usual).collect()
}

/// What is usual for a light.
pub(super) fn usual(frame: &Frame, before: &[Conditions]) -> Option<Usual> {
    let of_its_kind =
        |found: &&Conditions| *found.rig == *frame.rig && *found.filter == *frame.filter;
    let found = before.iter().find(of_its_kind)?;
    Some(Usual {
        fwhm_px: found.fwhm_px,
        elongation: found.elongation,
        background_adu_per_s: found.background_adu_per_s,
        stars: None,
    })
}
