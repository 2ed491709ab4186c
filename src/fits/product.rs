//! Writing a product: one image with its header, and planes of the same size behind it as image
//! extensions, published in one step.
//!
//! The bytes depend on cards and pixels alone: no date, no program version, checksum comments
//! without the time. Each unit has checksums of its own. Rows may come from several threads in any
//! order; one's complement sums do not mind the order.

use std::io;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::combine::Level;
use crate::facts::{Card, Value};
use crate::publish::{Draft, Op, PublishError};

use super::encode::{header_block, long_strings};
use super::gate::BLOCK;
use super::{scratch, sum};

/// Samples converted at a time.
const CHUNK: usize = 1 << 18;
/// What CHECKSUM holds while the header is summed.
const ZEROS: &str = "0000000000000000";

/// How the samples of a plane are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Storage {
    /// 32-bit floating point.
    F32,
    /// Unsigned bytes.
    U8,
}

impl Storage {
    fn bytes(self) -> usize {
        match self {
            Self::F32 => 4,
            Self::U8 => 1,
        }
    }
}

/// Rows of samples.
#[derive(Clone, Copy, Debug)]
pub enum Samples<'a> {
    /// For a plane of [`Storage::F32`].
    F32(&'a [f32]),
    /// For a plane of [`Storage::U8`].
    U8(&'a [u8]),
}

impl Samples<'_> {
    fn len(&self) -> usize {
        match self {
            Self::F32(samples) => samples.len(),
            Self::U8(samples) => samples.len(),
        }
    }

    fn storage(&self) -> Storage {
        match self {
            Self::F32(_) => Storage::F32,
            Self::U8(_) => Storage::U8,
        }
    }
}

/// A plane to be written: its storage and its own cards. The first is the primary image, each
/// further one an image extension, whose cards name it by EXTNAME.
#[derive(Clone, Debug)]
pub struct Plane {
    /// How its samples are stored.
    pub storage: Storage,
    /// All but the mandatory keywords and the checksums.
    pub cards: Vec<Card>,
}

/// Where a plane lies and what was written of it.
struct Unit {
    plane: Plane,
    /// First byte of its header.
    start: u64,
    /// Bytes kept for the header.
    room: usize,
    /// Sum of the data so far, carries not yet folded.
    total: AtomicU64,
    /// Samples written so far.
    written: AtomicU64,
}

/// Two-dimensional planes of one size on their way to the disk. Dropped before
/// [`ImageWriter::finish`], it leaves nothing.
pub struct ImageWriter {
    draft: Draft,
    shape: Shape,
    units: Vec<Unit>,
}

#[derive(Clone, Copy)]
struct Shape {
    width: usize,
    height: usize,
    /// Planes behind the primary.
    extensions: usize,
}

impl ImageWriter {
    /// Begins planes of `height` rows of `width` pixels, with room for headers of their cards.
    /// Mandatory keywords and checksums are added by the writer.
    ///
    /// # Errors
    /// When there is no plane or pixel, or there are more than a file can hold.
    pub fn begin(
        draft: Draft,
        width: usize,
        height: usize,
        planes: Vec<Plane>,
    ) -> Result<Self, PublishError> {
        let samples = width.checked_mul(height);
        let fits = |&samples: &usize| samples > 0 && samples < usize::MAX / 64;
        let Some(samples) = samples.filter(fits).filter(|_| !planes.is_empty()) else {
            return Err(misuse(&draft, "an image of that size cannot be written"));
        };
        let shape = Shape {
            width,
            height,
            extensions: planes.len() - 1,
        };
        let mut start = 0;
        let mut units = Vec::new();
        for (place, plane) in planes.into_iter().enumerate() {
            let room = header(shape, place, plane.storage, &plane.cards, "0", ZEROS).len();
            let data = (samples * plane.storage.bytes()).next_multiple_of(BLOCK);
            units.push(Unit {
                plane,
                start,
                room,
                total: AtomicU64::new(0),
                written: AtomicU64::new(0),
            });
            start += (room + data) as u64;
        }
        Ok(Self {
            draft,
            shape,
            units,
        })
    }

    /// Writes whole rows of plane number `place` from row `first` on. Each row is written once, in
    /// any order, from any thread.
    ///
    /// # Errors
    /// When the disk refuses, or the samples are not whole rows of that plane.
    pub fn rows(
        &self,
        place: usize,
        first: usize,
        samples: Samples<'_>,
    ) -> Result<(), PublishError> {
        let Shape { width, height, .. } = self.shape;
        let unit = self.units.get(place);
        let unit = unit.filter(|unit| unit.plane.storage == samples.storage());
        let end = first.checked_add(samples.len() / width);
        let whole = samples.len().is_multiple_of(width) && end.is_some_and(|end| end <= height);
        let Some(unit) = unit.filter(|_| whole) else {
            return Err(misuse(&self.draft, "rows do not fit the image"));
        };
        let skipped = unit.room + first * width * unit.plane.storage.bytes();
        let offset = unit.start + skipped as u64;
        match samples {
            Samples::F32(samples) => self.put(unit, offset, samples, f32::to_be_bytes)?,
            Samples::U8(samples) => self.put(unit, offset, samples, u8::to_be_bytes)?,
        }
        let count = samples.len() as u64;
        unit.written.fetch_add(count, Ordering::Relaxed);
        Ok(())
    }

