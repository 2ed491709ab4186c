//! Header records into cards.
//!
//! A header is read as it stands: a record that breaks a rule becomes commentary or
//! [`Value::Other`], never an error, since only a few keywords matter and those are checked
//! elsewhere. Bytes that are not ASCII are replaced in the text and kept in `raw`.
//!
//! Rules: FITS Standard 3.0, section 4; CONTINUE from 4.0, section 4.2.1.2; HIERARCH from the
//! registry of conventions. This file does not know which keywords mean what.

use crate::facts::{Card, Value};

/// Bytes of one record.
pub(super) const RECORD: usize = 80;

/// Cards of a header's records, up to END (which is left out) or to the end of `bytes`.
pub(super) fn parse_cards(bytes: &[u8]) -> Vec<Card> {
    let mut records = bytes
        .chunks_exact(RECORD)
        .take_while(|record| !is_end(record))
        .peekable();
    let mut cards = Vec::with_capacity(bytes.len() / RECORD);
    while let Some(record) = records.next() {
        let mut card = parse_record(record);
        // A string that ends in `&` goes on in the next record, if that is a CONTINUE with a
        // string in it; else the `&` is a plain character.
        while let Value::Text(text) = &mut card.value {
            if !text.ends_with('&') {
                break;
            }
            let Some((piece, comment, record)) = records
                .peek()
                .and_then(|next| continued(next).map(|(piece, comment)| (piece, comment, *next)))
            else {
                break;
            };
            text.pop();
            text.push_str(&piece);
            if !comment.is_empty() {
                if !card.comment.is_empty() {
                    card.comment.push(' ');
                }
                card.comment.push_str(&comment);
            }
            card.raw.extend_from_slice(record);
            records.next();
        }
        cards.push(card);
    }
    cards
}

/// True for the record that ends a header.
pub(super) fn is_end(record: &[u8]) -> bool {
    record.starts_with(b"END     ") && record.get(8) != Some(&b'=')
}

fn parse_record(record: &[u8]) -> Card {
    let (name, rest) = record.split_at(8);
    let keyword = text(name.trim_ascii_end()).to_ascii_uppercase();
    let has_value = rest.starts_with(b"= ");
    let commentary = matches!(keyword.as_str(), "" | "COMMENT" | "HISTORY");
    if keyword == "HIERARCH"
        && !has_value
        && let Some((keyword, value, comment)) = hierarch(rest)
    {
        return card(keyword, value, comment, record);
    }
    if has_value && !commentary {
        let (value, comment) = parse_value(&rest[2..]);
        return card(keyword, value, comment, record);
    }
    let comment = text(rest.trim_ascii_end());
    card(keyword, Value::None, comment, record)
}

fn card(keyword: String, value: Value, comment: String, record: &[u8]) -> Card {
    Card {
        keyword,
        value,
        comment,
        raw: record.to_vec(),
    }
}

/// `a b c = value / comment`, what follows the word HIERARCH.
fn hierarch(rest: &[u8]) -> Option<(String, Value, String)> {
    let equals = rest.iter().position(|&byte| byte == b'=')?;
    let words = text(&rest[..equals]);
    let mut keyword = String::with_capacity(words.len());
    for word in words.split_ascii_whitespace() {
        if word.contains('\'') {
            return None;
        }
        if !keyword.is_empty() {
            keyword.push(' ');
        }
        keyword.push_str(word);
    }
    if keyword.is_empty() {
        return None;
    }
    let (value, comment) = parse_value(&rest[equals + 1..]);
    Some((keyword.to_ascii_uppercase(), value, comment))
}

/// The string and comment of a CONTINUE record.
fn continued(record: &[u8]) -> Option<(String, String)> {
    let rest = record.strip_prefix(b"CONTINUE")?;
    if rest.starts_with(b"= ") {
        return None;
    }
    match parse_value(rest) {
        (Value::Text(piece), comment) => Some((piece, comment)),
        _ => None,
    }
}

/// Value and comment of what follows the value indicator.
fn parse_value(field: &[u8]) -> (Value, String) {
    let field = field.trim_ascii();
    if field.first() == Some(&b'\'') {
        return match parse_string(&field[1..]) {
            Some((value, rest)) => (Value::Text(value), comment_of(rest)),
            None => (Value::Other(text(field)), String::new()),
        };
    }
    let slash = field.iter().position(|&byte| byte == b'/');
    let (token, rest) = field.split_at(slash.unwrap_or(field.len()));
    (parse_token(token.trim_ascii_end()), comment_of(rest))
}

fn comment_of(rest: &[u8]) -> String {
    match rest.iter().position(|&byte| byte == b'/') {
        Some(slash) => text(rest[slash + 1..].trim_ascii()),
        None => String::new(),
    }
}

/// The string up to its closing quote, and what follows it; nothing where no quote closes it.
fn parse_string(field: &[u8]) -> Option<(String, &[u8])> {
    let mut value = Vec::new();
    let mut rest = field;
    loop {
        let quote = rest.iter().position(|&byte| byte == b'\'')?;
        value.extend_from_slice(&rest[..quote]);
        rest = &rest[quote + 1..];
        if rest.first() != Some(&b'\'') {
            break;
        }
        value.push(b'\'');
        rest = &rest[1..];
    }
    // Trailing blanks are not significant, leading ones are.
    while value.last() == Some(&b' ') {
        value.pop();
    }
    Some((into_text(value), rest))
}

fn parse_token(token: &[u8]) -> Value {
    match token {
        b"" => return Value::None,
        b"T" => return Value::Logical(true),
        b"F" => return Value::Logical(false),
        _ => {}
    }
    let numeric = token.iter().all(|byte| {
        matches!(
            byte,
            b'0'..=b'9' | b'+' | b'-' | b'.' | b'E' | b'e' | b'D' | b'd'
        )
    });
    let token = text(token);
    // The charset keeps out `inf`, `nan` and the like, which are no FITS numbers.
    if numeric && token.bytes().any(|byte| byte.is_ascii_digit()) {
        if let Ok(number) = token.parse() {
            return Value::Integer(number);
        }
        if let Ok(number) = token.replace(['D', 'd'], "E").parse::<f64>()
            && number.is_finite()
        {
            return Value::Real(number);
        }
    }
    Value::Other(token)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn into_text(bytes: Vec<u8>) -> String {
    String::from_utf8(bytes)
        .unwrap_or_else(|error| String::from_utf8_lossy(error.as_bytes()).into_owned())
}
