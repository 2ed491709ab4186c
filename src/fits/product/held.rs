//! Rows of a plane that wait in memory until their place in the file is known.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use crate::fits::rice::{self, Pixel};
use crate::fits::sum;
use crate::publish::{Draft, PublishError};

use super::header::Heap;
use super::sum_at;

/// Rows of one plane, by the first of each piece.
#[derive(Default)]
pub(super) struct Held(Mutex<BTreeMap<usize, Rows>>);

/// Rows as they will be stored.
pub(super) struct Rows {
    bytes: Vec<u8>,
    /// Bytes of each row where they are compressed.
    lengths: Vec<usize>,
}

/// The data of a plane in their order.
#[derive(Default)]
pub(super) struct Waiting {
    parts: Vec<Vec<u8>>,
    pub(super) heap: Heap,
}

impl Rows {
    /// Rows that are stored as they are.
    pub(super) fn plain(bytes: Vec<u8>) -> Self {
        let lengths = Vec::new();
        Self { bytes, lengths }
    }

    /// Rows compressed one by one.
    pub(super) fn packed<T: Pixel>(samples: &[T], width: usize) -> Self {
        let mut rows = Self::plain(Vec::new());
        for row in samples.chunks(width) {
            let before = rows.bytes.len();
            rice::encode(row, &mut rows.bytes);
            rows.lengths.push(rows.bytes.len() - before);
        }
        rows
    }
}

impl Held {
    pub(super) fn put(&self, first: usize, rows: Rows) {
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        held.insert(first, rows);
    }

    /// All that is held; where it is compressed, with the table of its rows in front.
    pub(super) fn take(&mut self, packed: bool) -> Waiting {
        let held = std::mem::take(self.0.get_mut().unwrap_or_else(PoisonError::into_inner));
        let mut heap = Heap::default();
        let mut table = Vec::new();
        let mut parts = Vec::new();
        for rows in held.into_values() {
            for length in rows.lengths {
                // Larger ones than these numbers hold are refused by the total.
                table.extend((length as u32).to_be_bytes());
                table.extend((heap.size as u32).to_be_bytes());
                heap.size += length;
                heap.longest = heap.longest.max(length);
            }
            parts.push(rows.bytes);
        }
        if packed {
            parts.insert(0, table);
        }
        Waiting { parts, heap }
    }
}

impl Waiting {
    pub(super) fn sum(&self) -> u32 {
        let mut offset = 0;
        self.parts.iter().fold(0, |total, part| {
            let sum = sum_at(offset, part);
            offset += part.len() as u64;
            sum::add(total, sum)
        })
    }

    /// Writes everything from byte `start` on: its length.
    pub(super) fn write(self, draft: &Draft, start: u64) -> Result<usize, PublishError> {
        let mut length = 0;
        for part in self.parts {
            draft.write_at(start + length as u64, &part)?;
            length += part.len();
        }
        Ok(length)
    }
}
