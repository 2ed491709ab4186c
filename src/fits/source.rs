//! An opened frame: its header, and strips of its pixels by positioned reads.
//!
//! A [`Source`] holds one read-only handle and no pixels. Strips may be read from several threads
//! at once. A file that shrinks while it is read gives [`FitsError::Short`], nothing worse.

use std::io;
use std::ops::Range;
use std::path::Path;

use crate::combine::{Level, Stored, sample, stored};
use crate::facts::{Header, Window};

use super::claims::Layout;
use super::gate::Opened;
use super::scratch;
use super::unpack::Unpacker;
use super::wrapped::Wrapped;
use super::{Cut, FitsError};

/// Bytes converted at a time.
const CHUNK: usize = 1 << 16;

/// An opened frame.
#[derive(Debug)]
pub struct Source {
    opened: Opened,
    header: Header,
    layout: Layout,
    /// What is read of the stored image.
    window: Window,
    /// The rows of the stored image that are there; all where none is named.
    decoded: Vec<Range<usize>>,
}

impl Source {
    pub(super) fn new(opened: Opened, header: Header, layout: Layout) -> Self {
        Self {
            window: Window {
                left: 0,
                top: 0,
                width: layout.width,
                height: layout.height,
            },
            opened,
            header,
            layout,
            decoded: Vec::new(),
        }
    }

    /// The same, of which only these rows of the stored image are there, all where none is named.
    pub(super) fn only(self, decoded: Vec<Range<usize>>) -> Self {
        Self { decoded, ..self }
    }

    /// Opens a plain, gzip or tile-compressed FITS file, told apart by content, and checks its
    /// header. What is compressed is first decoded by `unpacker`.
    ///
    /// # Errors
    /// [`FitsError::Short`] where the file ends before its header's promise, else a refusal that
    /// names what was found; [`FitsError::Io`] where the system failed.
    pub fn open(path: &Path, unpacker: &Unpacker) -> Result<Self, FitsError> {
        Wrapped::open(path, unpacker)?.unwrapped(Vec::new(), unpacker)
    }

    /// Opens the plain image extension called `name` of a plain file; nothing where it has none.
    ///
    /// # Errors
    /// As [`Source::open`].
    pub fn open_plane(path: &Path, name: &str) -> Result<Option<Self>, FitsError> {
        let opened = Opened::open(path)?;
        let found = opened.find_plane(name)?;
        Ok(found.map(|(cards, layout)| Self::new(opened, Header::new(cards), layout)))
    }

    /// The same file, of whose stored image only a part is left. The header stays as it is.
    ///
    /// # Errors
    /// When the part is empty or does not lie in the stored image.
    pub fn crop(mut self, window: Window) -> Result<Self, FitsError> {
        let inside = window.left + window.width <= self.layout.width
            && window.top + window.height <= self.layout.height;
        if !inside || window.width == 0 || window.height == 0 {
            return Err(self.misuse("the part does not lie in the image"));
        }
        self.window = window;
        Ok(self)
    }

    /// The cards: the primary's facts, then those of the extension that holds the image, if one
    /// does. Keywords that describe the stored image are that unit's own.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Pixels per row.
    pub fn width(&self) -> usize {
        self.window.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.window.height
    }

    /// True where the samples are exactly unsigned 16-bit (or 8-bit) numbers, none undefined.
    pub fn is_u16(&self) -> bool {
        let Layout {
            bitpix,
            scale,
            zero,
            blank,
            ..
        } = self.layout;
        scale == 1.0 && blank.is_none() && matches!((bitpix, zero), (16, 32768.0) | (8, 0.0))
    }

    /// The largest value that the storage can hold; infinite for floats.
    pub fn top(&self) -> f64 {
        let (least, most) = match self.layout.bitpix {
            8 => (0.0, f64::from(u8::MAX)),
            16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
            32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
            64 => (i64::MIN as f64, i64::MAX as f64),
            _ => return f64::INFINITY,
        };
        let physical = |stored| self.layout.zero + self.layout.scale * stored;
        physical(least).max(physical(most))
    }

