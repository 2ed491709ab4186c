//! What the sky did, and which lights it cost.
//!
//! Levels and widths are compared within one rig only, the sky's level within one filter and exposure:
//! between others they say nothing.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::start;
use crate::facts::{Finding, Gauge, LightEntry, Measures, SessionLog, SetAside, Site};
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
            brightness(&lights),
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
        let measures = light.measures?;
        let compared = measures.transparency.filter(|_| is_compared(&measures));
        Some((judged(light).or(compared)?, start(light)))
    });
    let Some((least, at)) = measured.min_by(|a, b| a.0.total_cmp(&b.0)) else {
        let none = "transparency not known: no light's stars match another's";
        return are_comparable(lights).then(|| none.to_owned());
    };
    // As it is written, so that the sentence is true.
    let least = rounded(least, 2);
    if least >= CLEAR {
        return Some(format!("transparency {least:.2} or better"));
    }
    let at = at.map_or(String::new(), |at| {
        format!(" at {}", clock(at, &site.time_zone))
    });
    Some(format!("transparency down to {least:.2}{at}"))
}

/// Do any two lights show the same through the same filter for as long?
fn are_comparable(lights: &[&LightEntry]) -> bool {
    let mut shown = BTreeSet::new();
    lights.iter().any(|light| {
        let target = light.target.as_deref().map(|target| {
            let letters = target.chars().filter(|letter| !letter.is_whitespace());
            letters.collect::<String>().to_lowercase()
        });
        !shown.insert((&light.filter, light.exposure_s.to_bits(), target))
    })
}

/// False of the light that others are held against, which matches itself.
fn is_compared(measures: &Measures) -> bool {
    let itself = (Some(0.0), Some(0.0), Some(0.0), Some(1.0));
    let Measures {
        shift_x_px,
        shift_y_px,
        rotation_deg,
        scale,
        ..
    } = *measures;
    (shift_x_px, shift_y_px, rotation_deg, scale) != itself
}

/// The sky's levels of one rig, filter and exposure.
#[derive(Default)]
struct Levels {
    lowest_kept: Option<f64>,
    all: Vec<f64>,
}

impl Levels {
    /// How many times its lowest level the highest is.
    fn rise(&self) -> Option<f64> {
        let most = self.all.iter().copied().max_by(f64::total_cmp)?;
        (self.all.len() > 1).then_some(most / self.lowest_kept?)
    }
}

/// How far the sky's level rose above its lowest, at most, for one filter and exposure. The lowest is
/// that of a kept light: under a closed roof the sky is darker still. Without a kept light nothing tells
/// how dark it should be, and one light tells no change.
fn brightness(lights: &[&LightEntry]) -> Option<String> {
    let mut levels: BTreeMap<(&str, u64), Levels> = BTreeMap::new();
    for light in lights {
        let level = light
            .measures
            .map_or(0.0, |measures| measures.background_adu);
        if level > 0.0 {
            let kind = (&*light.filter, light.exposure_s.to_bits());
            let of_kind = levels.entry(kind).or_default();
            if is_kept(light) {
                let lowest = of_kind
                    .lowest_kept
                    .map_or(level, |lowest| lowest.min(level));
                of_kind.lowest_kept = Some(lowest);
            }
            of_kind.all.push(level);
        }
    }
    if !lights.iter().any(|light| is_kept(light)) {
        return Some("sky not compared: no light is kept".to_owned());
    }
    let rises = levels.values().filter_map(Levels::rise);
    let rise = rises.max_by(f64::total_cmp)?;
    Some(match rise >= STEADY {
        true => format!("sky up {rise:.1} times"),
        false => "sky steady".to_owned(),
    })
}

