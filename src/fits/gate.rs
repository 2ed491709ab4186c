//! The gate: opens a file, reads headers with bounded effort, finds the image, and checks every
//! size that a header claims before anything is allocated for it.
//!
//! Arithmetic on sizes is checked: a header can claim anything. Nothing here decodes a pixel.
//!
//! Rules: FITS Standard 3.0, sections 3.3 (blocks), 4.4.1 (mandatory keywords and their order),
//! equations 4.1 and 4.2 (size of the data), 6 (random groups).

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use crate::facts::{Card, Header, Refusal, Value};

use super::card::{RECORD, is_end, parse_cards};
use super::{Cut, FitsError};

/// Bytes of one block.
pub(super) const BLOCK: usize = 2880;
/// The longest header that is read, bytes: thousands of cards more than any camera writes.
const HEADER_LIMIT: usize = 4 << 20;
/// How many header data units are walked in search of an image.
const UNIT_LIMIT: usize = 100;
/// The longest side of an image, pixels.
const SIDE_LIMIT: i64 = 65_536;
/// What a first read asks for: the whole header of most frames.
const FIRST_READ: usize = 4 * BLOCK;

/// A file open for reading, with the size it had then.
#[derive(Debug)]
pub(super) struct Opened {
    pub(super) file: File,
    pub(super) path: PathBuf,
    pub(super) size: u64,
}

/// One header data unit.
#[derive(Debug)]
pub(super) struct Unit {
    pub(super) cards: Vec<Card>,
    /// First byte of the header.
    pub(super) start: u64,
    /// First byte of the data.
    pub(super) data: u64,
    /// Bytes of data, without fill.
    pub(super) length: u64,
    /// BITPIX.
    pub(super) bitpix: i64,
    /// NAXISn, none negative.
    pub(super) axes: Vec<i64>,
}

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

/// The image of a file.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) header: Header,
    pub(super) form: Form,
}

impl Unit {
    fn find(&self, keyword: &str) -> Option<&Value> {
        find(&self.cards, keyword)
    }

    /// True for an extension of this kind.
    fn is(&self, kind: &str) -> bool {
        matches!(self.find("XTENSION"), Some(Value::Text(found)) if found == kind)
    }

    fn is_tiled(&self) -> bool {
        self.is("BINTABLE") && self.find("ZIMAGE") == Some(&Value::Logical(true))
    }

    /// First byte after the unit, fill included.
    pub(super) fn end(&self) -> Option<u64> {
        self.length
            .checked_next_multiple_of(BLOCK as u64)?
            .checked_add(self.data)
    }
}

fn find<'a>(cards: &'a [Card], keyword: &str) -> Option<&'a Value> {
    cards
        .iter()
        .find(|card| card.keyword == keyword && card.value != Value::None)
        .map(|card| &card.value)
}

impl Opened {
    /// Opens a regular file for reading. A pipe or device does not hold the caller up.
    pub(super) fn open(path: &Path) -> Result<Self, FitsError> {
        let file = OpenOptions::new()
            .read(true)
            .custom_flags(rustix::fs::OFlags::NONBLOCK.bits().cast_signed())
            .open(path)
            .map_err(FitsError::io("open", path))?;
        Self::new(file, path)
    }

    /// Takes an open file; `path` is for messages.
    pub(super) fn new(file: File, path: &Path) -> Result<Self, FitsError> {
        let facts = file.metadata().map_err(FitsError::io("look at", path))?;
        if !facts.is_file() {
            return Err(FitsError::unreadable("not a regular file"));
        }
        Ok(Self {
            file,
            path: path.to_owned(),
            size: facts.len(),
        })
    }

    /// Fills as much of `buffer` as the file has from `offset`: the number of bytes read.
    pub(super) fn read_at(&self, buffer: &mut [u8], offset: u64) -> Result<usize, FitsError> {
        let mut done = 0;
        while done < buffer.len() {
            match self
                .file
                .read_at(&mut buffer[done..], offset + done as u64)
            {
                Ok(0) => break,
                Ok(count) => done += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(FitsError::io("read", &self.path)(error)),
            }
        }
        Ok(done)
    }

    /// True for a file that begins with gzip's magic bytes.
    pub(super) fn is_gzip(&self) -> Result<bool, FitsError> {
        let mut magic = [0; 2];
        Ok(self.read_at(&mut magic, 0)? == 2 && magic == [0x1f, 0x8b])
    }

