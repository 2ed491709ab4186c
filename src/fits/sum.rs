//! The checksum convention: 32-bit one's complement sums of header data units.
//!
//! Formulas: R. Seaman, W. Pence, A. Rots, "FITS Checksum Proposal"; FITS Standard 4.0, section
//! 4.4.2.7 and appendix J.

use std::path::Path;

use crate::facts::Value;

use super::FitsError;
use super::gate::{Opened, Unit};

/// Bytes read at a time.
const CHUNK: usize = 1 << 20;

/// The one's complement sum of `bytes` as big-endian 32-bit words; missing bytes at the end count
/// as zero.
#[inline(always)]
pub(super) fn sum(bytes: &[u8]) -> u32 {
    let mut total = 0_u64;
    // 2^32 words fit a u64; pieces of 2^28 are far from that.
    for piece in bytes.chunks(1 << 30) {
        let words = piece.chunks_exact(4);
        let rest = words.remainder();
        let mut last = [0; 4];
        last[..rest.len()].copy_from_slice(rest);
        let words: u64 = words
            .map(|word| u64::from(u32::from_be_bytes([word[0], word[1], word[2], word[3]])))
            .sum();
        total += u64::from(fold(words)) + u64::from(u32::from_be_bytes(last));
    }
    fold(total)
}

/// Adds the carries back in until none is left.
#[inline(always)]
pub(super) fn fold(mut total: u64) -> u32 {
    while total > u64::from(u32::MAX) {
        total = (total & u64::from(u32::MAX)) + (total >> 32);
    }
    total as u32
}

/// The sum of bytes that begin `turn` bytes after a word does, from their sum as if they began one.
pub(super) fn turned(sum: u32, turn: u32) -> u32 {
    // A byte one place later weighs 256 times less, and in one's complement 1/256 is 2^24: the
    // sum turns to the right.
    sum.rotate_right(8 * turn)
}

/// Two sums in one.
pub(super) fn add(a: u32, b: u32) -> u32 {
    fold(u64::from(a) + u64::from(b))
}

/// The 16 characters of CHECKSUM for a unit whose sum, with sixteen zeros in their place, is
/// `sum`.
pub(super) fn encode(sum: u32) -> String {
    let complement = !sum;
    let mut letters = [0_u8; 16];
    for (place, byte) in complement.to_be_bytes().into_iter().enumerate() {
        let quarter = byte / 4 + b'0';
        let mut four = [quarter + byte % 4, quarter, quarter, quarter];
        // Punctuation between digits, capitals and small letters is avoided, pair by pair, which
        // keeps the sum of each pair.
        while four.iter().any(|&letter| is_punctuation(letter)) {
            for pair in four.chunks_exact_mut(2) {
                if pair.iter().any(|&letter| is_punctuation(letter)) {
                    pair[0] += 1;
                    pair[1] -= 1;
                }
            }
        }
        for (turn, letter) in four.into_iter().enumerate() {
            // Rotated right by one: the string begins in column 12, not on a word.
            letters[(4 * turn + place + 1) % 16] = letter;
        }
    }
    letters.into_iter().map(char::from).collect()
}

fn is_punctuation(letter: u8) -> bool {
    matches!(letter, 0x3a..=0x40 | 0x5b..=0x60)
}

/// Checks the whole file: true where every stated sum is right, false where one is wrong, nothing
/// where none is stated.
///
/// # Errors
/// When the file cannot be read, is no FITS file or is too short.
pub fn checksums_hold(path: &Path) -> Result<Option<bool>, FitsError> {
    let opened = Opened::open(path)?;
    let mut buffer = vec![0; CHUNK];
    let mut verdict = None;
    for unit in opened.units()? {
        if let Some(right) = unit_holds(&opened, &unit, &mut buffer)? {
            verdict = Some(right && verdict.unwrap_or(true));
        }
    }
    Ok(verdict)
}

fn unit_holds(opened: &Opened, unit: &Unit, buffer: &mut [u8]) -> Result<Option<bool>, FitsError> {
    let stated = |keyword: &str| {
        unit.cards
            .iter()
            .find(|card| card.keyword == keyword)
            .map(|card| match &card.value {
                Value::Text(text) => text.trim().to_owned(),
                other => other.to_string(),
            })
            // An empty string says that the sum is not known.
            .filter(|text| !text.is_empty())
    };
    let datasum = stated("DATASUM");
    let checksum = stated("CHECKSUM");
    if datasum.is_none() && checksum.is_none() {
        return Ok(None);
    }
    let data = sum_range(opened, unit.data, unit.length, buffer)?;
    let mut right = true;
    if let Some(text) = datasum {
        right &= text.parse() == Ok(data);
    }
    if checksum.is_some() {
        let header = sum_range(opened, unit.start, unit.data - unit.start, buffer)?;
        // Both are zero in one's complement.
        right &= matches!(add(header, data), 0 | u32::MAX);
    }
    Ok(Some(right))
}

fn sum_range(
    opened: &Opened,
    start: u64,
    length: u64,
    buffer: &mut [u8],
) -> Result<u32, FitsError> {
    // Fill counts too: it should be zero, and where it is not the sum tells.
    let length = length.next_multiple_of(super::gate::BLOCK as u64);
    let mut total = 0;
    let mut done = 0;
    while done < length {
        let want = buffer
            .len()
            .min(usize::try_from(length - done).unwrap_or(usize::MAX));
        let count = opened.read_at(&mut buffer[..want], start + done)?;
        total = add(total, sum(&buffer[..count]));
        if count < want {
            break;
        }
        done += count as u64;
    }
    Ok(total)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of the "FITS Checksum Proposal".
    #[test]
    fn encodes_the_published_example() {
        assert_eq!(encode(868_229_149), "hcHjjc9ghcEghc9g");
    }

    /// Recomputed from the definition: a 3x2 unsigned 16-bit image 0 1 32767 32768 65534 65535.
    #[test]
    fn sums_a_small_image() {
        let stored = [
            0x80, 0x00, 0x80, 0x01, 0xff, 0xff, 0x00, 0x00, 0x7f, 0xfe, 0x7f, 0xff,
        ];
        assert_eq!(sum(&stored), 4_294_836_225);
        let padded = [&stored[..], &[0; 4]].concat();
        assert_eq!(sum(&padded), 4_294_836_225);
        assert_eq!(sum(&[0; 2880]), 0);
    }

    #[test]
    fn pieces_may_begin_anywhere() {
        let bytes: Vec<u8> = (0..103_u32).map(|n| (n * n * 37 + 11) as u8).collect();
        for cut in 0..bytes.len() {
            let rest = turned(sum(&bytes[cut..]), cut as u32 % 4);
            assert_eq!(add(sum(&bytes[..cut]), rest), sum(&bytes), "{cut}");
        }
    }

    #[test]
    fn the_encoded_sum_is_text_and_closes_the_sum() {
        for seed in [0_u32, 1, 0xffff_ffff, 0x8000_0000, 0x3a3b_5b60, 0x1234_5678] {
            let word = encode(seed);
            assert!(word.bytes().all(|b| b.is_ascii_alphanumeric()), "{word}");
            // In place in the header: column 12 is the last byte of a word.
            let header = |word: &str| {
                let mut bytes = vec![b' '; 80];
                bytes[..11].copy_from_slice(b"CHECKSUM= '");
                bytes[11..27].copy_from_slice(word.as_bytes());
                sum(&bytes)
            };
            let zeros = header("0000000000000000");
            let rest = add(seed, !zeros);
            assert!(matches!(add(rest, header(&word)), 0 | u32::MAX), "{seed:x}");
        }
    }
}
