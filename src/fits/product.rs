//! Writing a product: one image with its header, and planes of the same width behind it as image
//! extensions, published in one step.
//!
//! The bytes depend on cards and pixels alone: no date, no program version, checksum comments
//! without the time. Each unit has checksums of its own. Rows may come from several threads in any
//! order; one's complement sums do not mind the order. What is compressed, and all behind it, waits
//! in memory, since its place is known only when all before it is; the rest is written as it comes.

mod header;
mod held;
mod queue;

use std::io;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::combine::Level;
use crate::facts::Card;
use crate::publish::{Draft, Op, PublishError};

use super::gate::BLOCK;
use super::{scratch, sum};
use header::{Heap, ZEROS};
use held::{Held, Rows, Waiting};
use queue::Queue;

/// Samples converted at a time.
const CHUNK: usize = 1 << 18;

/// How the samples of a plane are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Storage {
    /// 32-bit floating point.
    F32,
    /// Unsigned bytes.
    U8,
    /// Unsigned 16-bit integers.
    U16,
    /// Unsigned bytes, compressed without loss.
    PackedU8,
    /// Unsigned 16-bit integers, compressed without loss.
    PackedU16,
}

impl Storage {
    fn bytes(self) -> usize {
        match self {
            Self::F32 => 4,
            Self::U16 | Self::PackedU16 => 2,
            Self::U8 | Self::PackedU8 => 1,
        }
    }

    fn is_packed(self) -> bool {
        matches!(self, Self::PackedU8 | Self::PackedU16)
    }
}