    /// The image: in the primary, or in the first extension that holds one after an empty
    /// primary.
    pub(super) fn find_image(&self) -> Result<Found, FitsError> {
        let primary = self.unit(0, true)?;
        let groups = primary.find("GROUPS") == Some(&Value::Logical(true));
        if groups && primary.axes.first().is_none_or(|&axis| axis == 0) {
            return Err(refuse("GROUPS", "T", "random groups hold no picture"));
        }
        if primary.length > 0 {
            let form = self.form(&primary, 0)?;
            return Ok(Found {
                header: Header::new(primary.cards),
                form,
            });
        }
        let mut next = primary.end();
        let mut seen = 0;
        for number in 1..UNIT_LIMIT {
            let Some(start) = next.filter(|&start| start < self.size) else {
                break;
            };
            let Some(unit) = self.extension(start)? else {
                break;
            };
            seen = number;
            if (unit.is("IMAGE") && unit.length > 0) || unit.is_tiled() {
                let form = self.form(&unit, number)?;
                return Ok(Found {
                    header: Header::new(merge(primary.cards, unit.cards)),
                    form,
                });
            }
            self.reaches(&unit)?;
            next = unit.end();
        }
        let why = match seen {
            0 => "the primary has no data, and no extension follows".to_owned(),
            1 => "the primary has no data, and the extension is none".to_owned(),
            _ => format!("the primary has no data, and none of {seen} extensions is one"),
        };
        Err(FitsError::Refused(Refusal::NoImage(why)))
    }

    /// All header data units, for a walk over the whole file. Bytes after the last unit are left
    /// out.
    pub(super) fn units(&self) -> Result<Vec<Unit>, FitsError> {
        let primary = self.unit(0, true)?;
        let mut units = vec![primary];
        while let Some(unit) = units.last() {
            self.reaches(unit)?;
            match unit.end() {
                Some(start) if start < self.size && units.len() < UNIT_LIMIT => {
                    match self.extension(start)? {
                        Some(unit) => units.push(unit),
                        None => break,
                    }
                }
                _ => break,
            }
        }
        Ok(units)
    }

    /// The unit at `start`, if an extension begins there.
    fn extension(&self, start: u64) -> Result<Option<Unit>, FitsError> {
        let mut begin = [0; 10];
        let count = self.read_at(&mut begin, start)?;
        if begin[..count] != b"XTENSION= "[..count] {
            return Ok(None);
        }
        self.unit(start, false).map(Some)
    }

    /// Checks that the file holds the unit's data; missing fill after the last one is forgiven.
    fn reaches(&self, unit: &Unit) -> Result<(), FitsError> {
        let end = unit.data.checked_add(unit.length);
        match end {
            Some(end) if end <= self.size => Ok(()),
            _ => Err(FitsError::Short {
                has: self.size,
                needs: unit.end().unwrap_or(u64::MAX),
                cut: Cut::Data,
            }),
        }
    }

    fn unit(&self, start: u64, primary: bool) -> Result<Unit, FitsError> {
        let bytes = self.header_bytes(start, primary)?;
        let cards = parse_cards(&bytes);
        let (bitpix, axes) = mandatory(&cards, primary)?;
        let length = data_length(&cards, bitpix, &axes, primary)?;
        Ok(Unit {
            data: start + bytes.len() as u64,
            start,
            length,
            bitpix,
            axes,
            cards,
        })
    }

    /// The whole blocks of the header at `start`.
    fn header_bytes(&self, start: u64, primary: bool) -> Result<Vec<u8>, FitsError> {
        let mut bytes = Vec::new();
        let mut checked = 0;
        let mut want = FIRST_READ;
        loop {
            let old = bytes.len();
            bytes.resize(want, 0);
            let count = self.read_at(&mut bytes[old..], start + old as u64)?;
            bytes.truncate(old + count);
            if primary && old == 0 {
                begins(&bytes)?;
            }
            while let Some(record) = bytes.get(checked..checked + RECORD) {
                checked += RECORD;
                if is_end(record) {
                    let whole = checked.next_multiple_of(BLOCK);
                    // Fill that is missing after END matters only where data follow, and those
                    // are then found missing too.
                    bytes.truncate(whole);
                    bytes.resize(whole, b' ');
                    return Ok(bytes);
                }
            }
            if bytes.len() < want {
                let has = start + bytes.len() as u64;
                return Err(FitsError::Short {
                    has,
                    needs: has + 1,
                    cut: Cut::Header,
                });
            }
            if want >= HEADER_LIMIT {
                let why = format!("no END in the first {HEADER_LIMIT} bytes of a header");
                return Err(FitsError::unreadable(why));
            }
            want *= 2;
        }
    }