    /// Reads `count` rows from row `first` into `out` (`count * width` samples, rows in file
    /// order).
    ///
    /// # Errors
    /// When the file has shrunk or cannot be read, when rows or `out` do not fit the image, or
    /// when the samples are not [`Source::is_u16`].
    pub fn rows_u16(&self, first: usize, count: usize, out: &mut [u16]) -> Result<(), FitsError> {
        for (offset, run) in self.runs_u16(first, count, out)? {
            match self.layout.bitpix {
                8 => self.convert(offset, run, |[byte]: [u8; 1]| u16::from(byte))?,
                _ => self.convert(offset, run, sample)?,
            }
        }
        Ok(())
    }

    /// The same in [`stored()`] form, in which 16-bit samples are read straight into place.
    ///
    /// # Errors
    /// As [`Source::rows_u16`].
    pub fn rows_stored(
        &self,
        first: usize,
        count: usize,
        out: &mut [Stored],
    ) -> Result<(), FitsError> {
        for (offset, run) in self.runs_u16(first, count, out)? {
            match self.layout.bitpix {
                8 => self.convert(offset, run, |[byte]: [u8; 1]| stored(u16::from(byte)))?,
                _ => self.fill(offset, run.as_flattened_mut())?,
            }
        }
        Ok(())
    }