/// Rows of samples.
#[derive(Clone, Copy, Debug)]
pub enum Samples<'a> {
    /// For a plane of [`Storage::F32`].
    F32(&'a [f32]),
    /// For a plane of unsigned bytes.
    U8(&'a [u8]),
    /// For a plane of unsigned 16-bit integers.
    U16(&'a [u16]),
}

impl Samples<'_> {
    fn len(&self) -> usize {
        match self {
            Self::F32(samples) => samples.len(),
            Self::U8(samples) => samples.len(),
            Self::U16(samples) => samples.len(),
        }
    }

    fn fit(&self, storage: Storage) -> bool {
        match self {
            Self::F32(_) => storage == Storage::F32,
            Self::U8(_) => matches!(storage, Storage::U8 | Storage::PackedU8),
            Self::U16(_) => matches!(storage, Storage::U16 | Storage::PackedU16),
        }
    }
}

/// A plane to be written: its storage and its own cards. The first is the file's image, each
/// further one an image extension, whose cards name it by EXTNAME.
#[derive(Clone, Debug)]
pub struct Plane {
    /// How its samples are stored.
    pub storage: Storage,
    /// All but the mandatory keywords, those of the storage and the checksums.
    pub cards: Vec<Card>,
    /// Its rows, where an extension has not as many as the image.
    pub height: Option<usize>,
}

/// A plane and what was given of it.
struct Unit {
    plane: Plane,
    /// Bytes kept for the header.
    room: usize,
    data: Data,
    /// Samples given so far.
    written: AtomicU64,
}

/// Where a plane's samples are until the end.
enum Data {
    /// In the file from this byte on, with the sum so far, carries not yet folded.
    Placed(u64, AtomicU64),
    /// In memory, by first row.
    Held(Held),
}

/// Two-dimensional planes of one width on their way to the disk. Dropped before
/// [`ImageWriter::finish`], it leaves nothing.
pub struct ImageWriter {
    draft: Draft,
    queue: Queue,
    shape: Shape,
    /// What stands before the first plane.
    leading: Vec<u8>,
    units: Vec<Unit>,
}

#[derive(Clone, Copy)]
struct Shape {
    width: usize,
    height: usize,
    /// Planes behind the image.
    extensions: usize,
}

impl Shape {
    /// The shape of one plane of the file.
    fn of(self, plane: &Plane) -> Self {
        Self {
            height: plane.height.unwrap_or(self.height),
            ..self
        }
    }

    fn samples(self) -> usize {
        self.width * self.height
    }
}

impl ImageWriter {
    /// Begins planes of `height` rows of `width` pixels, with room for headers of their cards.
    /// Mandatory keywords and checksums are added by the writer. Space is set aside for
    /// what stands before all that is compressed.
    ///
    /// # Errors
    /// When there is no plane or pixel, there are more than a file can hold, or the disk has no such space.
    pub fn begin(
        draft: Draft,
        width: usize,
        height: usize,
        planes: Vec<Plane>,
    ) -> Result<Self, PublishError> {
        let samples = width.checked_mul(height);
        let fits = |&samples: &usize| samples > 0 && samples < usize::MAX / 64;
        if samples.filter(fits).is_none() || planes.is_empty() {
            return Err(misuse(
                Op::Write,
                &draft,
                "an image of that size cannot be written",
            ));
        }
        let shape = Shape {
            width,
            height,
            extensions: planes.len() - 1,
        };
        let leading = match planes.first() {
            Some(first) if first.storage.is_packed() => header::empty(),
            _ => Vec::new(),
        };
        // Where the next plane begins, as long as that is known.
        let mut start = Some(leading.len());
        let mut placed = 0;
        let mut units = Vec::new();
        for (place, plane) in planes.into_iter().enumerate() {
            let shape = shape.of(&plane);
            let room = header::plane(shape, place, (&plane, 0), Heap::default(), "0", ZEROS).len();
            let length = (shape.samples() * plane.storage.bytes()).next_multiple_of(BLOCK);
            start = start.filter(|_| !plane.storage.is_packed());
            let data = match start {
                Some(start) => Data::Placed((start + room) as u64, AtomicU64::new(0)),
                None => Data::Held(Held::default()),
            };
            start = start.map(|start| start + room + length);
            placed = start.unwrap_or(placed);
            units.push(Unit {
                plane,
                room,
                data,
                written: AtomicU64::new(0),
            });
        }
        if placed > 0 {
            draft.reserve(placed as u64)?;
        }
        Ok(Self {
            draft,
            queue: Queue::default(),
            shape,
            leading,
            units,
        })
    }

    /// Takes whole rows of plane number `place` from row `first` on. Each row is given once, in
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
        let width = self.shape.width;
        let fits = |unit: &&Unit| {
            samples.fit(unit.plane.storage) && self.has_rows(unit, first, samples.len())
        };
        let Some(unit) = self.units.get(place).filter(fits) else {
            return Err(misuse(Op::Write, &self.draft, "rows do not fit the image"));
        };
        let packed = unit.plane.storage.is_packed();
        match samples {
            Samples::U8(samples) if packed => unit.hold(first, Rows::packed(samples, width)),
            Samples::U16(samples) if packed => unit.hold(first, Rows::packed(samples, width)),
            Samples::F32(samples) => self.put(unit, first, samples, f32::to_be_bytes)?,
            Samples::U8(samples) => self.put(unit, first, samples, u8::to_be_bytes)?,
            Samples::U16(samples) => {
                self.put(unit, first, samples, |sample| {
                    (sample ^ 0x8000).to_be_bytes()
                })?;
            }
        }
        let count = samples.len() as u64;
        unit.written.fetch_add(count, Ordering::Relaxed);
        Ok(())
    }

    /// Takes other samples for whole rows of plane number `place` from row `first` on, which were given as
    /// `before`. No call of [`ImageWriter::rows`] may still run, and a row is changed only once. Only of a plane
    /// of [`Storage::U8`] that nothing compressed stands before, and not to zeros: what is left of the old sum
    /// would be the other zero of one's complement.
    ///
    /// # Errors
    /// When the disk refuses, or the samples are not as they must be.
    pub fn change(
        &self,
        place: usize,
        first: usize,
        before: &[u8],
        after: &[u8],
    ) -> Result<(), PublishError> {
        let unit = self.units.get(place).filter(|unit| {
            unit.plane.storage == Storage::U8
                && before.len() == after.len()
                && after.iter().any(|sample| *sample != 0)
                && self.has_rows(unit, first, after.len())
        });
        let Some((unit, Data::Placed(_, total))) = unit.map(|unit| (unit, &unit.data)) else {
            return Err(misuse(Op::Write, &self.draft, "no such rows are there"));
        };
        // In one's complement a number is taken off as its complement is added.
        let offset = (first * self.shape.width) as u64;
        total.fetch_add(u64::from(!sum_at(offset, before)), Ordering::Relaxed);
        self.put(unit, first, after, u8::to_be_bytes)
    }

    /// Reads whole rows of plane number `place` from row `first` on. They were given before, in calls of
    /// [`ImageWriter::rows`] all of which have returned. Only of a plane of [`Storage::F32`] that nothing
    /// compressed stands before.
    ///
    /// # Errors
    /// When the disk refuses, or the samples are not whole rows of such a plane.
    pub fn read_back(
        &self,
        place: usize,
        first: usize,
        out: &mut [f32],
    ) -> Result<(), PublishError> {
        let refused = || misuse(Op::Read, &self.draft, "no such rows are there");
        let unit = self.units.get(place).ok_or_else(refused)?;
        let Data::Placed(data, _) = &unit.data else {
            return Err(refused());
        };
        if unit.plane.storage != Storage::F32 || !self.has_rows(unit, first, out.len()) {
            return Err(refused());
        }
        scratch::lend(out.len() * 4, |bytes| {
            let offset = (first * self.shape.width * 4) as u64;
            self.draft.read_at(data + offset, bytes)?;
            let (samples, _) = bytes.as_chunks::<4>();
            Level::widest().run(|| {
                for (value, bytes) in out.iter_mut().zip(samples) {
                    *value = f32::from_be_bytes(*bytes);
                }
            });
            Ok(())
        })
    }

    /// Whether so many samples are whole rows of a plane from row `first` on.
    fn has_rows(&self, unit: &Unit, first: usize, samples: usize) -> bool {
        let Shape { width, height, .. } = self.shape.of(&unit.plane);
        let end = first.checked_add(samples / width);
        samples.is_multiple_of(width) && end.is_some_and(|end| end <= height)
    }

    fn put<T: Copy, const N: usize>(
        &self,
        unit: &Unit,
        first: usize,
        samples: &[T],
        stored: impl Fn(T) -> [u8; N],
    ) -> Result<(), PublishError> {
        let Data::Placed(data, total) = &unit.data else {
            let bytes = samples.iter().flat_map(|&sample| stored(sample)).collect();
            unit.hold(first, Rows::plain(bytes));
            return Ok(());
        };
        let mut offset = (first * self.shape.width * N) as u64;
        for part in samples.chunks(CHUNK) {
            let length = part.len() * N;
            self.queue
                .put(&self.draft, data + offset, length, |bytes| {
                    let sum = Level::widest().run(|| {
                        let (places, _) = bytes.as_chunks_mut::<N>();
                        for (place, &sample) in places.iter_mut().zip(part) {
                            *place = stored(sample);
                        }
                        sum_at(offset, bytes)
                    });
                    total.fetch_add(u64::from(sum), Ordering::Relaxed);
                })?;
            offset += length as u64;
        }
        Ok(())
    }

    /// Flushes the rows written so far to the disk, which may be done from a thread of its own.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn flush(&self) -> Result<(), PublishError> {
        self.draft.flush()
    }

    /// Writes the headers and what waits in memory, and publishes the file: its size in bytes. The
    /// image's cards may differ from those of [`ImageWriter::begin`] in what they say, and must not
    /// take more header blocks.
    ///
    /// # Errors
    /// When the disk refuses, rows are missing, or the header does not fit its room.
    pub fn finish(mut self, cards: &[Card]) -> Result<u64, PublishError> {
        if let Some(image) = self.units.first_mut() {
            image.plane.cards = cards.to_vec();
        }
        // What lies between the data of two planes goes in one write: fill, then a header.
        let mut end = 0;
        let mut fill = std::mem::take(&mut self.leading);
        for (place, unit) in self.units.iter_mut().enumerate() {
            let shape = self.shape.of(&unit.plane);
            let samples = shape.samples();
            if unit.written.load(Ordering::Relaxed) != samples as u64 {
                return Err(misuse(
                    Op::Write,
                    &self.draft,
                    "not every row was written once",
                ));
            }
            let waiting = unit.waiting();
            if i32::try_from(waiting.heap.size).is_err() {
                return Err(misuse(
                    Op::Write,
                    &self.draft,
                    "the compressed image is too large",
                ));
            }
            let data = match &unit.data {
                Data::Placed(_, total) => sum::fold(total.load(Ordering::Relaxed)),
                Data::Held(_) => waiting.sum(),
            };
            let datasum = data.to_string();
            let make = |checksum: &str| {
                let unit = (&unit.plane, unit.room);
                header::plane(shape, place, unit, waiting.heap, &datasum, checksum)
            };
            let open = make(ZEROS);
            if open.len() != unit.room {
                return Err(misuse(
                    Op::Write,
                    &self.draft,
                    "the header outgrew its room",
                ));
            }
            fill.extend(make(&sum::encode(sum::add(sum::sum(&open), data))));
            self.draft.write_at(end, &fill)?;
            end += fill.len() as u64;
            let length = match &unit.data {
                Data::Placed(..) => samples * unit.plane.storage.bytes(),
                Data::Held(_) => waiting.write(&self.draft, end)?,
            };
            end += length as u64;
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

impl Unit {
    fn hold(&self, first: usize, rows: Rows) {
        if let Data::Held(held) = &self.data {
            held.put(first, rows);
        }
    }

    /// Takes what waits in memory; nothing where the data are in the file.
    fn waiting(&mut self) -> Waiting {
        match &mut self.data {
            Data::Placed(..) => Waiting::default(),
            Data::Held(held) => held.take(self.plane.storage.is_packed()),
        }
    }
}

/// The sum of bytes that lie `offset` bytes into the data.
#[inline(always)]
fn sum_at(offset: u64, bytes: &[u8]) -> u32 {
    sum::turned(sum::sum(bytes), (offset % 4) as u32)
}

fn misuse(op: Op, draft: &Draft, why: &str) -> PublishError {
    PublishError {
        op,
        path: draft.target().to_owned(),
        source: io::Error::new(io::ErrorKind::InvalidInput, why),
    }
}
