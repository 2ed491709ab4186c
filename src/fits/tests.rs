//! Cards: read, written, and read again.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use proptest::prelude::*;

use crate::facts::{Card, Value};

use super::card::{RECORD, parse_cards};
use super::encode::header_block;

fn header(records: &[&str]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for record in records {
        assert!(record.len() <= RECORD, "{record}");
        bytes.extend_from_slice(record.as_bytes());
        bytes.resize(bytes.len().next_multiple_of(RECORD), b' ');
    }
    bytes
}

fn parse(records: &[&str]) -> Vec<Card> {
    parse_cards(&header(records))
}

fn value(record: &str) -> Value {
    parse(&[record]).remove(0).value
}

fn text(text: &str) -> Value {
    Value::Text(text.to_owned())
}

/// FITS Standard 3.0, section 4.2, and files seen in the field.
#[test]
fn values_of_every_kind() {
    let table = [
        ("A       = 'it''s'  / c", text("it's")),
        ("A       = '  lead  '", text("  lead")),
        ("A       = ''", text("")),
        ("A       = 'a / b'", text("a / b")),
        ("A       = 'open", Value::Other("'open".into())),
        ("A       =                    T", Value::Logical(true)),
        ("A       = F/c", Value::Logical(false)),
        ("A       = +12 / c", Value::Integer(12)),
        ("A       = -9223372036854775808", Value::Integer(i64::MIN)),
        (
            "A       = 9223372036854775808",
            Value::Real(9_223_372_036_854_775_808.0),
        ),
        ("A       = 42.", Value::Real(42.0)),
        ("A       = 1.5d-3", Value::Real(1.5e-3)),
        ("A       = 1E4", Value::Real(1e4)),
        ("A       = nan", Value::Other("nan".into())),
        ("A       = 1E999", Value::Other("1E999".into())),
        (
            "A       = (1.0, 2.0) / c",
            Value::Other("(1.0, 2.0)".into()),
        ),
        ("A       =        / c", Value::None),
        ("A        5", Value::None),
        ("A       =5", Value::None),
        ("COMMENT = 5", Value::None),
        ("END     = 5", Value::Integer(5)),
    ];
    for (record, expected) in table {
        assert_eq!(value(record), expected, "{record}");
    }
}

#[test]
fn records_without_a_value_are_commentary() {
    // The `=` that counts stands in column 9.
    let cards = parse(&[
        "CAM-LOG 03:04:09> EXPOSURE NO = 24887",
        "HISTORY  two blanks",
    ]);
    assert_eq!(cards[0].keyword, "CAM-LOG");
    assert_eq!(cards[0].value, Value::None);
    assert_eq!(cards[0].comment, "03:04:09> EXPOSURE NO = 24887");
    assert_eq!(cards[1].comment, " two blanks");
}

/// The registered HIERARCH convention.
#[test]
fn hierarch_words_are_one_keyword() {
    let cards = parse(&[
        "HIERARCH RIG  DET win1 = 'a = b' / c",
        "HIERARCH nothing here",
        "HIERARCH= 5",
    ]);
    assert_eq!(cards[0].keyword, "RIG DET WIN1");
    assert_eq!(
        (&cards[0].value, cards[0].comment.as_str()),
        (&text("a = b"), "c")
    );
    assert_eq!(
        (cards[1].keyword.as_str(), &cards[1].value),
        ("HIERARCH", &Value::None)
    );
    assert_eq!(
        (cards[2].keyword.as_str(), &cards[2].value),
        ("HIERARCH", &Value::Integer(5))
    );
}

