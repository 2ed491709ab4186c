//! Calibration frames that are left out of their sets.
//!
//! A frame is first judged by itself: exposure, temperature, saturation, level. Those that pass
//! are then judged against each other, robustly: the reference is the median of the set, the scale
//! its median absolute deviation. Answers do not depend on the order of the frames.

use super::mesh::{Glow, Unevenness, place};
use crate::combine::{MAD_TO_SD, MEDIAN_ERROR, mad, median};
use crate::facts::{Cfa, Colour, Frame, Kind, Profile, Sample};
use crate::measure::{KEPT_DARK, samples_per_cell};

/// A frame may lie this many scales from the median of its set.
const LIMIT: f64 = 5.0;

/// The scale is at least this fraction of the read noise. Levels of good bias frames hardly
/// differ, and of equal levels even the next one would be an outlier; a tenth of the read noise
/// from frame to frame harms no master.
const FLOOR: f64 = 0.1;

/// A flat's shape may always differ from its set's by this fraction: twilight gradients do.
const SHAPE_FLOOR: f64 = 0.02;

/// More saturated samples than this in one phase of a flat are no longer hot pixels.
const FLAT_SATURATED: f64 = 0.01;

/// The same for frames without light, where a warm sensor has more of them.
const DARK_SATURATED: f64 = 0.05;

/// Fewer frames than this are judged by themselves only.
const ENOUGH: usize = 3;

/// For each frame of one set the reason why it is left out, or nothing.
///
/// By itself: a bias longer than `profile.bias_max_s`; a dark or flat-dark whose measured
/// temperature is further than the tolerance from its recorded set-point; a saturated frame; a
/// flat whose level, in any colour, lies outside `profile.flat_range` of `top`, where frames of its camera
/// saturate: the flat itself need not show it.
///
/// Against its set, by the frames that passed, where there are three or more: level, spread and
/// mesh of frames without light must lie within five scales of the set's median. The scale is the
/// larger of 1.4826 MAD (more for few frames, whose MAD says little) and a tenth of the read noise,
/// which the median spread stands for; for the mesh also what a cell of so few pixels errs by
/// chance. Five, since chance hardly reaches that far: a thousand good
/// frames would not lose one. The mesh is compared with the frame's own offset removed, which
/// finds light that reaches a part of the frame. Flats are judged by their shape alone, the mesh
/// scaled to its own level, since the sky's level changes from one to the next at twilight; the
/// limit is never below 2 %.
///
/// Reasons read `light leak: level 812.4 ADU, limit 503.1 (median 498.2, 5 x 0.98)`.
pub fn left_out(
    kind: Kind,
    frames: &[(&Frame, &Sample)],
    top: f64,
    profile: &Profile,
) -> Vec<Option<String>> {
    let mut reasons: Vec<Option<String>> = frames
        .iter()
        .map(|(frame, sample)| by_itself(kind, frame, sample, top, profile))
        .collect();
    let passed: Vec<usize> = (0..frames.len())
        .filter(|&at| reasons[at].is_none())
        .collect();
    if passed.len() < ENOUGH {
        return reasons;
    }
    let samples: Vec<&Sample> = passed.iter().map(|&at| frames[at].1).collect();
    let camera = &frames[passed[0]].0.camera;
    let cell = samples_per_cell(camera.width as usize, camera.height as usize);
    // By how many standard deviations of a pixel a mesh cell errs by chance.
    let chance = MEDIAN_ERROR / cell.max(1.0).sqrt();
    let verdicts = match kind {
        Kind::Bias | Kind::Dark | Kind::FlatDark => {
            without_light(kind, &samples, chance, warming(kind, profile))
        }
        Kind::Flat => by_shape(&samples, chance),
        Kind::Light => return reasons,
    };
    for (at, verdict) in passed.into_iter().zip(verdicts) {
        reasons[at] = verdict;
    }
    reasons
}

fn by_itself(
    kind: Kind,
    frame: &Frame,
    sample: &Sample,
    top: f64,
    profile: &Profile,
) -> Option<String> {
    match kind {
        Kind::Bias => too_long(frame, profile).or_else(|| saturated(sample, DARK_SATURATED)),
        Kind::Dark | Kind::FlatDark => {
            off_set_point(frame, profile).or_else(|| saturated(sample, DARK_SATURATED))
        }
        Kind::Flat => saturated(sample, FLAT_SATURATED).or_else(|| {
            let cfa = frame.camera.cfa;
            off_level(sample, cfa, top, profile.flat_range)
        }),
        Kind::Light => None,
    }
}

