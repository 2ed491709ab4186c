//! The hard keys: what a camera's frames must share to have to do with each other at all.
//!
//! A bad value in a hard key refuses the frame, since passing over it would mix frames that must
//! not be mixed.

use std::sync::Arc;

use crate::facts::{
    Camera, Cfa, CfaChoice, GainMeaning, Overscan, Refusal, RowOrder, Setting, Unstated, Value,
};

use super::keywords::{
    BINNING, BINNING_X, BINNING_Y, CAMERA, CFA, CFA_X, CFA_Y, Fact, GAIN, OFFSET, ORIGIN_X,
    ORIGIN_Y, READOUT_MODE, ROW_ORDER,
};
use super::overscan::overscan;
use super::source::{Found, Source};
use super::value::{Unit, number, text, whole};

/// More than this is a mistake, not a binning.
const LARGEST_BINNING: i64 = 64;

/// No sensor has more columns or rows.
const LARGEST_SENSOR: i64 = 1 << 20;

pub(super) fn camera(
    source: &Source<'_>,
    name: &str,
    width: u32,
    height: u32,
    remarks: &mut Vec<String>,
) -> Result<Camera, Refusal> {
    let binning = binning(source)?;
    let row_order = row_order(source)?;
    let origin = origin(source)?;
    let gain = gain(source)?;
    let overscan = overscan(source, (width, height), binning, origin)?;
    let image = overscan.map_or(Image::whole(width, height), |overscan| {
        Image::within(&overscan, row_order)
    });
    // Beside an overscan the frame is a whole readout, so the image alone moves the origin.
    let origin = (origin.0 + image.right, origin.1 + image.down);
    let cfa = cfa(source, &image, row_order, origin)?;
    if let (Some(cfa), true) = (cfa, binning != (1, 1)) {
        remarks.push(format!(
            "colour filter array {cfa} with binning {}x{}: taken at its word",
            binning.0, binning.1
        ));
    }
    Ok(Camera {
        name: Arc::from(name.trim()),
        width: image.width,
        height: image.height,
        binning,
        gain,
        offset: setting(&source.all(OFFSET))?,
        readout_mode: source.text(READOUT_MODE).map(Arc::from),
        row_order,
        origin: unbinned(origin, binning),
        cfa,
        overscan,
    })
}

/// The hard keys of a finished master, which has no overscan any more, and which of those with a usual
/// value are only taken to have it.
pub(super) fn of_master(
    source: &Source<'_>,
    width: u32,
    height: u32,
) -> Result<(Camera, Unstated), Refusal> {
    let name = source.text(CAMERA);
    let stated = |facts: &[Fact]| facts.iter().any(|&fact| !source.all(fact).is_empty());
    let unstated = Unstated {
        name: name.is_none(),
        binning: !stated(&[BINNING, BINNING_X, BINNING_Y]),
        origin: !stated(&[ORIGIN_X, ORIGIN_Y]),
    };
    let binning = binning(source)?;
    let row_order = row_order(source)?;
    let origin = origin(source)?;
    let cfa = match source.profile().cfa {
        CfaChoice::Header => cfa(source, &Image::whole(width, height), row_order, origin)?,
        // The frames' own is as certain.
        CfaChoice::Mono | CfaChoice::Fixed(_) => None,
    };
    let camera = Camera {
        name: Arc::from(name.as_deref().unwrap_or_default().trim()),
        width,
        height,
        binning,
        gain: gain(source)?,
        offset: setting(&source.all(OFFSET))?,
        readout_mode: source.text(READOUT_MODE).map(Arc::from),
        row_order,
        origin: unbinned(origin, binning),
        cfa,
        overscan: None,
    };
    Ok((camera, unstated))
}

fn gain(source: &Source<'_>) -> Result<Option<Setting>, Refusal> {
    match source.profile().gain_keyword {
        GainMeaning::Setting => setting(&source.all(GAIN)),
        GainMeaning::ElectronsPerAdu => setting(&source.all_but(GAIN, &["GAIN"])),
    }
}

