//! Header cards and a path become a typed [`Frame`], or a refusal that names the keyword.
//!
//! What is needed and absent refuses the frame: its kind, its camera, its exposure (a bias may
//! leave that out: being the shortest exposure there is, it counts as 0 s). What is optional and
//! absent stays absent. A value that decides whether frames may be mixed (gain, binning, colour
//! filter array) refuses the frame when it cannot be read; any other odd value is passed over with
//! a remark.
//!
//! It does not know pixels, files, or other frames.

mod camera;
mod glob;
mod keywords;
mod kind;
mod overscan;
mod source;
mod supplied;
#[cfg(test)]
mod tests;
mod time;
mod value;

use std::sync::Arc;

use crate::facts::{
    Celsius, Degrees, Frame, GainMeaning, Header, Kind, Optics, Pointing, Profile, Refusal,
    RelPath, Seconds, Setting, Value,
};

pub use glob::{name_matches, path_glob};
pub use keywords::{FACTS, Fact};
pub use supplied::{SuppliedFacts, of_supplied};

use keywords::{
    CAMERA, DEC, ELECTRONS_PER_ADU, EXPOSURE, FILTER, FOCAL_LENGTH, PIXEL, RA, ROTATOR, SET_POINT,
    SKY_ANGLE, TARGET, TELESCOPE, TEMPERATURE,
};
use source::{Source, pick};
use value::{Unit, number, shown, sky, text};

/// A day: no single exposure lasts longer.
const LONGEST_EXPOSURE_S: f64 = 86_400.0;

/// The word for having no filter.
const NO_FILTER: &str = "none";

/// Reads what a subframe is from its header and its path within the watch folder.
///
/// `width` and `height` are the image's, in pixels as stored. The first profile that names the
/// camera (and the telescope, where it asks for one) is taken, and reads the rest.
///
/// # Errors
/// A [`Refusal`] for a frame that is processed already, has no profile, or lacks a kind, a camera
/// or an exposure, or states a hard key that cannot be read.
pub fn recognise(
    header: &Header,
    width: u32,
    height: u32,
    path: &RelPath,
    profiles: &[Arc<Profile>],
) -> Result<Frame, Refusal> {
    kind::check_raw(header)?;
    let (source, camera_name) = choose(header, path, profiles)?;
    let mut remarks = Vec::new();
    let kind = kind::kind(&source, &mut remarks)?;
    let camera = camera::camera(&source, &camera_name, width, height, &mut remarks)?;
    let exposure = exposure(&source, kind, &mut remarks)?;
    let temperature = degrees_celsius(&source, TEMPERATURE, &mut remarks);
    let set_point = degrees_celsius(&source, SET_POINT, &mut remarks);
    let optics = Optics {
        telescope: source.text(TELESCOPE).map(Arc::from),
        // Drivers write 0 for a focal length nobody entered.
        focal_length_mm: unless_zero(&source, FOCAL_LENGTH, Unit::Millimetres, &mut remarks)
            .and_then(Setting::new),
    };
    let start = time::start(&source, &mut remarks);
    let pointing = pointing(&source, &mut remarks);
    let electrons_per_adu = electrons_per_adu(&source, &mut remarks);
    Ok(Frame {
        kind,
        rig: Arc::from(source.profile().name.as_str()),
        camera: Arc::new(camera),
        filter: filter(&source, kind),
        exposure,
        temperature,
        set_point,
        optics: Arc::new(optics),
        rotator: angle(&source, ROTATOR, &mut remarks),
        sky_angle: angle(&source, SKY_ANGLE, &mut remarks),
        target: source.text(TARGET).map(Arc::from),
        start,
        pointing,
        pixel_um: unless_zero(&source, PIXEL, Unit::Micrometres, &mut remarks),
        electrons_per_adu,
        remarks,
    })
}

