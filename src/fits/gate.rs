//! The gate: opens a file, reads headers with bounded effort, finds the image, and checks every
//! size that a header claims against the file before anything is allocated for it.
//!
//! Nothing here decodes a pixel. Rules: FITS Standard 3.0, section 3.3 (blocks); what a header
//! may claim is in `claims`.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use crate::facts::{Card, Header, Refusal, Value};

use super::card::{RECORD, is_end, parse_cards};
use super::claims::{
    Form, Layout, Tiles, data_length, find, is_scaling, is_structural, mandatory, refuse,
};
use super::{Cut, FitsError};

/// Bytes of one block.
pub(super) const BLOCK: usize = 2880;
/// The longest header that is read, bytes: thousands of cards more than any camera writes.
const HEADER_LIMIT: usize = 4 << 20;
/// How many header data units are walked in search of an image.
const UNIT_LIMIT: usize = 100;
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
            match self.file.read_at(&mut buffer[done..], offset + done as u64) {
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

    /// The header of the image, whether or not its data are all there: the primary's, and after an
    /// empty primary the first extension's with it.
    pub(super) fn image_header(&self) -> Result<Header, FitsError> {
        let primary = self.unit(0, true)?;
        let next = primary.end().filter(|_| primary.length == 0);
        let cards = match next
            .map(|start| self.extension(start))
            .transpose()?
            .flatten()
        {
            Some(unit) => merge(primary.cards, unit.cards),
            None => primary.cards,
        };
        Ok(Header::new(cards))
    }

    /// The plain image extension whose EXTNAME is `name`: its cards and layout.
    pub(super) fn find_plane(&self, name: &str) -> Result<Option<(Vec<Card>, Layout)>, FitsError> {
        let named = |unit: &Unit| {
            unit.is("IMAGE")
                && unit.length > 0
                && matches!(unit.find("EXTNAME"), Some(Value::Text(found)) if found == name)
        };
        let Some(unit) = self.units()?.into_iter().find(named) else {
            return Ok(None);
        };
        let layout = Layout::claimed(&unit.cards, unit.bitpix, &unit.axes, unit.data)?;
        Ok(Some((unit.cards, layout)))
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
            want = (want * 2).min(HEADER_LIMIT);
        }
    }

    /// How the unit's image is stored. An impossible shape is refused at once; else the file must
    /// hold what the shape needs.
    fn form(&self, unit: &Unit, number: usize) -> Result<Form, FitsError> {
        let form = if unit.is_tiled() {
            Form::Tiled(Tiles::claimed(&unit.cards, number)?)
        } else {
            Form::Plain(Layout::claimed(
                &unit.cards,
                unit.bitpix,
                &unit.axes,
                unit.data,
            )?)
        };
        self.reaches(unit)?;
        Ok(form)
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

/// The primary's facts, then the image unit's cards.
fn merge(primary: Vec<Card>, unit: Vec<Card>) -> Vec<Card> {
    primary
        .into_iter()
        .filter(|card| !is_structural(&card.keyword) && !is_scaling(&card.keyword))
        .chain(unit)
        .collect()
}
