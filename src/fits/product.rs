//! Writing a product: one float image with its header, published in one step.
//!
//! The bytes depend on cards and pixels alone: no date, no program version, checksum comments
//! without the time. Rows may come from several threads in any order; one's complement sums do not
//! mind the order.

use std::io;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::facts::{Card, Value};
use crate::publish::{Draft, Op, PublishError};

use super::encode::header_block;
use super::gate::BLOCK;
use super::sum;

/// Bytes of one sample.
const SAMPLE: usize = 4;
/// Samples converted at a time.
const CHUNK: usize = 1 << 16;
/// What CHECKSUM holds while the header is summed.
const ZEROS: &str = "0000000000000000";

/// A two-dimensional float32 image on its way to the disk. Dropped before [`ImageWriter::finish`],
/// it leaves nothing.
pub struct ImageWriter {
    draft: Draft,
    width: usize,
    height: usize,
    /// Bytes kept for the header.
    room: usize,
    /// Sum of the data so far, carries not yet folded.
    total: AtomicU64,
    /// Samples written so far.
    written: AtomicU64,
}

impl ImageWriter {
    /// Begins an image of `height` rows of `width` pixels, with room for a header of these cards.
    /// Mandatory keywords and checksums are added by the writer.
    ///
    /// # Errors
    /// When the image has no pixels or more than a file can hold.
    pub fn begin(
        draft: Draft,
        width: usize,
        height: usize,
        cards: &[Card],
    ) -> Result<Self, PublishError> {
        let bytes = width
            .checked_mul(height)
            .and_then(|n| n.checked_mul(SAMPLE));
        if bytes.is_none_or(|bytes| bytes == 0 || bytes > usize::MAX / 4) {
            return Err(misuse(&draft, "an image of that size cannot be written"));
        }
        let room = header(width, height, cards, "0", ZEROS).len();
        Ok(Self {
            draft,
            width,
            height,
            room,
            total: AtomicU64::new(0),
            written: AtomicU64::new(0),
        })
    }

    /// Writes whole rows from row `first` on. Each row is written once, in any order, from any
    /// thread.
    ///
    /// # Errors
    /// When the disk refuses, or the pixels are not whole rows of the image.
    pub fn rows(&self, first: usize, pixels: &[f32]) -> Result<(), PublishError> {
        let end = first.checked_add(pixels.len() / self.width);
        if !pixels.len().is_multiple_of(self.width) || end.is_none_or(|end| end > self.height) {
            return Err(misuse(&self.draft, "rows do not fit the image"));
        }
        let mut offset = (self.room + first * self.width * SAMPLE) as u64;
        let mut buffer = vec![0; pixels.len().min(CHUNK) * SAMPLE];
        for part in pixels.chunks(CHUNK) {
            let bytes = &mut buffer[..part.len() * SAMPLE];
            let (samples, _) = bytes.as_chunks_mut::<SAMPLE>();
            for (sample, pixel) in samples.iter_mut().zip(part) {
                *sample = pixel.to_be_bytes();
            }
            self.total
                .fetch_add(u64::from(sum::sum(bytes)), Ordering::Relaxed);
            self.draft.write_at(offset, bytes)?;
            offset += bytes.len() as u64;
        }
        self.written
            .fetch_add(pixels.len() as u64, Ordering::Relaxed);
        Ok(())
    }

    /// Writes the header and publishes the file: its size in bytes. The cards may differ from
    /// those of [`ImageWriter::begin`] in what they say, not in how many header blocks they take.
    ///
    /// # Errors
    /// When the disk refuses, rows are missing, or the header does not fit its room.
    pub fn finish(self, cards: &[Card]) -> Result<u64, PublishError> {
        let samples = self.width * self.height;
        if self.written.into_inner() != samples as u64 {
            return Err(misuse(&self.draft, "not every row was written once"));
        }
        let data = sum::fold(self.total.into_inner());
        let datasum = data.to_string();
        let make = |checksum: &str| header(self.width, self.height, cards, &datasum, checksum);
        let open = make(ZEROS);
        if open.len() != self.room {
            return Err(misuse(&self.draft, "the header outgrew its room"));
        }
        let checksum = sum::encode(sum::add(sum::sum(&open), data));
        let end = self.room + samples * SAMPLE;
        let size = end.next_multiple_of(BLOCK);
        if size > end {
            self.draft.write_at(end as u64, &vec![0; size - end])?;
        }
        self.draft.write_at(0, &make(&checksum))?;
        self.draft.publish()?;
        Ok(size as u64)
    }
}

fn header(width: usize, height: usize, cards: &[Card], datasum: &str, checksum: &str) -> Vec<u8> {
    let integer = |number: usize| Value::Integer(i64::try_from(number).unwrap_or(i64::MAX));
    let text = |text: &str| Value::Text(text.to_owned());
    let mut all = vec![
        Card::new(
            "SIMPLE",
            Value::Logical(true),
            "conforms to the FITS standard",
        ),
        Card::new("BITPIX", Value::Integer(-32), "32-bit floating point"),
        Card::new("NAXIS", Value::Integer(2), ""),
        Card::new("NAXIS1", integer(width), "columns"),
        Card::new("NAXIS2", integer(height), "rows"),
    ];
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