/// The first profile that names the camera, with the camera's name as that profile reads it.
fn choose<'a>(
    header: &'a Header,
    path: &RelPath,
    profiles: &'a [Arc<Profile>],
) -> Result<(Source<'a>, String), Refusal> {
    let mut unknown: Option<String> = None;
    let mut other_telescope: Option<Refusal> = None;
    for profile in profiles {
        let source = Source::new(header, path, profile);
        let Some(name) = source.text(CAMERA) else {
            continue;
        };
        if !profile.cameras.iter().any(|glob| name_matches(glob, &name)) {
            unknown.get_or_insert(name);
            continue;
        }
        let Some(wanted) = &profile.telescope else {
            return Ok((source, name));
        };
        let telescope = source.text(TELESCOPE);
        if telescope
            .as_deref()
            .is_some_and(|telescope| name_matches(wanted, telescope))
        {
            return Ok((source, name));
        }
        other_telescope.get_or_insert_with(|| Refusal::Keyword {
            keyword: TELESCOPE.keywords[0].to_owned(),
            found: telescope.map_or("absent".to_owned(), |name| shown(&Value::Text(name))),
            want: format!(
                "the profile {:?} of this camera wants a telescope like {wanted:?}",
                profile.name
            ),
        });
    }
    Err(match (other_telescope, unknown, profiles.is_empty()) {
        (Some(refusal), _, _) => refusal,
        (None, Some(camera), _) => Refusal::UnknownCamera { camera },
        (None, None, false) => missing(CAMERA),
        (None, None, true) => {
            let said = CAMERA.keywords.iter().find_map(|keyword| {
                let card = header.find(keyword)?;
                text(&card.value)
            });
            said.map_or_else(
                || missing(CAMERA),
                |camera| Refusal::UnknownCamera { camera },
            )
        }
    })
}

fn missing(fact: Fact) -> Refusal {
    Refusal::Missing {
        what: "camera name",
        keywords: fact.keywords.join(", "),
    }
}

fn exposure(
    source: &Source<'_>,
    kind: Kind,
    remarks: &mut Vec<String>,
) -> Result<Seconds, Refusal> {
    let found = source.all(EXPOSURE);
    let Some(first) = found.first() else {
        return match (kind, Seconds::new(0.0)) {
            (Kind::Bias, Some(zero)) => Ok(zero),
            _ => Err(source.missing("exposure", EXPOSURE)),
        };
    };
    let Some(seconds) = number(&first.value, Unit::Seconds) else {
        return Err(first.refuse("want an exposure in seconds"));
    };
    if !(0.0..=LONGEST_EXPOSURE_S).contains(&seconds) {
        return Err(first.refuse(format!(
            "want an exposure from 0 to {LONGEST_EXPOSURE_S} seconds"
        )));
    }
    if seconds == 0.0 && kind != Kind::Bias {
        return Err(first.refuse(format!(
            "a {kind} is longer than 0 seconds; only a bias is not"
        )));
    }
    // Two keywords may hold the time asked for and the time measured, but not two different times.
    let other = found.iter().skip(1).find(|other| {
        number(&other.value, Unit::Seconds)
            .is_some_and(|other| (other - seconds).abs() > 0.01 * seconds.max(other))
    });
    if let Some(other) = other.filter(|_| !source.overrules(EXPOSURE, &first.keyword)) {
        remarks.push(format!(
            "{} is {}, {} is {}: the first is believed",
            first.keyword,
            shown(&first.value),
            other.keyword,
            shown(&other.value)
        ));
    }
    Seconds::new(seconds).ok_or_else(|| first.refuse("want an exposure in seconds"))
}

fn degrees_celsius(source: &Source<'_>, fact: Fact, remarks: &mut Vec<String>) -> Option<Celsius> {
    // Drivers without a sensor write absolute zero or 999.
    let range = -200.0..=100.0;
    let what = "not a temperature of a sensor in Celsius";
    source
        .optional(fact, Unit::Celsius, range, what, remarks)
        .and_then(Celsius::new)
}