fn too_long(frame: &Frame, profile: &Profile) -> Option<String> {
    let (exposure, limit) = (frame.exposure.get(), profile.bias_max_s);
    (exposure > limit)
        .then(|| format!("too long for a bias: exposure {exposure} s, limit {limit} s"))
}

fn off_set_point(frame: &Frame, profile: &Profile) -> Option<String> {
    let measured = frame.temperature?.get();
    let wanted = frame.set_point?.get();
    let limit = profile.tolerance.temperature_c;
    // Header values are decimal; a difference of exactly the tolerance must not fail by the last
    // binary digit.
    ((measured - wanted).abs() > limit + 1e-9).then(|| {
        format!(
            "wrong temperature: measured {measured:.1} C, limit {limit} C from the set-point \
             {wanted:.1} C"
        )
    })
}

fn saturated(sample: &Sample, limit: f64) -> Option<String> {
    let worst = sample
        .planes
        .iter()
        .map(|plane| plane.saturated)
        .fold(0.0, f64::max);
    (worst > limit).then(|| {
        format!(
            "saturated: {:.1} % of pixels at or above {} ADU, limit {:.0} %",
            100.0 * worst,
            sample.saturation,
            100.0 * limit
        )
    })
}

/// A level that no flat may have beside the saturation level `top`. A phase that the filter keeps dark need
/// not reach the lowest.
fn off_level(
    sample: &Sample,
    cfa: Option<Cfa>,
    top: f64,
    (low, high): (f64, f64),
) -> Option<String> {
    let levels = sample.planes.map(|plane| plane.level);
    let brightest = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let darkest = levels
        .iter()
        .copied()
        .filter(|&level| level >= KEPT_DARK * brightest)
        .fold(brightest, f64::min);
    let (floor, ceiling) = (low * top, high * top);
    let (word, level, bound, fraction) = if brightest > ceiling {
        ("too bright", brightest, ceiling, high)
    } else if darkest < floor {
        ("too dark", darkest, floor, low)
    } else {
        return None;
    };
    let colour = cfa.map_or("", |cfa| {
        let phase = levels.iter().position(|&one| one == level).unwrap_or(0);
        match cfa.at(phase % 2, phase / 2) {
            Colour::Red => "red ",
            Colour::Green => "green ",
            Colour::Blue => "blue ",
        }
    });
    Some(format!(
        "{word}: {colour}level {level:.1} ADU, limit {bound:.1} ({:.0} % of {top} ADU)",
        100.0 * fraction
    ))
}

/// A median and a scale.
pub(super) struct Reference {
    pub(super) median: f64,
    scale: f64,
}

impl Reference {
    /// Of a set's values; the scale is at least `floor`.
    pub(super) fn of(values: &[f64], floor: f64) -> Self {
        let median = median(&mut values.to_vec()).unwrap_or(0.0);
        let mad = mad(values, median).unwrap_or(0.0);
        Self {
            median,
            scale: (MAD_TO_SD * few(values.len()) * mad).max(floor),
        }
    }

    /// The bound on the side on which `value` lies.
    pub(super) fn limit(&self, value: f64) -> f64 {
        self.median + (LIMIT * self.scale).copysign(value - self.median)
    }

    /// Scales between `value` and the median.
    pub(super) fn distance(&self, value: f64) -> f64 {
        let away = (value - self.median).abs();
        if away > 0.0 { away / self.scale } else { 0.0 }
    }

    /// Value and limit in words, where the value lies beyond the limit.
    fn verdict(&self, what: &str, value: f64) -> Option<String> {
        (self.distance(value) > LIMIT).then(|| {
            format!(
                "{what} {value:.1} ADU, limit {:.1} (median {:.1}, {LIMIT} x {:.2})",
                self.limit(value),
                self.median,
                self.scale
            )
        })
    }
}

/// The MAD of a few values is often far too small by chance. With this factor on it a normal set of
/// eight or more loses a good frame about once in a thousand sets (found by simulation: the 99.9 %
/// point of the largest deviation in units of 1.4826 MAD is 15 for eight values, 12 for ten, 7.3
/// for twenty, 5.7 for forty). Below that the floor has to carry it.
fn few(count: usize) -> f64 {
    1.0 + 40.0 / (count as f64).powf(1.5)
}

