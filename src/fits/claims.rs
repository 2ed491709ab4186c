//! What a header claims about the data behind it: mandatory keywords and their order, size, shape
//! and meaning of the samples. Pure checks on cards; arithmetic on sizes is checked, since a header
//! can claim anything.
//!
//! Rules: FITS Standard 3.0, section 4.4.1 (mandatory keywords), equations 4.1 and 4.2 (size of
//! the data), section 6 (random groups); 4.0, section 10.1 (tiled images).

use crate::facts::{Card, Refusal, Value};

use super::FitsError;

/// The longest side of an image, pixels.
const SIDE_LIMIT: i64 = 65_536;

/// How an image is stored.
#[derive(Debug)]
pub(super) enum Form {
    /// As plain numbers.
    Plain(Layout),
    /// As a compressed image in a binary table: what its pixels will be once unpacked.
    Tiled(Tiles),
}

/// Where the pixels of a plain image lie and what their bytes mean.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    pub(super) data: u64,
    pub(super) bitpix: i64,
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) scale: f64,
    pub(super) zero: f64,
    pub(super) blank: Option<i64>,
}

/// A tile-compressed image: number of its unit (0: the primary), type and size of its pixels.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Tiles {
    pub(super) unit: usize,
    pub(super) bitpix: i64,
    pub(super) width: usize,
    pub(super) height: usize,
}

/// The value of the first card with this keyword that has one.
pub(super) fn find<'a>(cards: &'a [Card], keyword: &str) -> Option<&'a Value> {
    cards
        .iter()
        .find(|card| card.keyword == keyword && card.value != Value::None)
        .map(|card| &card.value)
}

impl Layout {
    /// The layout that the cards of an image unit claim, whose data begin at byte `data`.
    pub(super) fn claimed(
        cards: &[Card],
        bitpix: i64,
        axes: &[i64],
        data: u64,
    ) -> Result<Self, FitsError> {
        let (width, height) = sides("NAXIS", axes)?;
        let number = |keyword, default| match find(cards, keyword) {
            None => Ok(default),
            Some(Value::Integer(number)) => Ok(*number as f64),
            Some(Value::Real(number)) => Ok(*number),
            Some(other) => Err(refuse(keyword, other, "a number is wanted")),
        };
        let scale = number("BSCALE", 1.0)?;
        if scale == 0.0 {
            return Err(refuse("BSCALE", "0", "every pixel would be the same"));
        }
        let blank = match find(cards, "BLANK") {
            // Forbidden with floats, which have NaN instead, and found there all the same.
            _ if bitpix < 0 => None,
            Some(Value::Integer(number)) => Some(*number),
            Some(Value::Real(number)) if number.fract() == 0.0 => Some(*number as i64),
            _ => None,
        };
        Ok(Self {
            data,
            bitpix,
            width,
            height,
            scale,
            zero: number("BZERO", 0.0)?,
            blank,
        })
    }
}

impl Tiles {
    /// The image that the cards of a compressed one, the file's unit number `unit`, claim.
    pub(super) fn claimed(cards: &[Card], unit: usize) -> Result<Self, FitsError> {
        let count = integer(cards, "ZNAXIS")?;
        if !(1..=999).contains(&count) {
            return Err(refuse("ZNAXIS", count, "a picture has two axes"));
        }
        let axes = (1..=count)
            .map(|place| integer(cards, &format!("ZNAXIS{place}")))
            .collect::<Result<Vec<_>, _>>()?;
        let (width, height) = sides("ZNAXIS", &axes)?;
        let bitpix = integer(cards, "ZBITPIX")?;
        if !matches!(bitpix, 8 | 16 | 32 | -32 | -64) {
            let want = "8, 16, 32, -32 or -64 in a compressed image";
            return Err(refuse("ZBITPIX", bitpix, want));
        }
        Ok(Self {
            unit,
            bitpix,
            width,
            height,
        })
    }
}

/// A refusal for what a keyword holds.
pub(super) fn refuse(keyword: &str, found: impl ToString, want: &str) -> FitsError {
    FitsError::Refused(Refusal::Keyword {
        keyword: keyword.to_owned(),
        found: found.to_string(),
        want: want.to_owned(),
    })
}

/// An integer that must be there.
fn integer(cards: &[Card], keyword: &str) -> Result<i64, FitsError> {
    match find(cards, keyword) {
        Some(Value::Integer(number)) => Ok(*number),
        Some(other) => Err(refuse(keyword, other, "an integer is wanted")),
        None => Err(refuse(keyword, "absent", "an integer is wanted")),
    }
}