/// An angle from 0 up to 360 degrees.
fn angle(source: &Source<'_>, fact: Fact, remarks: &mut Vec<String>) -> Option<Degrees> {
    let degrees = source.optional(
        fact,
        Unit::Degrees,
        -36_000.0..=36_000.0,
        "not an angle in degrees",
        remarks,
    )?;
    // The remainder of a tiny negative number rounds up to 360 itself.
    let wrapped = degrees.rem_euclid(360.0);
    Degrees::new(if wrapped >= 360.0 { 0.0 } else { wrapped })
}

/// A positive number; zero stands for `nobody entered it` and says nothing.
fn unless_zero(
    source: &Source<'_>,
    fact: Fact,
    unit: Unit,
    remarks: &mut Vec<String>,
) -> Option<f64> {
    source
        .optional(fact, unit, 0.0..=1e6, "not a positive length", remarks)
        .filter(|&length| length > 0.0)
}

fn electrons_per_adu(source: &Source<'_>, remarks: &mut Vec<String>) -> Option<f64> {
    let mut found = Vec::new();
    if source.profile().gain_keyword == GainMeaning::ElectronsPerAdu {
        found.extend(source.stated("GAIN"));
    }
    found.extend(source.all(ELECTRONS_PER_ADU));
    let what = "not a number of electrons per ADU";
    pick(&found, Unit::ElectronsPerAdu, 0.0..=1e6, what, remarks).filter(|&gain| gain > 0.0)
}

/// The physical filter. Frames taken in the dark have none, whatever the wheel stood at.
fn filter(source: &Source<'_>, kind: Kind) -> Arc<str> {
    let none = || Arc::from(NO_FILTER);
    if matches!(kind, Kind::Bias | Kind::Dark | Kind::FlatDark) {
        return none();
    }
    let Some(said) = source.text(FILTER) else {
        return none();
    };
    let aliases = &source.profile().filters;
    if let Some((_, physical)) = aliases.iter().find(|(word, _)| kind::same(word, &said)) {
        return Arc::from(physical.as_str());
    }
    // A physical filter's own name in another letter case is that filter.
    if let Some(physical) = aliases.values().find(|name| kind::same(name, &said)) {
        return Arc::from(physical.as_str());
    }
    match said.to_lowercase().as_str() {
        "none" | "no filter" | "nofilter" | "no_filter" | "n/a" | "-" => none(),
        _ => Arc::from(said),
    }
}

/// Right ascension and declination out of the first pair of keywords that both can be read.
fn pointing(source: &Source<'_>, remarks: &mut Vec<String>) -> Option<Pointing> {
    let (all_ra, all_dec) = (source.all(RA), source.all(DEC));
    let usable_ra = |value: &Value| sky(value, true).filter(|ra| (0.0..=360.0).contains(ra));
    let usable_dec = |value: &Value| sky(value, false).filter(|dec| (-90.0..=90.0).contains(dec));
    let place = |fact: Fact, keyword: &str| {
        let mut names = fact.keywords.iter();
        names.position(|name| name.eq_ignore_ascii_case(keyword))
    };
    for ra in &all_ra {
        // `RA` goes with `DEC`, `OBJCTRA` with `OBJCTDEC`; names of the profile's own go with any.
        let partner = place(RA, &ra.keyword);
        for dec in &all_dec {
            let same = place(DEC, &dec.keyword);
            if partner.is_some() && same.is_some() && partner != same {
                continue;
            }
            if let (Some(ra), Some(dec)) = (usable_ra(&ra.value), usable_dec(&dec.value)) {
                return Some(Pointing {
                    ra: Degrees::new(if ra >= 360.0 { 0.0 } else { ra })?,
                    dec: Degrees::new(dec)?,
                });
            }
        }
    }
    for found in &all_ra {
        if usable_ra(&found.value).is_none() {
            remarks.push(found.remark("not a right ascension"));
        }
    }
    for found in &all_dec {
        if usable_dec(&found.value).is_none() {
            remarks.push(found.remark("not a declination"));
        }
    }
    None
}
