//! Which lights are judged together: one rig, field, filter and exposure.
//!
//! The field is told by pointing, not by the spelling of the target, so the panels of a mosaic are
//! groups of their own, and a target that was renamed in the middle of the night is one group.
//!
//! # Invariants
//!
//! The groups depend on the set of lights, not on their order. It does not know what is measured
//! on them.

#[cfg(test)]
pub(super) mod tests;

use crate::facts::{Camera, Frame, Pointing};

/// Pointings this part of the frame's shorter side apart belong together, and so do chains of them.
const NEAR: f64 = 0.25;

/// Exposures that differ by no more than this part are the same: headers round.
const SAME_EXPOSURE: f64 = 0.01;

/// The groups of these lights, each a list of their places in `lights`: by time, groups by their first.
///
/// Where pointing or pixel scale are not known the target's name decides, whatever its letter
/// case; such a light joins the group that shows a target of that name, if there is only one.
pub fn groups(lights: &[&Frame]) -> Vec<Vec<usize>> {
    let order = |&at: &usize| {
        let light = lights[at];
        let exposure = light.exposure;
        (&*light.rig, &*light.camera, &*light.filter, exposure)
    };
    let mut sorted: Vec<usize> = (0..lights.len()).collect();
    sorted.sort_by(|a, b| order(a).cmp(&order(b)));
    let mut groups: Vec<Vec<usize>> = sorted
        .chunk_by(|&a, &b| are_alike(lights[a], lights[b]))
        .flat_map(|alike| fields(lights, alike))
        .collect();
    let by_time = |at: &usize| (lights[*at].start, *at);
    for group in &mut groups {
        group.sort_by_key(by_time);
    }
    groups.sort_by_key(|group| group.first().map(by_time));
    groups
}

/// Are two lights alike in all but the field?
pub(super) fn are_alike(one: &Frame, other: &Frame) -> bool {
    let (a, b) = (one.exposure.get(), other.exposure.get());
    (&one.rig, &one.camera, &one.filter) == (&other.rig, &other.camera, &other.filter)
        && a.max(b) <= a.min(b) * (1.0 + SAME_EXPOSURE)
}

/// Lights that are alike in all but the field, by field.
pub(super) fn fields(lights: &[&Frame], alike: &[usize]) -> Vec<Vec<usize>> {
    let (placed, named): (Vec<usize>, Vec<usize>) = alike
        .iter()
        .partition(|&&at| lights[at].pointing.is_some() && field_deg(lights[at]).is_some());
    let mut fields: Vec<Vec<usize>> = Vec::new();
    for at in placed {
        let near = |&other: &usize| are_near(lights[at], lights[other]);
        let (mut joined, apart): (Vec<_>, Vec<_>) =
            fields.into_iter().partition(|field| field.iter().any(near));
        fields = apart;
        joined.push(vec![at]);
        fields.push(joined.concat());
    }
    let mut names: Vec<(Option<String>, Vec<usize>)> = Vec::new();
    for at in named {
        let name = name(lights[at]);
        match names.iter_mut().find(|(other, _)| *other == name) {
            Some((_, members)) => members.push(at),
            None => names.push((name, vec![at])),
        }
    }
    // Only fields told by pointing can be joined, so that the order of names is of no account.
    let mut joined: Vec<Vec<usize>> = vec![Vec::new(); fields.len()];
    let mut alone: Vec<Vec<usize>> = Vec::new();
    for (wanted, members) in names {
        let shows = |field: &&Vec<usize>| field.iter().any(|&at| name(lights[at]) == wanted);
        let mut showing = fields.iter().enumerate().filter(|(_, field)| shows(field));
        match (wanted.is_some(), showing.next(), showing.next()) {
            (true, Some((only, _)), None) => joined[only].extend(members),
            _ => alone.push(members),
        }
    }
    for (field, more) in fields.iter_mut().zip(joined) {
        field.extend(more);
    }
    fields.extend(alone);
    fields
}

/// A light's target, whatever its letter case.
pub(super) fn name(light: &Frame) -> Option<String> {
    light.target.as_ref().map(|name| name.to_lowercase())
}

fn are_near(one: &Frame, other: &Frame) -> bool {
    let (Some(a), Some(b)) = (one.pointing, other.pointing) else {
        return false;
    };
    // The wider of two fields that should be one: headers round the focal length.
    let field = field_deg(one).into_iter().chain(field_deg(other));
    let field = field.fold(0.0, f64::max);
    separation_deg(a, b) <= NEAR * field
}

/// The shorter side of a light's field, degrees.
pub(super) fn field_deg(light: &Frame) -> Option<f64> {
    let Camera { width, height, .. } = *light.camera;
    let scale = pixel_scale(light)?;
    Some(f64::from(width.min(height)) * scale / 3600.0)
}

/// Arc seconds per pixel: 206.265 times the pixel in micrometres over the focal length in
/// millimetres. None where the header lacks one of them.
pub fn pixel_scale(light: &Frame) -> Option<f64> {
    let focal_length_mm = light.optics.focal_length_mm?.get();
    let scale = 206.265 * light.pixel_um? / focal_length_mm;
    (scale.is_finite() && scale > 0.0).then_some(scale)
}

/// The angle between two pointings: the haversine formula, which keeps small angles exact.
pub fn separation_deg(a: Pointing, b: Pointing) -> f64 {
    let radians = |degrees: crate::facts::Degrees| degrees.get().to_radians();
    let (dec_a, dec_b) = (radians(a.dec), radians(b.dec));
    let turn = (radians(b.ra) - radians(a.ra)) / 2.0;
    let rise = (dec_b - dec_a) / 2.0;
    let square = rise.sin().powi(2) + dec_a.cos() * dec_b.cos() * turn.sin().powi(2);
    2.0 * square.clamp(0.0, 1.0).sqrt().asin().to_degrees()
}
