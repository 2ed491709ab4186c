//! What a group of lights says of the night, for the log: its middle figures, how it went through the
//! night, what advice follows from it.
//!
//! It is told the verdicts and has no part in them.

use std::collections::BTreeMap;

use super::{Light, LightStanding};
use crate::combine::median;
use crate::facts::{
    ChannelLine, CloudEntry, Colour, ColourSky, GroupEntry, JumpEntry, Measures, Shape,
};
use crate::judge::{Course, Jump, Passage};
use crate::night::Known;
use crate::night::advice::{Series, advise};
use crate::night::text::{rounded, utc};

/// What a group says of the night: medians over its kept lights, or over all where none is kept.
pub(super) fn group(
    known: &Known<'_>,
    lights: &[&Light<'_>],
    standings: &[LightStanding],
    course: &Course,
) -> Option<GroupEntry> {
    let first = lights.first()?;
    let kept = standings
        .iter()
        .filter(|standing| standing.is_kept())
        .count();
    let speaking: Vec<(&Light<'_>, &LightStanding)> = lights
        .iter()
        .copied()
        .zip(standings)
        .filter(|(_, standing)| kept == 0 || standing.is_kept())
        .collect();
    let middle = |figure: &dyn Fn(&Measures) -> Option<f64>, decimals| {
        let figures = speaking.iter().filter_map(|(_, s)| figure(&s.measures));
        median(&mut figures.collect::<Vec<_>>()).map(|value| rounded(value, decimals))
    };
    let at = |light: usize| lights[light].frame.start.map_or_else(String::new, utc);
    let jump = |jump: &Jump| JumpEntry {
        at_utc: at(jump.before),
        px: rounded(jump.px, 1),
        arcsec: jump.arcsec.map(|arcsec| rounded(arcsec, 1)),
    };
    let cloud = |passage: &Passage| CloudEntry {
        from_utc: at(passage.first),
        to_utc: at(passage.last),
        lowest_transparency: rounded(passage.lowest, 3),
    };
    let in_zone = |zone: usize| -> Vec<Shape> {
        let shapes = speaking.iter();
        shapes
            .filter_map(|(light, _)| light.measured.stars.zones[zone])
            .collect()
    };
    let zones: Vec<Vec<Shape>> = (0..9).map(in_zone).collect();
    let of_zones = |figure: &dyn Fn(&[Shape]) -> Option<f64>| {
        let figures: Vec<_> = zones.iter().map(|shapes| figure(shapes)).collect();
        let known = figures.iter().any(Option::is_some);
        if known { figures } else { Vec::new() }
    };
    let middle_of = |shapes: &[Shape], figure: fn(&Shape) -> f32| {
        let figures = shapes.iter().map(|shape| f64::from(figure(shape)));
        median(&mut figures.collect::<Vec<_>>()).map(|value| rounded(value, 3))
    };
    let advice = advise(&Series {
        exposure_s: first.frame.exposure.get(),
        background_adu: middle(&|m| Some(m.background_adu), 3),
        electrons_per_adu: first.electrons_per_adu,
        read_noise_e: first.read_noise_e,
        pixel_scale_arcsec: first.scale,
        fwhm_px: middle(&|m| m.fwhm_px, 3),
    });
    let mut scales: Vec<f64> = lights.iter().filter_map(|light| light.scale).collect();
    Some(GroupEntry {
        rig: first.frame.rig.to_string(),
        target: first.frame.target.as_ref().map(ToString::to_string),
        filter: first.frame.filter.to_string(),
        exposure_s: first.frame.exposure.get(),
        frames: lights.len(),
        kept,
        fwhm_px: middle(&|m| m.fwhm_px, 3),
        fwhm_arcsec: middle(&|m| m.fwhm_arcsec, 3),
        elongation: middle(&|m| m.elongation, 3),
        background_adu: middle(&|m| Some(m.background_adu), 3),
        stars: middle(&|m| m.stars.map(f64::from), 1),
        pixel_scale_arcsec: median(&mut scales).map(|scale| rounded(scale, 4)),
        sky_e_per_s: middle(&|m| m.sky_e_per_s, 4),
        row_order: first.frame.camera.row_order,
        sky: sky(&speaking),
        zones_fwhm_px: of_zones(&|shapes| middle_of(shapes, |shape| shape.fwhm_px)),
        zones_elongation: of_zones(&|shapes| middle_of(shapes, |shape| shape.elongation)),
        zones_angle_deg: of_zones(&|shapes| middle_angle(shapes)),
        drift_arcsec_per_h: course
            .drift
            .and_then(|drift| Some(rounded(drift.arcsec_per_h?, 2))),
        jumps: course.jumps.iter().map(jump).collect(),
        clouds: course.clouds.iter().map(cloud).collect(),
        channel_lines: channel_lines(&speaking),
        best: best(&speaking, known),
        advice: advice.sentences,
    })
}

/// The direction in which the stars of a zone are drawn out, 0 to 180 degrees: directions are doubled, so
/// that 179 and 1 are neighbours, and count by how much the stars are drawn out.
fn middle_angle(shapes: &[Shape]) -> Option<f64> {
    let (mut x, mut y) = (0.0, 0.0);
    for shape in shapes {
        let (sin, cos) = f64::from(2.0 * shape.angle_deg).to_radians().sin_cos();
        let drawn = f64::from(shape.elongation) - 1.0;
        (x, y) = (x + drawn * cos, y + drawn * sin);
    }
    let known = x != 0.0 || y != 0.0;
    let angle = y.atan2(x).to_degrees().rem_euclid(360.0) / 2.0;
    known.then(|| rounded(angle, 1) % 180.0)
}

/// The middle of the lights' sky by colour.
fn sky(speaking: &[(&Light<'_>, &LightStanding)]) -> Vec<ColourSky> {
    let skies = speaking.iter().flat_map(|(light, _)| &light.measured.sky);
    let all = skies.map(|sky| (sky.colour, [sky.level_adu, sky.noise_adu]));
    middles(all)
        .map(|(colour, [level, noise])| ColourSky {
            colour,
            level_adu: rounded(level, 3),
            noise_adu: rounded(noise, 3),
        })
        .collect()
}

/// The middle of the lights' channel lines.
fn channel_lines(speaking: &[(&Light<'_>, &LightStanding)]) -> Vec<ChannelLine> {
    let lines = speaking.iter().flat_map(|(light, _)| &light.measured.lines);
    let all = lines.map(|line| (line.colour, [line.slope, line.intercept_adu]));
    middles(all)
        .map(|(colour, [slope, intercept])| ChannelLine {
            colour,
            slope: rounded(slope, 5),
            intercept_adu: rounded(intercept, 3),
        })
        .collect()
}

/// For each colour the medians of two figures.
fn middles(
    all: impl Iterator<Item = (Colour, [f64; 2])>,
) -> impl Iterator<Item = (Colour, [f64; 2])> {
    let mut colours: BTreeMap<Colour, [Vec<f64>; 2]> = BTreeMap::new();
    for (colour, figures) in all {
        let known = colours.entry(colour).or_default();
        known
            .iter_mut()
            .zip(figures)
            .for_each(|(known, figure)| known.push(figure));
    }
    colours
        .into_iter()
        .filter_map(|(colour, [mut one, mut other])| {
            Some((colour, [median(&mut one)?, median(&mut other)?]))
        })
}

/// The light to show: the one whose stars are the brightest for their width.
fn best(speaking: &[(&Light<'_>, &LightStanding)], known: &Known<'_>) -> Option<String> {
    let merit = |standing: &LightStanding| {
        let Measures {
            transparency,
            fwhm_px,
            ..
        } = standing.measures;
        transparency.unwrap_or(0.0) / fwhm_px.unwrap_or(f64::INFINITY)
    };
    let mut best = speaking.iter();
    let mut found = best.next()?;
    for other in best {
        if merit(other.1) > merit(found.1) {
            found = other;
        }
    }
    let made = known.snapshot.made.get(&found.0.fingerprint)?;
    Some(made.product.clone())
}