    fn put<T: Copy, const N: usize>(
        &self,
        unit: &Unit,
        mut offset: u64,
        samples: &[T],
        stored: impl Fn(T) -> [u8; N],
    ) -> Result<(), PublishError> {
        scratch::lend(samples.len().min(CHUNK) * N, |buffer| {
            for part in samples.chunks(CHUNK) {
                let bytes = &mut buffer[..part.len() * N];
                let sum = Level::widest().run(|| {
                    let (places, _) = bytes.as_chunks_mut::<N>();
                    for (place, &sample) in places.iter_mut().zip(part) {
                        *place = stored(sample);
                    }
                    sum::sum(bytes)
                });
                let turn = (offset - unit.start) % 4;
                let sum = sum::turned(sum, turn as u32);
                unit.total.fetch_add(u64::from(sum), Ordering::Relaxed);
                self.draft.write_at(offset, bytes)?;
                offset += bytes.len() as u64;
            }
            Ok(())
        })
    }

    /// Writes the headers and publishes the file: its size in bytes. The primary's cards may
    /// differ from those of [`ImageWriter::begin`] in what they say, not in how many header blocks
    /// they take.
    ///
    /// # Errors
    /// When the disk refuses, rows are missing, or the header does not fit its room.
    pub fn finish(mut self, cards: &[Card]) -> Result<u64, PublishError> {
        let samples = self.shape.width * self.shape.height;
        if let Some(primary) = self.units.first_mut() {
            primary.plane.cards = cards.to_vec();
        }
        // What lies between the data of two planes goes in one write: fill, then a header.
        let mut end = 0;
        let mut fill = Vec::new();
        for (place, unit) in self.units.iter().enumerate() {
            if unit.written.load(Ordering::Relaxed) != samples as u64 {
                return Err(misuse(&self.draft, "not every row was written once"));
            }
            let data = sum::fold(unit.total.load(Ordering::Relaxed));
            let datasum = data.to_string();
            let Plane { storage, cards } = &unit.plane;
            let make =
                |checksum: &str| header(self.shape, place, *storage, cards, &datasum, checksum);
            let open = make(ZEROS);
            if open.len() != unit.room {
                return Err(misuse(&self.draft, "the header outgrew its room"));
            }
            fill.extend(make(&sum::encode(sum::add(sum::sum(&open), data))));
            self.draft.write_at(end, &fill)?;
            let length = samples * storage.bytes();
            end = unit.start + (unit.room + length) as u64;
            fill = vec![0; length.next_multiple_of(BLOCK) - length];
        }
        if !fill.is_empty() {
            self.draft.write_at(end, &fill)?;
        }
        let size = end + fill.len() as u64;
        self.draft.publish()?;
        Ok(size)
    }
}

fn header(
    shape: Shape,
    place: usize,
    storage: Storage,
    cards: &[Card],
    datasum: &str,
    checksum: &str,
) -> Vec<u8> {
    let integer = |number: usize| Value::Integer(i64::try_from(number).unwrap_or(i64::MAX));
    let text = |text: &str| Value::Text(text.to_owned());
    let (bitpix, what) = match storage {
        Storage::F32 => (-32, "32-bit floating point"),
        Storage::U8 => (8, "unsigned bytes"),
    };
    let mut all = vec![
        match place {
            0 => Card::new(
                "SIMPLE",
                Value::Logical(true),
                "conforms to the FITS standard",
            ),
            _ => Card::new("XTENSION", text("IMAGE"), "image extension"),
        },
        Card::new("BITPIX", Value::Integer(bitpix), what),
        Card::new("NAXIS", Value::Integer(2), ""),
        Card::new("NAXIS1", integer(shape.width), "columns"),
        Card::new("NAXIS2", integer(shape.height), "rows"),
    ];
    if place > 0 {
        all.push(Card::new("PCOUNT", Value::Integer(0), ""));
        all.push(Card::new("GCOUNT", Value::Integer(1), ""));
    } else if shape.extensions > 0 {
        all.push(Card::new(
            "EXTEND",
            Value::Logical(true),
            "planes follow as extensions",
        ));
    }
    // What readers from before version 4.0 of the Standard look for.
    if long_strings(cards) && cards.iter().all(|card| card.keyword != "LONGSTRN") {
        all.push(Card::new(
            "LONGSTRN",
            text("OGIP 1.0"),
            "long strings go on in CONTINUE",
        ));
    }
    all.extend_from_slice(cards);
    all.push(Card::new("DATASUM", text(datasum), "sum of the data"));
    all.push(Card::new(
        "CHECKSUM",
        text(checksum),
        "sum of header and data",
    ));
    header_block(&all)
}

fn misuse(draft: &Draft, why: &str) -> PublishError {
    PublishError {
        op: Op::Write,
        path: draft.target().to_owned(),
        source: io::Error::new(io::ErrorKind::InvalidInput, why),
    }
}