    /// The runs of rows of unsigned 16-bit numbers.
    fn runs_u16<'a, T>(
        &self,
        first: usize,
        count: usize,
        out: &'a mut [T],
    ) -> Result<impl Iterator<Item = (u64, &'a mut [T])> + use<'a, T>, FitsError> {
        let runs = self.runs(self.part(first, count)?, out)?;
        if !self.is_u16() {
            return Err(self.misuse("samples are not unsigned 16-bit numbers"));
        }
        Ok(runs)
    }

    /// Reads rows as physical values, `BZERO + BSCALE * stored` computed in double precision and
    /// then rounded; undefined pixels are NaN. Shapes as in [`Source::rows_u16`].
    ///
    /// # Errors
    /// As [`Source::rows_u16`], without the last condition.
    pub fn rows_f32(&self, first: usize, count: usize, out: &mut [f32]) -> Result<(), FitsError> {
        self.pixels_f32(self.part(first, count)?, out)
    }

    /// Reads runs of rows, each given by its first row and their number, one behind the other, as
    /// [`Source::rows_f32`] does.
    ///
    /// # Errors
    /// As [`Source::rows_f32`], and where `out` is not as long as all runs together.
    pub fn row_runs_f32(
        &self,
        runs: &[(usize, usize)],
        mut out: &mut [f32],
    ) -> Result<(), FitsError> {
        for &(first, count) in runs {
            let run = out.split_off_mut(..count * self.width());
            let run = run.ok_or_else(|| self.misuse("more rows than there is room for"))?;
            self.rows_f32(first, count, run)?;
        }
        match out.is_empty() {
            true => Ok(()),
            false => Err(self.misuse("fewer rows than there is room for")),
        }
    }

    /// Reads any part of the stored image, whatever is left of it, as [`Source::rows_f32`] does.
    ///
    /// # Errors
    /// As [`Source::rows_f32`].
    pub fn pixels_f32(&self, part: Window, out: &mut [f32]) -> Result<(), FitsError> {
        for (offset, run) in self.runs(part, out)? {
            self.run_f32(offset, run)?;
        }
        Ok(())
    }

    /// Reads samples that lie one behind the other from byte `offset` on.
    fn run_f32(&self, offset: u64, out: &mut [f32]) -> Result<(), FitsError> {
        let (scale, zero) = (self.layout.scale, self.layout.zero);
        let plain = scale == 1.0 && zero == 0.0;
        let blank = self.layout.blank;
        let integer = move |stored: i64| {
            if Some(stored) == blank {
                f32::NAN
            } else {
                (zero + scale * stored as f64) as f32
            }
        };
        match self.layout.bitpix {
            8 => self.convert(offset, out, |[byte]| integer(i64::from(byte))),
            16 if self.is_u16() => self.convert(offset, out, |bytes| f32::from(sample(bytes))),
            16 => self.convert(offset, out, |bytes| {
                integer(i64::from(i16::from_be_bytes(bytes)))
            }),
            32 => self.convert(offset, out, |bytes| {
                integer(i64::from(i32::from_be_bytes(bytes)))
            }),
            64 => self.convert(offset, out, |bytes| integer(i64::from_be_bytes(bytes))),
            -32 if plain => self.convert(offset, out, f32::from_be_bytes),
            -32 => self.convert(offset, out, |bytes| {
                (zero + scale * f64::from(f32::from_be_bytes(bytes))) as f32
            }),
            _ => self.convert(offset, out, |bytes| {
                (zero + scale * f64::from_be_bytes(bytes)) as f32
            }),
        }
    }

    /// Rows of what is left of the stored image.
    fn part(&self, first: usize, count: usize) -> Result<Window, FitsError> {
        let inside = first.checked_add(count);
        if inside.is_none_or(|end| end > self.window.height) {
            return Err(self.misuse("rows do not fit the image"));
        }
        Ok(Window {
            top: self.window.top + first,
            height: count,
            ..self.window
        })
    }

    /// Takes `out` apart into what lies in one piece in the file, each with its first byte: the
    /// whole of a part that is as wide as the stored image, else rows.
    fn runs<'a, T>(
        &self,
        part: Window,
        out: &'a mut [T],
    ) -> Result<impl Iterator<Item = (u64, &'a mut [T])> + use<'a, T>, FitsError> {
        let Layout {
            width,
            height,
            bitpix,
            data,
            ..
        } = self.layout;
        let inside = part.left + part.width <= width && part.top + part.height <= height;
        if !inside || part.width.checked_mul(part.height) != Some(out.len()) {
            return Err(self.misuse("rows or buffer do not fit the image"));
        }
        let there = |row| self.decoded.iter().any(|rows| rows.contains(&row));
        if !self.decoded.is_empty() && !(part.top..part.top + part.height).all(there) {
            return Err(self.misuse("rows were not decoded"));
        }
        let sample = bitpix.unsigned_abs() / 8;
        let first = data + (part.top as u64 * width as u64 + part.left as u64) * sample;
        let step = width as u64 * sample;
        let run = if part.width == width {
            out.len()
        } else {
            part.width
        };
        let places = (0_u64..).map(move |row| first + row * step);
        Ok(places.zip(out.chunks_mut(run.max(1))))
    }

    /// Reads samples of `N` bytes and turns each into one of `out`.
    fn convert<const N: usize, T>(
        &self,
        offset: u64,
        out: &mut [T],
        sample: impl Fn([u8; N]) -> T,
    ) -> Result<(), FitsError> {
        scratch::lend(CHUNK.min(out.len() * N), |buffer| {
            let mut offset = offset;
            for part in out.chunks_mut(CHUNK / N) {
                let bytes = &mut buffer[..part.len() * N];
                self.fill(offset, bytes)?;
                let (samples, _) = bytes.as_chunks::<N>();
                Level::widest().run(|| {
                    for (value, bytes) in part.iter_mut().zip(samples) {
                        *value = sample(*bytes);
                    }
                });
                offset += bytes.len() as u64;
            }
            Ok(())
        })
    }

    fn fill(&self, offset: u64, buffer: &mut [u8]) -> Result<(), FitsError> {
        let count = self.opened.read_at(buffer, offset)?;
        if count == buffer.len() {
            return Ok(());
        }
        Err(FitsError::Short {
            has: offset + count as u64,
            needs: offset + buffer.len() as u64,
            cut: Cut::Data,
        })
    }

    fn misuse(&self, why: &str) -> FitsError {
        let source = io::Error::new(io::ErrorKind::InvalidInput, why);
        FitsError::io("read rows of", &self.opened.path)(source)
    }
}
