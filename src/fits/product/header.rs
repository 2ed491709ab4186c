//! The header of one unit of a product: what its form demands, its own cards, its sums.
//!
//! Compressed planes: FITS Standard 4.0, sections 10.1 and 10.4.1, one row of the image a tile.

use crate::facts::{Card, Value};
use crate::fits::encode::{header_block, header_in, long_strings};
use crate::fits::rice;

use super::{Plane, Shape, Storage};

/// What CHECKSUM holds while the header is summed.
pub(super) const ZEROS: &str = "0000000000000000";

/// Bytes of a compressed row's entry in its table: length and place.
pub(super) const ENTRY: usize = 8;

/// The compressed rows of a plane.
#[derive(Clone, Copy, Default)]
pub(super) struct Heap {
    /// Bytes in all.
    pub(super) size: usize,
    /// Bytes of the longest row.
    pub(super) longest: usize,
}

/// The empty primary that stands before a compressed image, which can only be an extension.
pub(super) fn empty() -> Vec<u8> {
    let make = |checksum: &str| {
        let mut cards = vec![simple(), integer("BITPIX", 8, ""), integer("NAXIS", 0, "")];
        cards.push(extend());
        cards.extend(sums("0", checksum));
        header_block(&cards)
    };
    let open = make(ZEROS);
    make(&super::sum::encode(super::sum::sum(&open)))
}

/// The header of plane number `place`, of at least `room` bytes.
pub(super) fn plane(
    shape: Shape,
    place: usize,
    (plane, room): (&Plane, usize),
    heap: Heap,
    datasum: &str,
    checksum: &str,
) -> Vec<u8> {
    let storage = plane.storage;
    let mut cards = if storage.is_packed() {
        table(shape, place, storage, heap)
    } else {
        image(shape, place, storage)
    };
    if matches!(storage, Storage::U16 | Storage::PackedU16) {
        cards.push(integer("BZERO", 32_768, "unsigned numbers"));
        cards.push(integer("BSCALE", 1, ""));
    }
    // What readers from before version 4.0 of the Standard look for.
    if long_strings(&plane.cards) && plane.cards.iter().all(|card| card.keyword != "LONGSTRN") {
        let comment = "long strings go on in CONTINUE";
        cards.push(text("LONGSTRN", "OGIP 1.0", comment));
    }
    cards.extend_from_slice(&plane.cards);
    cards.extend(sums(datasum, checksum));
    header_in(&cards, room)
}

fn image(shape: Shape, place: usize, storage: Storage) -> Vec<Card> {
    let (bitpix, what) = match storage {
        Storage::F32 => (-32, "32-bit floating point"),
        Storage::U16 | Storage::PackedU16 => (16, "16-bit integers"),
        Storage::U8 | Storage::PackedU8 => (8, "unsigned bytes"),
    };
    let mut cards = vec![
        match place {
            0 => simple(),
            _ => text("XTENSION", "IMAGE", "image extension"),
        },
        integer("BITPIX", bitpix, what),
        integer("NAXIS", 2, ""),
        integer("NAXIS1", shape.width, "columns"),
        integer("NAXIS2", shape.height, "rows"),
    ];
    if place > 0 {
        cards.push(integer("PCOUNT", 0, ""));
        cards.push(integer("GCOUNT", 1, ""));
    } else if shape.extensions > 0 {
        cards.push(extend());
    }
    cards
}

/// A binary table of one compressed row of the image in each row.
fn table(shape: Shape, place: usize, storage: Storage, heap: Heap) -> Vec<Card> {
    let bytes = storage.bytes();
    vec![
        text("XTENSION", "BINTABLE", "compressed image"),
        integer("BITPIX", 8, ""),
        integer("NAXIS", 2, ""),
        integer("NAXIS1", ENTRY, ""),
        integer("NAXIS2", shape.height, ""),
        integer("PCOUNT", heap.size, "bytes of compressed rows"),
        integer("GCOUNT", 1, ""),
        integer("TFIELDS", 1, ""),
        text("TTYPE1", "COMPRESSED_DATA", ""),
        text("TFORM1", &format!("1PB({})", heap.longest), ""),
        logical("ZIMAGE", "what follows with Z describes the image"),
        match place {
            0 => logical("ZSIMPLE", "the image of the file"),
            _ => text("ZTENSION", "IMAGE", "image extension"),
        },
        integer("ZBITPIX", 8 * bytes, ""),
        integer("ZNAXIS", 2, ""),
        integer("ZNAXIS1", shape.width, "columns"),
        integer("ZNAXIS2", shape.height, "rows"),
        integer("ZTILE1", shape.width, ""),
        integer("ZTILE2", 1, ""),
        text("ZCMPTYPE", "RICE_1", "lossless"),
        text("ZNAME1", "BLOCKSIZE", ""),
        integer("ZVAL1", rice::BLOCK, ""),
        text("ZNAME2", "BYTEPIX", ""),
        integer("ZVAL2", bytes, ""),
    ]
}

fn simple() -> Card {
    logical("SIMPLE", "conforms to the FITS standard")
}

fn extend() -> Card {
    logical("EXTEND", "planes follow as extensions")
}

fn sums(datasum: &str, checksum: &str) -> [Card; 2] {
    [
        text("DATASUM", datasum, "sum of the data"),
        text("CHECKSUM", checksum, "sum of header and data"),
    ]
}

fn logical(keyword: &str, comment: &str) -> Card {
    Card::new(keyword, Value::Logical(true), comment)
}

fn text(keyword: &str, value: &str, comment: &str) -> Card {
    Card::new(keyword, Value::Text(value.to_owned()), comment)
}

fn integer(keyword: &str, value: impl TryInto<i64>, comment: &str) -> Card {
    let value = value.try_into().unwrap_or(i64::MAX);
    Card::new(keyword, Value::Integer(value), comment)
}