/// Lights that are set aside, by reason, the most frequent first: how many, when, and the worst of them.
pub(super) fn set_aside(sheet: &mut Sheet, log: &SessionLog, site: &Site) {
    let judged = log.lights.iter().filter(|light| light.verdict.is_some());
    let lights: Vec<&LightEntry> = judged.clone().filter(|light| !is_kept(light)).collect();
    if lights.is_empty() {
        return;
    }
    let several = lights.iter().filter(|light| light.set_aside_for.len() > 1);
    let several = match several.count() {
        0 => String::new(),
        count => format!(", {count} of them for more than one reason"),
    };
    sheet.heading(&format!(
        "Set aside, {} of {}{several}",
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
        let count = lights.len();
        let told = told(reason, &lights);
        sheet.item(&format!("{}: {count}{times}{told}", reason.word()));
    }
}

/// The worst of the findings of one reason, and the limit it went beyond. Limits follow the group and
/// the hour: where they differ, from what to what. What is looked at may differ too.
fn told(reason: SetAside, lights: &[&LightEntry]) -> String {
    let findings = lights.iter().flat_map(|light| &light.findings);
    let mut by_gauge: BTreeMap<Gauge, Vec<&Finding>> = BTreeMap::new();
    for finding in findings.filter(|finding| finding.reason == reason) {
        by_gauge.entry(finding.gauge).or_default().push(finding);
    }
    let tell = |findings: Vec<&Finding>| {
        let worst = findings
            .iter()
            .max_by(|a, b| badness(a).total_cmp(&badness(b)))?;
        let (measure, unit) = worst.measure();
        let most = if findings.len() > 1 { "at worst " } else { "" };
        let limits = || findings.iter().map(|finding| digits(finding.limit));
        let (least, highest) = (
            limits().min_by(f64::total_cmp)?,
            limits().max_by(f64::total_cmp)?,
        );
        let range = match least < highest {
            true => format!(" (limits {least} to {highest}{unit})"),
            false => String::new(),
        };
        let (value, limit) = (digits(worst.value), digits(worst.limit));
        Some(format!(
            "; {most}{measure} {value}{unit}, limit {limit}{unit}{range}"
        ))
    };
    by_gauge.into_values().filter_map(tell).collect()
}

/// How bad a finding is among those of its reason: by its value where that is the same thing in all
/// groups, else by how far beyond its limit it lies.
fn badness(finding: &Finding) -> f64 {
    match finding.reason {
        SetAside::Clouds => -finding.value,
        SetAside::Trailed | SetAside::OffTarget => finding.value,
        SetAside::Defocused | SetAside::BrightSky | SetAside::FewStars => {
            (finding.value / finding.limit).ln().abs()
        }
    }
}

/// Two decimals for what is about 1, none for levels and counts.
fn digits(value: f64) -> f64 {
    rounded(value, if value.abs() < 20.0 { 2 } else { 0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Verdict;
    use crate::night::digest::{Beside, digest};
    use crate::night::scene;

    /// The digest of the judged night, in which this was done to each measured light, by its number.
    fn after(change: impl Fn(usize, &mut LightEntry)) -> String {
        let mut log = scene::judged_log();
        let lights = log.lights.iter_mut();
        let lights = lights.filter(|light| light.verdict.is_some());
        lights.enumerate().for_each(|(at, light)| change(at, light));
        digest(&log, &scene::site(), &Beside::default())
    }

    fn set_aside(light: &mut LightEntry, reason: SetAside, value: f64, limit: f64, gauge: Gauge) {
        light.verdict = Some(Verdict::SetAside);
        light.set_aside_for.push(reason);
        light.findings.push(Finding {
            reason,
            value,
            limit,
            beyond_sd: None,
            gauge,
        });
    }

    fn weather(text: &str) -> String {
        let after = text.split("Weather\n").nth(1).unwrap_or_default();
        let paragraph = after.split("\n\n").next().unwrap_or_default();
        paragraph.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn a_night_without_a_kept_light_has_no_steady_sky() {
        let text = after(|_, light| {
            set_aside(light, SetAside::Trailed, 2.0, 1.4, Gauge::Usual);
        });
        let weather = weather(&text);
        assert!(
            weather.ends_with("sky not compared: no light is kept"),
            "{weather}"
        );
        assert!(!text.contains("sky steady"), "{text}");
    }

    /// The light that others are held against matches itself, which tells nothing.
    #[test]
    fn where_no_stars_match_no_transparency_is_told() {
        let text = after(|at, light| {
            light.findings.clear();
            light.set_aside_for.clear();
            light.verdict = Some(Verdict::Kept);
            if let Some(measures) = &mut light.measures {
                measures.transparency = (at == 3).then_some(1.0);
                measures.shift_x_px = (at == 3).then_some(0.0);
                measures.shift_y_px = measures.shift_x_px;
                measures.rotation_deg = measures.shift_x_px;
                measures.scale = measures.transparency;
            }
        });
        let weather = weather(&text);
        assert!(
            weather.contains(", transparency not known: no light's stars match another's, sky up"),
            "{weather}"
        );
    }

    #[test]
    fn of_lights_that_show_nothing_in_common_no_match_is_missed() {
        let text = after(|at, light| {
            light.target = Some(format!("field {at}"));
            light.findings.clear();
            light.set_aside_for.clear();
            light.verdict = Some(Verdict::Kept);
            if let Some(measures) = &mut light.measures {
                measures.transparency = None;
            }
        });
        let weather = weather(&text);
        assert!(weather.contains("FWHM"), "{weather}");
        assert!(!weather.contains("transparency"), "{weather}");
    }

    /// Limits follow the hour: the light nearest the clearest limit is not the darkest.
    #[test]
    fn the_worst_is_the_worst_value_told_with_its_own_limit() {
        let text = after(|at, light| {
            if at == 22 {
                light.findings[0].value = 0.3;
                light.findings[0].limit = 0.35;
                if let Some(measures) = &mut light.measures {
                    measures.transparency = Some(0.3);
                }
                set_aside(light, SetAside::FewStars, 40.0, 90.0, Gauge::Usual);
            }
        });
        let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            words.contains(
                "; at worst transparency 0.3, limit 0.35 (limits 0.35 to 0.7) trailed: 1"
            ),
            "{text}"
        );
        assert!(
            weather(&text).contains("transparency down to 0.30 at "),
            "{text}"
        );
        assert!(
            text.contains("Set aside, 7 of 51, 1 of them for more than one reason\n"),
            "{text}"
        );
        assert!(
            text.contains("few stars: 1, at 20:44; stars 40, limit 90\n"),
            "{text}"
        );
    }

    #[test]
    fn stars_of_another_field_are_counted_and_a_shift_is_measured() {
        let text = after(|at, light| match at {
            2 => set_aside(light, SetAside::OffTarget, 0.3, 0.1, Gauge::Usual),
            5 => set_aside(
                light,
                SetAside::OffTarget,
                98.0,
                50.0,
                Gauge::UnmatchedStars,
            ),
            _ => {}
        });
        let told = "off target: 2, at 20:04, 20:10; shift 0.3 of the side, limit 0.1 of the side; stars that match none of the group's: 98, limit 50";
        let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains(told), "{text}");
    }
}