/// Bias, darks and flat-darks: level, evenness, noise.
fn without_light(
    kind: Kind,
    samples: &[&Sample],
    chance: f64,
    warming: f64,
) -> Vec<Option<String>> {
    let spreads: Vec<f64> = samples.iter().map(|sample| sample.spread()).collect();
    let meshes: Vec<Vec<f64>> = samples.iter().map(|sample| floats(&sample.mesh)).collect();
    let glow = Glow::of(&meshes, warming);
    let levels: Vec<f64> = samples.iter().map(|sample| sample.level()).collect();
    // The same as they would be without the warmth of the moment.
    let cool: Vec<f64> = levels
        .iter()
        .zip(&meshes)
        .map(|(level, mesh)| level - glow.excess(mesh) * glow.mean)
        .collect();
    // The spread of one frame is the read noise and more, never less.
    let noise = median(&mut spreads.clone()).unwrap_or(0.0);
    let floor = FLOOR * noise;
    let level = Reference::of(&levels, floor);
    let cool_level = Reference::of(&cool, floor);
    let spread = Reference::of(&spreads, floor);
    let meshes: Vec<Vec<f64>> = meshes.iter().map(|mesh| glow.without(mesh)).collect();
    let uneven = Unevenness::of(&meshes, floor.max(chance * noise));
    // What only light can do has a name of its own.
    let leaky = matches!(kind, Kind::Dark | Kind::FlatDark);
    let of_level = |frame: usize| {
        let leak = leaky && levels[frame] > level.median;
        let word = if leak { "light leak: level" } else { "level:" };
        let verdict = level.verdict(word, levels[frame]);
        // What warmth explains is no fault; what it does not is told as it was measured.
        verdict.filter(|_| cool_level.distance(cool[frame]) > LIMIT)
    };
    let of_structure = |frame: usize| {
        let noise = spreads[frame];
        let noisy = spread.verdict("noise:", noise);
        let Some((cell, value, reference)) = uneven.worst(frame) else {
            return noisy;
        };
        let leak = leaky && value > reference.median;
        let word = if leak { "light leak" } else { "uneven" };
        let what = format!("{word}: {} against the rest of the frame", place(cell));
        // Noise moves the cells a little, a leak widens the noise a little: name the greater one.
        let odd = reference.verdict(&what, value);
        if reference.distance(value) > spread.distance(noise) {
            odd.or(noisy)
        } else {
            noisy.or(odd)
        }
    };
    (0..samples.len())
        .map(|frame| of_level(frame).or_else(|| of_structure(frame)))
        .collect()
}

/// By what fraction dark charge may differ between frames that are within the tolerance of their
/// temperature: it doubles every 5 degrees or more slowly (A. Theuwissen, harvestimaging.com,
/// 2009-09: every 5 to 8 degrees).
fn warming(kind: Kind, profile: &Profile) -> f64 {
    match kind {
        Kind::Dark | Kind::FlatDark => 2f64.powf(profile.tolerance.temperature_c / 5.0) - 1.0,
        _ => 0.0,
    }
}

/// Flats: the mesh scaled to its own level.
fn by_shape(samples: &[&Sample], chance: f64) -> Vec<Option<String>> {
    let logarithms = |sample: &&Sample| {
        // In logarithms a level of its own is an offset, and a ratio to the set's shape a
        // difference. A cell at or below zero is as dark as can be.
        let cell = |&value: &f32| f64::from(value).max(1e-3).ln();
        sample.mesh.iter().map(cell).collect()
    };
    let meshes: Vec<Vec<f64>> = samples.iter().map(logarithms).collect();
    // Vignetting is in the spread too: small images are judged leniently.
    let mut noises: Vec<f64> = samples
        .iter()
        .map(|sample| sample.spread() / sample.level().max(1e-3))
        .collect();
    let noise = median(&mut noises).unwrap_or(0.0);
    let uneven = Unevenness::of(&meshes, (SHAPE_FLOOR / LIMIT).max(chance * noise));
    let percent = |logarithm: f64| 100.0 * logarithm.exp_m1();
    (0..samples.len())
        .map(|frame| {
            let (cell, value, reference) = uneven.worst(frame)?;
            (reference.distance(value) > LIMIT).then(|| {
                format!(
                    "uneven: {} differs by {:.1} % from the set's shape, limit {:.1} % \
                     (median {:.1} %)",
                    place(cell),
                    percent(value),
                    percent(reference.limit(value)),
                    percent(reference.median),
                )
            })
        })
        .collect()
}

fn floats(mesh: &[f32]) -> Vec<f64> {
    mesh.iter().map(|&cell| f64::from(cell)).collect()
}

#[cfg(test)]
mod tests;