    fn form(&self, unit: &Unit, number: usize) -> Result<Form, FitsError> {
        self.reaches(unit)?;
        if unit.is_tiled() {
            let axis = |n| claimed(&unit.cards, &format!("ZNAXIS{n}"));
            let count = claimed(&unit.cards, "ZNAXIS")?;
            if !(1..=999).contains(&count) {
                return Err(refuse("ZNAXIS", count, "a picture has two axes"));
            }
            let axes = (1..=count).map(axis).collect::<Result<Vec<_>, _>>()?;
            let (width, height) = sides("ZNAXIS", &axes)?;
            let bitpix = claimed(&unit.cards, "ZBITPIX")?;
            if !matches!(bitpix, 8 | 16 | 32 | -32 | -64) {
                let want = "8, 16, 32, -32 or -64 in a compressed image";
                return Err(refuse("ZBITPIX", bitpix, want));
            }
            return Ok(Form::Tiled(Tiles {
                unit: number,
                bitpix,
                width,
                height,
            }));
        }
        let (width, height) = sides("NAXIS", &unit.axes)?;
        let number = |keyword, default| match unit.find(keyword) {
            None => Ok(default),
            Some(Value::Integer(number)) => Ok(*number as f64),
            Some(Value::Real(number)) => Ok(*number),
            Some(other) => Err(refuse(keyword, other, "a number is wanted")),
        };
        let scale = number("BSCALE", 1.0)?;
        if scale == 0.0 {
            return Err(refuse("BSCALE", "0", "every pixel would be the same"));
        }
        let blank = match unit.find("BLANK") {
            // A standard says it, writers forget it: floats have NaN instead.
            _ if unit.bitpix < 0 => None,
            Some(Value::Integer(number)) => Some(*number),
            Some(Value::Real(number)) if number.fract() == 0.0 => Some(*number as i64),
            _ => None,
        };
        Ok(Form::Plain(Layout {
            data: unit.data,
            bitpix: unit.bitpix,
            width,
            height,
            scale,
            zero: number("BZERO", 0.0)?,
            blank,
        }))
    }
}

/// Refuses a file that does not begin like a primary header.
fn begins(bytes: &[u8]) -> Result<(), FitsError> {
    const BEGIN: &[u8] = b"SIMPLE  = ";
    if bytes.is_empty() {
        return Err(FitsError::Refused(Refusal::Empty));
    }
    let count = bytes.len().min(BEGIN.len());
    if bytes[..count] == BEGIN[..count] {
        return Ok(());
    }
    let first = &bytes[..bytes.len().min(16)];
    Err(FitsError::Refused(Refusal::NotFits {
        found: format!("\"{}\"", first.escape_ascii()),
    }))
}

fn refuse(keyword: &str, found: impl ToString, want: &str) -> FitsError {
    FitsError::Refused(Refusal::Keyword {
        keyword: keyword.to_owned(),
        found: found.to_string(),
        want: want.to_owned(),
    })
}

/// An integer that must be there.
fn claimed(cards: &[Card], keyword: &str) -> Result<i64, FitsError> {
    match find(cards, keyword) {
        Some(Value::Integer(number)) => Ok(*number),
        Some(other) => Err(refuse(keyword, other, "an integer is wanted")),
        None => Err(refuse(keyword, "absent", "an integer is wanted")),
    }
}

/// BITPIX and the axes, checked for order and range. Nothing is sized by them yet.
fn mandatory(cards: &[Card], primary: bool) -> Result<(i64, Vec<i64>), FitsError> {
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
fn data_length(
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
    let groups = primary
        && axes.first() == Some(&0)
        && find(cards, "GROUPS") == Some(&Value::Logical(true));
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
            return Err(refuse(&keyword, axis, "a subframe has two axes, not a stack of planes"));
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
        "SIMPLE" | "XTENSION" | "BITPIX" | "EXTEND" | "PCOUNT" | "GCOUNT" | "GROUPS" | "BLOCKED"
            | "CHECKSUM" | "DATASUM"
    ) || axis("NAXIS")
}

/// True for the keywords that say how stored numbers become pixels.
pub(super) fn is_scaling(keyword: &str) -> bool {
    matches!(keyword, "BZERO" | "BSCALE" | "BLANK")
}

/// The primary's facts, then the image unit's cards.
fn merge(primary: Vec<Card>, unit: Vec<Card>) -> Vec<Card> {
    primary
        .into_iter()
        .filter(|card| !is_structural(&card.keyword) && !is_scaling(&card.keyword))
        .chain(unit)
        .collect()
}
