//! What the sky did, and which lights it cost.
//!
//! Levels and widths are compared within one rig only, the sky's level within one filter and exposure:
//! between others they say nothing.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use jiff::Timestamp;

use super::start;
use crate::facts::{Finding, LightEntry, SessionLog, SetAside, Site};
use crate::night::sheet::Sheet;
use crate::night::summary::is_kept;
use crate::night::text::{clock, rounded};

/// So many times are named one by one.
const TIMES: usize = 4;
/// No cloud worth a word takes less light than this leaves.
const CLEAR: f64 = 0.9;
/// A sky that grows less than this is steady.
const STEADY: f64 = 1.1;

/// One line for each rig whose lights are measured.
pub(super) fn weather(sheet: &mut Sheet, log: &SessionLog, site: &Site) {
    let mut rigs: BTreeMap<&str, Vec<&LightEntry>> = BTreeMap::new();
    for light in &log.lights {
        if light
            .measures
            .is_some_and(|measures| measures.stars.is_some())
        {
            rigs.entry(&light.rig).or_default().push(light);
        }
    }
    if rigs.is_empty() {
        return;
    }
    sheet.heading("Weather");
    let several = rigs.len() > 1;
    for (rig, lights) in rigs {
        let parts = [
            widths(&lights),
            transparency(&lights, site),
            Some(brightness(&lights)),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        let rig = if several {
            format!("{rig}: ")
        } else {
            String::new()
        };
        sheet.item(&format!("{rig}{}", parts.join(", ")));
    }
}

/// Of the kept lights, in arcseconds where all have them.
fn widths(lights: &[&LightEntry]) -> Option<String> {
    let kept = lights.iter().filter(|light| is_kept(light));
    let measures: Vec<_> = kept.filter_map(|light| light.measures).collect();
    let arcseconds: Vec<f64> = measures.iter().filter_map(|m| m.fwhm_arcsec).collect();
    let pixels: Vec<f64> = measures.iter().filter_map(|m| m.fwhm_px).collect();
    let (unit, values) = match arcseconds.len() == pixels.len() {
        true => ("\"", arcseconds),
        false => (" px", pixels),
    };
    let least = values.iter().copied().min_by(f64::total_cmp)?;
    let most = values.iter().copied().max_by(f64::total_cmp)?;
    Some(match (rounded(least, 1), rounded(most, 1)) {
        (least, most) if least == most => format!("FWHM {least:.1}{unit}"),
        (least, most) => format!("FWHM {least:.1} to {most:.1}{unit}"),
    })
}

fn transparency(lights: &[&LightEntry], site: &Site) -> Option<String> {
    // Of a light whose stars are not found again the verdict has one, after the brightest.
    let judged = |light: &LightEntry| {
        let clouds = |finding: &&Finding| finding.reason == SetAside::Clouds;
        light
            .findings
            .iter()
            .find(clouds)
            .map(|finding| finding.value)
    };
    let measured = lights.iter().filter_map(|light| {
        let transparency = light.measures?.transparency.or_else(|| judged(light))?;
        Some((transparency, start(light)))
    });
    let (least, at) = measured.min_by(|a, b| a.0.total_cmp(&b.0))?;
    if least >= CLEAR {
        return Some(format!("transparency {least:.2} or better"));
    }
    let at = at.map_or(String::new(), |at| {
        format!(" at {}", clock(at, &site.time_zone))
    });
    Some(format!("transparency down to {least:.2}{at}"))
}

/// How far the sky's level rose above its lowest, at most, for one filter and exposure. The lowest is
/// that of a kept light: under a closed roof the sky is darker still.
fn brightness(lights: &[&LightEntry]) -> String {
    let mut levels: BTreeMap<(&str, u64), (f64, f64)> = BTreeMap::new();
    for light in lights {
        let level = light
            .measures
            .map_or(0.0, |measures| measures.background_adu);
        if level > 0.0 {
            let kind = (&*light.filter, light.exposure_s.to_bits());
            let (least, most) = levels.entry(kind).or_insert((f64::INFINITY, level));
            if is_kept(light) {
                *least = least.min(level);
            }
            *most = most.max(level);
        }
    }
    let rises = levels.values().map(|(least, most)| most / least);
    match rises.max_by(f64::total_cmp) {
        Some(rise) if rise >= STEADY => format!("sky up {rise:.1} times"),
        _ => "sky steady".to_owned(),
    }
}

/// Lights that are set aside, by reason, the most frequent first: how many, when, and the worst of them.
pub(super) fn set_aside(sheet: &mut Sheet, log: &SessionLog, site: &Site) {
    let judged = log.lights.iter().filter(|light| light.verdict.is_some());
    let lights: Vec<&LightEntry> = judged.clone().filter(|light| !is_kept(light)).collect();
    if lights.is_empty() {
        return;
    }
    sheet.heading(&format!(
        "Set aside, {} of {}",
        lights.len(),
        judged.count()
    ));
    let mut reasons: BTreeMap<SetAside, Vec<&LightEntry>> = BTreeMap::new();
    for light in lights {
        for &reason in &light.set_aside_for {
            reasons.entry(reason).or_default().push(light);
        }
    }
    let mut reasons: Vec<_> = reasons.into_iter().collect();
    reasons.sort_by_key(|(reason, lights)| (Reverse(lights.len()), *reason));
    for (reason, lights) in reasons {
        let mut times: Vec<Timestamp> = lights.iter().filter_map(|light| start(light)).collect();
        times.sort();
        let times: Vec<String> = times.iter().map(|&at| clock(at, &site.time_zone)).collect();
        let times = match &*times {
            [] => String::new(),
            [first, .., last] if times.len() > TIMES => format!(", {first} to {last}"),
            times => format!(", at {}", times.join(", ")),
        };
        let worst = worst(reason, &lights).map_or(String::new(), |found| {
            let (measure, unit) = reason.measure();
            let most = if lights.len() > 1 { "at worst " } else { "" };
            let (value, limit) = (digits(found.value), digits(found.limit));
            format!("; {most}{measure} {value}{unit}, limit {limit}{unit}")
        });
        let count = lights.len();
        sheet.item(&format!("{}: {count}{times}{worst}", reason.word()));
    }
}

/// The finding farthest beyond its limit, as a share of it.
fn worst(reason: SetAside, lights: &[&LightEntry]) -> Option<Finding> {
    let findings = lights.iter().flat_map(|light| &light.findings);
    let beyond = |finding: &Finding| (finding.value / finding.limit).ln().abs();
    let of_reason = findings.filter(|finding| finding.reason == reason);
    of_reason
        .max_by(|a, b| beyond(a).total_cmp(&beyond(b)))
        .copied()
}

/// Two decimals for what is about 1, none for levels and counts.
fn digits(value: f64) -> f64 {
    rounded(value, if value.abs() < 20.0 { 2 } else { 0 })
}