/// BITPIX and the axes, checked for order and range. Nothing is sized by them yet.
pub(super) fn mandatory(cards: &[Card], primary: bool) -> Result<(i64, Vec<i64>), FitsError> {
    let at = |place: usize, keyword: &str| match cards.get(place) {
        Some(card) if card.keyword == keyword => match &card.value {
            Value::Integer(number) => Ok(*number),
            other => Err(refuse(keyword, other, "an integer is wanted")),
        },
        other => Err(refuse(
            &format!("header record {}", place + 1),
            other.map_or("absent", |card| card.keyword.as_str()),
            &format!("{keyword} must stand there"),
        )),
    };
    if primary {
        match cards.first().map(|card| &card.value) {
            Some(Value::Logical(true)) => {}
            other => {
                let found = other.unwrap_or(&Value::None);
                return Err(refuse("SIMPLE", found, "T says that the file is FITS"));
            }
        }
    }
    let bitpix = at(1, "BITPIX")?;
    if !matches!(bitpix, 8 | 16 | 32 | 64 | -32 | -64) {
        return Err(refuse("BITPIX", bitpix, "8, 16, 32, 64, -32 or -64"));
    }
    let count = at(2, "NAXIS")?;
    if !(0..=999).contains(&count) {
        return Err(refuse("NAXIS", count, "0 to 999"));
    }
    let mut axes = Vec::new();
    for place in 0..count as usize {
        let keyword = format!("NAXIS{}", place + 1);
        let axis = at(3 + place, &keyword)?;
        if axis < 0 {
            return Err(refuse(&keyword, axis, "no axis is shorter than 0"));
        }
        axes.push(axis);
    }
    Ok((bitpix, axes))
}

/// Bytes of data that a header claims.
pub(super) fn data_length(
    cards: &[Card],
    bitpix: i64,
    axes: &[i64],
    primary: bool,
) -> Result<u64, FitsError> {
    let product = |axes: &[i64]| {
        axes.iter()
            .try_fold(1_i64, |size, &axis| size.checked_mul(axis))
            // A zero anywhere means no data, whatever overflowed before it.
            .or_else(|| axes.contains(&0).then_some(0))
    };
    let optional = |keyword, default| match find(cards, keyword) {
        Some(Value::Integer(number)) if *number >= 0 => Ok(*number),
        None => Ok(default),
        Some(other) => Err(refuse(keyword, other, "an integer from 0 is wanted")),
    };
    let groups =
        primary && axes.first() == Some(&0) && find(cards, "GROUPS") == Some(&Value::Logical(true));
    let elements = if axes.is_empty() {
        Some(0)
    } else if primary && !groups {
        product(axes)
    } else {
        // Random groups have no first axis.
        let axes = if groups { &axes[1..] } else { axes };
        let parameters = optional("PCOUNT", 0)?;
        let count = optional("GCOUNT", 1)?;
        product(axes)
            .and_then(|size| size.checked_add(parameters))
            .and_then(|size| size.checked_mul(count))
    };
    elements
        .and_then(|elements| elements.checked_mul(bitpix.abs() / 8))
        // Room for headers and fill in later sums.
        .filter(|&length| length < i64::MAX / 2)
        .map(i64::cast_unsigned)
        .ok_or_else(|| {
            let found = axes.iter().map(i64::to_string).collect::<Vec<_>>();
            refuse("NAXISn", found.join(" x "), "no file can be that large")
        })
}

/// Width and height of an image with these axes.
fn sides(keyword: &str, axes: &[i64]) -> Result<(usize, usize), FitsError> {
    let &[width, height, ref more @ ..] = axes else {
        return Err(refuse(keyword, axes.len(), "a picture has two axes"));
    };
    for (place, &axis) in more.iter().enumerate() {
        if axis != 1 {
            let keyword = format!("{keyword}{}", place + 3);
            return Err(refuse(
                &keyword,
                axis,
                "a subframe has two axes, not a stack of planes",
            ));
        }
    }
    for (place, side) in [width, height].into_iter().enumerate() {
        if !(1..=SIDE_LIMIT).contains(&side) {
            let keyword = format!("{keyword}{}", place + 1);
            return Err(refuse(&keyword, side, "1 to 65536 pixels"));
        }
    }
    Ok((width as usize, height as usize))
}

/// True for the keywords that describe the bytes of their own unit, not the observation.
pub(super) fn is_structural(keyword: &str) -> bool {
    let axis = |stem: &str| {
        keyword
            .strip_prefix(stem)
            .is_some_and(|rest| rest.bytes().all(|byte| byte.is_ascii_digit()))
    };
    matches!(
        keyword,
        "SIMPLE"
            | "XTENSION"
            | "BITPIX"
            | "EXTEND"
            | "PCOUNT"
            | "GCOUNT"
            | "GROUPS"
            | "BLOCKED"
            | "CHECKSUM"
            | "DATASUM"
    ) || axis("NAXIS")
}

/// True for the keywords that say how stored numbers become pixels.
pub(super) fn is_scaling(keyword: &str) -> bool {
    matches!(keyword, "BZERO" | "BSCALE" | "BLANK")
}
