//! What a supplied master is: its header in the usual spellings, with what its profile states of it.
//!
//! Its kind and its rig are given, so that it need not look like a raw subframe. A key that nothing
//! states stays absent and fits any frame; a dark and a flat-dark need an exposure.

use std::sync::Arc;

use crate::facts::{
    Header, Kind, MasterFacts, Optics, Profile, Refusal, Seconds, Setting, SuppliedFile, Unstated,
};

use super::keywords::{CAMERA, EXPOSURE, FOCAL_LENGTH, ROTATOR, SET_POINT, TELESCOPE, TEMPERATURE};
use super::source::Source;
use super::value::Unit;
use super::{angle, camera, degrees_celsius, exposure, filter, kind, name_matches, unless_zero};

/// What was read.
#[derive(Clone, Debug, PartialEq)]
pub struct SuppliedFacts {
    /// In the terms by which masters are matched.
    pub facts: MasterFacts,
    /// Keys that fit any frame beside the absent ones.
    pub unstated: Unstated,
    /// Exposures that went in, where a keyword counts them.
    pub frames: Option<usize>,
}

/// Reads what a master of `width` x `height` pixels is.
///
/// # Errors
/// A [`Refusal`] where its camera is not the profile's, where a hard key cannot be read, or where a
/// dark's or flat-dark's exposure is not stated.
pub fn of_supplied(
    header: &Header,
    width: u32,
    height: u32,
    file: &SuppliedFile,
    profile: &Profile,
) -> Result<SuppliedFacts, Refusal> {
    let source = Source::supplied(header, &file.stated, profile);
    let (camera, unstated) = camera::of_master(&source, width, height)?;
    let ours = |glob: &String| name_matches(glob, &camera.name);
    if let Some(found) = source.all(CAMERA).first()
        && !profile.cameras.iter().any(ours)
    {
        let names = profile.cameras.join(", ");
        return Err(found.refuse(format!(
            "the profile's camera is {names}; `camera` beside `file` overrules the header"
        )));
    }
    // What a master's header makes odd concerns no frame.
    let mut remarks = Vec::new();
    let flat = file.kind == Kind::Flat;
    // No frame is matched with the exposure of a flat.
    let exposure = match (source.all(EXPOSURE).is_empty(), Seconds::new(0.0)) {
        (true, Some(unknown)) if flat => unknown,
        _ => exposure(&source, file.kind, &mut remarks)?,
    };
    let measured = degrees_celsius(&source, TEMPERATURE, &mut remarks);
    let set_point = degrees_celsius(&source, SET_POINT, &mut remarks);
    let temperature = match source.stated_fact(TEMPERATURE).is_some() {
        true => measured,
        false => set_point.or(measured),
    };
    let counts = kind::COUNTS.iter().chain(&["DLNIN"]);
    let frames = counts
        .filter_map(|keyword| header.number(keyword))
        .find(|count| (1.0..1e6).contains(count) && count.fract() == 0.0);
    let optics = match flat {
        true => Optics {
            telescope: source.text(TELESCOPE).map(Arc::from),
            focal_length_mm: unless_zero(&source, FOCAL_LENGTH, Unit::Millimetres, &mut remarks)
                .and_then(Setting::new),
        },
        false => Optics::default(),
    };
    Ok(SuppliedFacts {
        facts: MasterFacts {
            kind: file.kind,
            rig: Arc::from(profile.name.as_str()),
            camera: Arc::new(camera),
            filter: filter(&source, file.kind),
            exposure,
            temperature,
            optics: Arc::new(optics),
            rotator: angle(&source, ROTATOR, &mut remarks).filter(|_| flat),
            first: None,
            last: None,
        },
        unstated,
        frames: frames.map(|count| count as usize),
    })
}