/// First column and row in binned pixels.
fn origin(source: &Source<'_>) -> Result<(u32, u32), Refusal> {
    Ok((
        small(source, ORIGIN_X, LARGEST_SENSOR)?.unwrap_or(0),
        small(source, ORIGIN_Y, LARGEST_SENSOR)?.unwrap_or(0),
    ))
}

/// The header counts binned pixels.
fn unbinned(origin: (u32, u32), binning: (u32, u32)) -> (u32, u32) {
    (
        origin.0.saturating_mul(binning.0),
        origin.1.saturating_mul(binning.1),
    )
}

/// The image in a stored frame, in pixels as stored.
struct Image {
    /// Its first stored column and row.
    corner: (u32, u32),
    width: u32,
    height: u32,
    /// By how many columns and rows of the sensor its origin lies off the frame's: rows are
    /// counted from the top of the sensor, whichever end is stored first.
    right: u32,
    down: u32,
}

impl Image {
    fn whole(width: u32, height: u32) -> Self {
        Self {
            corner: (0, 0),
            width,
            height,
            right: 0,
            down: 0,
        }
    }

    fn within(overscan: &Overscan, row_order: RowOrder) -> Self {
        let window = overscan.image();
        // Parts of numbers that came as u32.
        let [left, top, width, height] =
            [window.left, window.top, window.width, window.height].map(|number| number as u32);
        Self {
            corner: (left, top),
            width,
            height,
            right: left,
            down: match row_order {
                RowOrder::BottomUp => overscan.stored.1 - top - height,
                RowOrder::TopDown | RowOrder::Unstated => top,
            },
        }
    }
}

fn setting(found: &[Found]) -> Result<Option<Setting>, Refusal> {
    let Some(first) = found.iter().find(|found| !unknown(found)) else {
        return Ok(None);
    };
    let value = match &first.value {
        // Consumer cameras: `ISO 800`.
        Value::Text(said) => {
            let said = said.trim();
            let iso = said.get(..3).is_some_and(|s| s.eq_ignore_ascii_case("iso"));
            Value::Text(said.get(3..).filter(|_| iso).unwrap_or(said).to_owned())
        }
        value => value.clone(),
    };
    number(&value, Unit::Plain)
        .and_then(Setting::new)
        .map(Some)
        .ok_or_else(|| first.refuse("want a number"))
}

/// True for the words by which a driver says that it has no such setting.
fn unknown(found: &Found) -> bool {
    let said = text(&found.value).unwrap_or_default().to_lowercase();
    matches!(said.as_str(), "n/a" | "na" | "none" | "unknown" | "-")
}

/// A whole number from 0 to `most`.
fn small(source: &Source<'_>, fact: Fact, most: i64) -> Result<Option<u32>, Refusal> {
    let found = source.all(fact);
    let Some(first) = found.first() else {
        return Ok(None);
    };
    whole(&first.value)
        .filter(|number| (0..=most).contains(number))
        .and_then(|number| u32::try_from(number).ok())
        .map(Some)
        .ok_or_else(|| first.refuse(format!("want a whole number from 0 to {most}")))
}

/// Both binning factors. Where nothing is said the sensor was read out whole: 1x1. Where only one
/// factor is said it holds for both directions. A keyword that states both at once is asked last,
/// unless the profile names one of its own.
fn binning(source: &Source<'_>) -> Result<(u32, u32), Refusal> {
    let one = |fact: Fact| -> Result<Option<u32>, Refusal> {
        let found = source.all(fact);
        let first = found.first();
        first
            .map(|found| factor(found, whole(&found.value)))
            .transpose()
    };
    let both = source.all(BINNING);
    if let Some(found) = both.first().filter(|_| source.is_own(BINNING)) {
        return factors(found);
    }
    match (one(BINNING_X)?, one(BINNING_Y)?, both.first()) {
        (Some(x), y, _) => Ok((x, y.unwrap_or(x))),
        (None, Some(y), _) => Ok((y, y)),
        (None, None, Some(found)) => factors(found),
        (None, None, None) => Ok((1, 1)),
    }
}