/// CFITSIO User's Guide 4.2, "Long String Keyword Values".
#[test]
fn long_strings_are_joined() {
    let records = [
        "A       = 'one &' / c",
        "CONTINUE  'two&'",
        "CONTINUE  '' / d",
        "B       = 'last&'",
        "COMMENT in between",
        "CONTINUE  'orphan'",
    ];
    let cards = parse(&records);
    assert_eq!(cards.len(), 4);
    assert_eq!(
        (&cards[0].value, cards[0].comment.as_str()),
        (&text("one two"), "c d")
    );
    assert_eq!(cards[0].raw, header(&records[..3]));
    assert_eq!(cards[1].value, text("last&"));
    assert_eq!(
        (cards[3].keyword.as_str(), &cards[3].value),
        ("CONTINUE", &Value::None)
    );
}

#[test]
fn bytes_that_are_no_ascii_are_kept_raw() {
    let mut bytes = header(&["TEMP    = 'x C' / deg"]);
    bytes[12] = 0xb0;
    let cards = parse_cards(&bytes);
    assert_eq!(cards[0].value, text("x\u{fffd}C"));
    assert_eq!(&header_block(&cards)[..RECORD], &bytes[..]);
}

#[test]
fn fixed_format_and_fill() {
    let cards = [
        Card::new("KEY", Value::Integer(-7), "why"),
        Card::new("NAME", text("it's"), ""),
        Card::new("BAD", Value::Real(f64::NAN), "unknown"),
    ];
    let block = header_block(&cards);
    assert_eq!(block.len(), 2880);
    let expected = header(&[
        "KEY     =                   -7 / why",
        "NAME    = 'it''s   '",
        "BAD     =                      / unknown",
        "END",
    ]);
    assert_eq!(&block[..expected.len()], &expected[..]);
    assert!(block[expected.len()..].iter().all(|&byte| byte == b' '));
}

#[test]
fn nothing_unprintable_reaches_a_header() {
    let long = "k\u{e9}y\n".repeat(60);
    let cards = [
        Card::new(&long, text(&long), &long),
        Card::new("COMMENT", Value::None, &long),
        Card::new("", text(&long), &long),
        Card::new("X", Value::Other(long.clone()), &long),
    ];
    let block = header_block(&cards);
    assert!(block.iter().all(|byte| (0x20..=0x7e).contains(byte)));
    assert_eq!(block.len() % 2880, 0);
}

fn keyword() -> impl Strategy<Value = String> {
    prop_oneof![
        "K[A-Z0-9_-]{0,7}",
        "K[A-Z0-9]{8,20}",
        "K[A-Z0-9]{0,8}( [A-Z0-9]{1,9}){1,2}",
    ]
}

fn any_value() -> impl Strategy<Value = Value> {
    prop_oneof![
        "[ -~]{0,30}".prop_map(|word| text(word.trim_end())),
        "['& a]{60,200}".prop_map(|word| text(word.trim_end())),
        any::<bool>().prop_map(Value::Logical),
        any::<i64>().prop_map(Value::Integer),
        any::<f64>()
            .prop_filter("finite", |number| number.is_finite())
            .prop_map(Value::Real),
        Just(Value::None),
    ]
}

proptest! {
    #[test]
    fn what_is_written_reads_back(
        cards in prop::collection::vec((keyword(), any_value(), "[ -~]{0,40}"), 0..40)
    ) {
        let cards: Vec<_> = cards
            .iter()
            .map(|(keyword, value, comment)| Card::new(keyword, value.clone(), comment.trim()))
            .collect();
        let block = header_block(&cards);
        let back = parse_cards(&block);
        prop_assert_eq!(back.len(), cards.len());
        for (back, card) in back.iter().zip(&cards) {
            prop_assert_eq!(&back.keyword, &card.keyword);
            prop_assert_eq!(&back.value, &card.value);
            // A comment may be cut where its record ends.
            prop_assert!(card.comment.starts_with(&back.comment));
            prop_assert_eq!(back.raw.len() % RECORD, 0);
        }
        // What was read is written as it stood.
        prop_assert_eq!(header_block(&back), block);
    }

    #[test]
    fn no_header_stops_the_reader(bytes in prop::collection::vec(any::<u8>(), 0..2880)) {
        parse_cards(&bytes);
    }
}
