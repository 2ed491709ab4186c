//! An opened frame: its header, and strips of its pixels by positioned reads.
//!
//! A [`Source`] holds one read-only handle and no pixels. Strips may be read from several threads
//! at once. A file that shrinks while it is read gives [`FitsError::Short`], nothing worse.

use std::io;
use std::path::Path;

use crate::combine::Level;
use crate::facts::Header;

use super::claims::{Form, Layout};
use super::gate::Opened;
use super::scratch;
use super::unpack::Unpacker;
use super::{Cut, FitsError};

/// Bytes converted at a time.
const CHUNK: usize = 1 << 16;
/// How often a file may turn out to be compressed inside.
const WRAPPINGS: usize = 2;

/// An opened frame.
#[derive(Debug)]
pub struct Source {
    opened: Opened,
    header: Header,
    layout: Layout,
}

impl Source {
    /// Opens a plain, gzip or tile-compressed FITS file, told apart by content, and checks its
    /// header. What is compressed is first decoded by `unpacker`.
    ///
    /// # Errors
    /// [`FitsError::Short`] where the file ends before its header's promise, else a refusal that
    /// names what was found; [`FitsError::Io`] where the system failed.
    pub fn open(path: &Path, unpacker: &Unpacker) -> Result<Self, FitsError> {
        let mut opened = Opened::open(path)?;
        for wrappings in 0..=WRAPPINGS {
            let gzip = opened.is_gzip()?;
            if !gzip {
                let found = opened.find_image();
                // What was inside a whole gzip stream will not grow.
                let found = if wrappings > 0 { settled(found) } else { found }?;
                if let Form::Plain(layout) = found.form {
                    return Ok(Self {
                        opened,
                        header: found.header,
                        layout,
                    });
                }
            }
            if wrappings < WRAPPINGS {
                opened = unpacker.unpack(opened)?;
            }
        }
        Err(FitsError::unreadable("compressed more than twice"))
    }

    /// Opens the plain image extension called `name` of a plain file; nothing where it has none.
    ///
    /// # Errors
    /// As [`Source::open`].
    pub fn open_plane(path: &Path, name: &str) -> Result<Option<Self>, FitsError> {
        let opened = Opened::open(path)?;
        let found = opened.find_plane(name)?;
        Ok(found.map(|(cards, layout)| Self {
            opened,
            header: Header::new(cards),
            layout,
        }))
    }

    /// The cards: the primary's facts, then those of the extension that holds the image, if one
    /// does. Keywords that describe the stored image are that unit's own.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Pixels per row.
    pub fn width(&self) -> usize {
        self.layout.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.layout.height
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
        let offset = self.offset(first, count, out.len())?;
        if !self.is_u16() {
            return Err(self.misuse("samples are not unsigned 16-bit numbers"));
        }
        if self.layout.bitpix == 8 {
            return self.convert(offset, out, |[byte]: [u8; 1]| u16::from(byte));
        }
        self.fill(offset, bytes_of(out))?;
        Level::widest().run(|| {
            for sample in out {
                *sample = u16::from_be(*sample) ^ 0x8000;
            }
        });
        Ok(())
    }

    /// Reads rows as physical values, `BZERO + BSCALE * stored` computed in double precision and
    /// then rounded; undefined pixels are NaN. Shapes as in [`Source::rows_u16`].
    ///
    /// # Errors
    /// As [`Source::rows_u16`], without the last condition.
    pub fn rows_f32(&self, first: usize, count: usize, out: &mut [f32]) -> Result<(), FitsError> {
        let offset = self.offset(first, count, out.len())?;
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
            16 if self.is_u16() => self.convert(offset, out, |bytes| {
                f32::from(u16::from_be_bytes(bytes) ^ 0x8000)
            }),
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

    /// Where row `first` begins, after checking that the rows exist and `length` samples hold
    /// them.
    fn offset(&self, first: usize, count: usize, length: usize) -> Result<u64, FitsError> {
        let Layout {
            width,
            height,
            bitpix,
            data,
            ..
        } = self.layout;
        let inside = first.checked_add(count).is_some_and(|end| end <= height);
        if !inside || count.checked_mul(width) != Some(length) {
            return Err(self.misuse("rows or buffer do not fit the image"));
        }
        let sample = bitpix.unsigned_abs() / 8;
        Ok(data + (first as u64) * (width as u64) * sample)
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

/// Turns "too short so far" into a refusal.
fn settled<T>(found: Result<T, FitsError>) -> Result<T, FitsError> {
    found.map_err(|error| match error {
        FitsError::Io { .. } => error,
        other => match other.refusal() {
            Some(refusal) => FitsError::Refused(refusal),
            None => FitsError::unreadable("nothing"),
        },
    })
}

/// The samples' own memory, to be read into.
#[allow(unsafe_code, reason = "spares a copy of every pixel")]
fn bytes_of(samples: &mut [u16]) -> &mut [u8] {
    let length = size_of_val(samples);
    // SAFETY: the pointer and length span exactly the samples' memory, which is borrowed
    // exclusively for the result's lifetime; u8 has no alignment to respect, and any bytes make
    // valid u16.
    unsafe { std::slice::from_raw_parts_mut(samples.as_mut_ptr().cast::<u8>(), length) }
}