/// A binning factor that can be.
fn factor(found: &Found, said: Option<i64>) -> Result<u32, Refusal> {
    said.filter(|number| (1..=LARGEST_BINNING).contains(number))
        .and_then(|number| u32::try_from(number).ok())
        .ok_or_else(|| found.refuse(format!("want whole numbers from 1 to {LARGEST_BINNING}")))
}

/// `2x2`, `2 2` or `2`.
fn factors(found: &Found) -> Result<(u32, u32), Refusal> {
    let said = text(&found.value).unwrap_or_default();
    let parts: Vec<Option<i64>> = said
        .split(|c: char| c.is_whitespace() || "xX*×,".contains(c))
        .filter(|part| !part.is_empty())
        .map(|part| whole(&Value::Text(part.to_owned())))
        .collect();
    match parts.as_slice() {
        [both] => factor(found, *both).map(|factor| (factor, factor)),
        [x, y] => Ok((factor(found, *x)?, factor(found, *y)?)),
        _ => Err(found.refuse("want one or two whole numbers, such as 2x2")),
    }
}

fn row_order(source: &Source<'_>) -> Result<RowOrder, Refusal> {
    let found = source.all(ROW_ORDER);
    let Some(first) = found.first() else {
        return Ok(RowOrder::Unstated);
    };
    let letters: String = text(&first.value)
        .unwrap_or_default()
        .to_lowercase()
        .chars()
        .filter(|c| c.is_alphanumeric())
        .collect();
    match letters.as_str() {
        "topdown" => Ok(RowOrder::TopDown),
        "bottomup" => Ok(RowOrder::BottomUp),
        _ => Err(first.refuse("want TOP-DOWN or BOTTOM-UP")),
    }
}

/// The colour filter array as it lies over the image's pixels as stored.
///
/// The pattern and its offsets describe the whole sensor, seen from its top row down; a subframe
/// does not change them. So the offsets and the subframe's origin add up, and a file stored from
/// the bottom row up turns the pattern over (which an odd number of rows undoes). Where the row
/// order is not stated the pattern is taken to lie over the rows as stored. This is common
/// practice; no standard says so.
fn cfa(
    source: &Source<'_>,
    image: &Image,
    row_order: RowOrder,
    origin: (u32, u32),
) -> Result<Option<Cfa>, Refusal> {
    match source.profile().cfa {
        CfaChoice::Mono => return Ok(None),
        CfaChoice::Fixed(cfa) => {
            let (left, top) = image.corner;
            return Ok(Some(cfa.shifted(left.into(), top.into())));
        }
        CfaChoice::Header => {}
    }
    let found = source.all(CFA);
    let Some(first) = found.first() else {
        return Ok(None);
    };
    let said = text(&first.value).unwrap_or_default();
    let letters = said.to_lowercase();
    if matches!(
        letters.as_str(),
        "none" | "mono" | "monochrome" | "grey" | "gray" | "no" | "n/a"
    ) {
        return Ok(None);
    }
    let pattern = Cfa::parse(&said).ok_or_else(|| {
        first.refuse(
            "want RGGB, BGGR, GRBG or GBRG, or NONE for a monochrome sensor; \
             `cfa` in the profile overrides the header",
        )
    })?;
    let offset = |fact: Fact| -> Result<i64, Refusal> {
        let found = source.all(fact);
        let Some(first) = found.first() else {
            return Ok(0);
        };
        whole(&first.value).ok_or_else(|| first.refuse("want a whole number"))
    };
    let dx = offset(CFA_X)? + i64::from(origin.0);
    let dy = offset(CFA_Y)? + i64::from(origin.1);
    let shifted = pattern.shifted(dx.rem_euclid(2), dy.rem_euclid(2));
    Ok(Some(match row_order {
        RowOrder::BottomUp => shifted.flipped(u64::from(image.height)),
        RowOrder::TopDown | RowOrder::Unstated => shifted,
    }))
}
