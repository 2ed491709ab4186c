//! An opened file whose pixels may still be compressed: its header, and then its pixels, all or as
//! many as are needed.

use std::ops::Range;
use std::path::Path;

use crate::facts::Header;

use super::FitsError;
use super::card::parse_cards;
use super::claims::Form;
use super::gate::{Found, Opened};
use super::plain;
use super::source::Source;
use super::unpack::Unpacker;

/// How often a file may turn out to be compressed inside.
const WRAPPINGS: usize = 2;

/// An opened file, its header checked.
#[derive(Debug)]
pub struct Wrapped {
    opened: Opened,
    header: Header,
    form: Form,
}

impl Wrapped {
    /// Opens a plain, gzip or tile-compressed FITS file, told apart by content, and checks its
    /// header. A gzip stream is decoded by `unpacker`, tiles are left as they are.
    ///
    /// # Errors
    /// As [`Source::open`].
    pub fn open(path: &Path, unpacker: &Unpacker) -> Result<Self, FitsError> {
        let too_deep = || FitsError::unreadable("compressed more than twice");
        let mut opened = Opened::open(path)?;
        let mut wrappings = 0;
        while opened.is_gzip()? {
            if wrappings == WRAPPINGS {
                return Err(too_deep());
            }
            opened = unpacker.unpack(opened, &[])?;
            wrappings += 1;
        }
        let found = opened.find_image();
        // What was inside a whole gzip stream will not grow.
        let found = if wrappings > 0 { settled(found) } else { found };
        let Found { header, form } = found?;
        let header = match &form {
            Form::Plain(_) => header,
            Form::Tiled(_) if wrappings == WRAPPINGS => return Err(too_deep()),
            Form::Tiled(tiles) => Header::new(parse_cards(&plain::header(header.cards(), tiles))),
        };
        Ok(Self {
            opened,
            header,
            form,
        })
    }

    /// As [`Source::header`].
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Pixels per row, and rows.
    pub fn size(&self) -> (usize, usize) {
        match &self.form {
            Form::Plain(layout) => (layout.width, layout.height),
            Form::Tiled(tiles) => (tiles.width, tiles.height),
        }
    }

    /// The pixels. Of an image in tiles `unpacker` decodes only the tiles of these rows, all where
    /// none is named, and no other row can be read then.
    ///
    /// # Errors
    /// As [`Source::open`].
    pub fn unwrapped(
        self,
        rows: Vec<Range<usize>>,
        unpacker: &Unpacker,
    ) -> Result<Source, FitsError> {
        if let Form::Plain(layout) = self.form {
            return Ok(Source::new(self.opened, self.header, layout));
        }
        let opened = unpacker.unpack(self.opened, &rows)?;
        let Found { header, form } = settled(opened.find_image())?;
        match form {
            Form::Plain(layout) => Ok(Source::new(opened, header, layout).only(rows)),
            Form::Tiled(_) => Err(FitsError::unreadable("its tiles hold tiles")),
        }
    }
}

/// Turns "too short so far" into a refusal.
fn settled<T>(found: Result<T, FitsError>) -> Result<T, FitsError> {
    found.map_err(|error| match error {
        FitsError::Io { .. } | FitsError::Scratch { .. } => error,
        other => match other.refusal() {
            Some(refusal) => FitsError::Refused(refusal),
            None => FitsError::unreadable("nothing"),
        },
    })
}
