//! Cards into header records.
//!
//! Every card can be written: what a record cannot hold (a byte outside 0x20 to 0x7E, the end of
//! a comment that is too long, a number that is not finite) is replaced, cut or left without
//! value, never an error. A card that was read is copied as it stood.
//!
//! Rules: FITS Standard 3.0, section 4 (fixed format: 4.2); CONTINUE and HIERARCH as in `card`.

use crate::facts::{Card, Value};

use super::card::RECORD;
use super::gate::BLOCK;

/// The last column that a value in fixed format reaches.
const FIXED: usize = 30;

/// A header: the cards, END, blanks up to a whole number of 2880-byte blocks. Cards with `raw`
/// bytes are copied, all others are written in fixed format; a string that is too long for its
/// record goes on in CONTINUE records, a keyword that is no FITS keyword becomes a HIERARCH
/// one, long commentary goes on in further records.
pub fn header_block(cards: &[Card]) -> Vec<u8> {
    header_in(cards, 0)
}

/// A header of at least `room` bytes, a whole number of blocks. Blocks that the cards leave are filled
/// with blank records before END (FITS Standard 4.0, section 4.4.2.4).
pub(super) fn header_in(cards: &[Card], room: usize) -> Vec<u8> {
    let mut header = Vec::with_capacity((cards.len() + 1) * RECORD + BLOCK);
    for card in cards {
        push_card(&mut header, card);
    }
    if (header.len() + RECORD).next_multiple_of(BLOCK) < room {
        header.resize(room - BLOCK, b' ');
    }
    push_record(&mut header, b"END");
    header.resize(header.len().next_multiple_of(BLOCK), b' ');
    header
}

/// Whether a string among these cards is so long that it takes CONTINUE records.
pub(super) fn long_strings(cards: &[Card]) -> bool {
    let block = header_block(cards);
    let (records, _) = block.as_chunks::<RECORD>();
    records
        .iter()
        .any(|record| record.starts_with(b"CONTINUE  '"))
}

/// Appends one card's records.
pub(super) fn push_card(header: &mut Vec<u8>, card: &Card) {
    if !card.raw.is_empty() {
        header.extend_from_slice(&card.raw);
        header.resize(header.len().next_multiple_of(RECORD), b' ');
        return;
    }
    let keyword = printable(&card.keyword.to_uppercase());
    let comment = printable(&card.comment);
    if card.value == Value::None && matches!(keyword.as_str(), "" | "COMMENT" | "HISTORY") {
        return push_commentary(header, &keyword, &comment);
    }
    let standard = keyword.len() <= 8
        && !keyword.is_empty()
        && keyword
            .bytes()
            .all(|byte| matches!(byte, b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_'));
    let start = if standard {
        format!("{keyword:<8}= ")
    } else {
        // Room is left for a value.
        let words: String = keyword.replace(['=', '\''], "-").chars().take(40).collect();
        format!("HIERARCH {} = ", words.trim())
    };
    match &card.value {
        Value::Text(text) => push_text(header, start, &printable(text), &comment),
        Value::Logical(flag) => push_plain(header, start, if *flag { "T" } else { "F" }, &comment),
        Value::Integer(number) => push_plain(header, start, &number.to_string(), &comment),
        Value::Real(number) if number.is_finite() => {
            push_plain(header, start, &real(*number), &comment);
        }
        Value::Other(text) => push_plain(header, start, &printable(text), &comment),
        Value::Real(_) | Value::None => push_plain(header, start, "", &comment),
    }
}

fn push_record(header: &mut Vec<u8>, record: &[u8]) {
    let length = record.len().min(RECORD);
    header.extend_from_slice(&record[..length]);
    header.resize(header.len() + RECORD - length, b' ');
}

fn push_commentary(header: &mut Vec<u8>, keyword: &str, comment: &str) {
    let start = format!("{keyword:<8}");
    // Text that begins with `= ` in columns 9 and 10 would still be commentary: the keyword says so.
    let mut rest = comment;
    loop {
        let (line, more) = rest.split_at(rest.len().min(RECORD - start.len()));
        push_record(header, format!("{start}{line}").as_bytes());
        if more.is_empty() {
            break;
        }
        rest = more;
    }
}

fn push_plain(header: &mut Vec<u8>, start: String, value: &str, comment: &str) {
    let width = FIXED.saturating_sub(start.len());
    let record = format!("{start}{value:>width$}");
    push_record(header, with_comment(record, comment).as_bytes());
}

fn with_comment(mut record: String, comment: &str) -> String {
    // Four columns: ` / ` and one character at least.
    if !comment.is_empty() && record.len() + 4 <= RECORD {
        record.push_str(" / ");
        record.push_str(comment);
    }
    record
}

fn push_text(header: &mut Vec<u8>, start: String, text: &str, comment: &str) {
    let text = text.trim_end();
    let quoted = text.replace('\'', "''");
    let mut start = start;
    let mut rest = quoted.as_str();
    // Quotes and, where the string goes on, the ampersand.
    while start.len() + rest.len() + 2 > RECORD {
        let (piece, more) = rest.split_at(cut(rest, RECORD - start.len() - 3));
        push_record(header, format!("{start}'{piece}&'").as_bytes());
        rest = more;
        start = "CONTINUE  ".to_owned();
    }
    let record = format!("{start}'{rest:<8}'");
    let record = if record.len() > RECORD {
        format!("{start}'{rest}'")
    } else {
        record
    };
    let width = if comment.is_empty() { 0 } else { FIXED };
    push_record(
        header,
        with_comment(format!("{record:<width$}"), comment).as_bytes(),
    );
}

/// Where to cut a string with doubled quotes: at `most` characters, but not inside a pair.
fn cut(quoted: &str, most: usize) -> usize {
    let head = &quoted.as_bytes()[..most];
    let quotes = head.iter().rev().take_while(|&&byte| byte == b'\'').count();
    most - quotes % 2
}

/// A finite number that reads back exactly, with a point or an exponent so that it stays real.
fn real(number: f64) -> String {
    let size = number.abs();
    if size == 0.0 || (1e-5..1e15).contains(&size) {
        let text = number.to_string();
        if text.contains('.') {
            text
        } else {
            text + ".0"
        }
    } else {
        let text = format!("{number:E}");
        match text.split_once('E') {
            Some((digits, exponent)) if !digits.contains('.') => format!("{digits}.0E{exponent}"),
            _ => text,
        }
    }
}

/// The text with everything that a header may not hold replaced by `?`.
fn printable(text: &str) -> String {
    text.chars()
        .map(|character| match character {
            ' '..='~' => character,
            _ => '?',
        })
        .collect()
}
