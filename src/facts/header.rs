//! A FITS header as a list of cards, in file order.

use std::fmt;

/// The value of a card.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A character string, doubled quotes undone, trailing blanks removed, CONTINUE joined.
    Text(String),
    /// `T` or `F`.
    Logical(bool),
    /// An integer that fits 64 bits.
    Integer(i64),
    /// A floating-point number (or an integer too large for 64 bits).
    Real(f64),
    /// Anything else that stands after `= `, complex numbers for one, as written.
    Other(String),
    /// No value: commentary (COMMENT, HISTORY, blank) or a keyword without one.
    None,
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Text(text) => write!(f, "'{text}'"),
            Self::Logical(flag) => f.write_str(if *flag { "T" } else { "F" }),
            Self::Integer(number) => write!(f, "{number}"),
            Self::Real(number) => write!(f, "{number}"),
            Self::Other(text) => f.write_str(text),
            Self::None => f.write_str("no value"),
        }
    }
}

/// One keyword with its value. A long string's CONTINUE records belong to the card they continue.
#[derive(Clone, Debug, PartialEq)]
pub struct Card {
    /// The keyword in capitals; for the HIERARCH convention the words after `HIERARCH`, joined by
    /// single spaces.
    pub keyword: String,
    /// What it says.
    pub value: Value,
    /// The comment after `/`, or the text of a commentary card.
    pub comment: String,
    /// The record or records as they stand in the file, each exactly 80 bytes; empty for a card
    /// that was made, not read.
    pub raw: Vec<u8>,
}

impl Card {
    /// A card to be written.
    pub fn new(keyword: &str, value: Value, comment: &str) -> Self {
        Self {
            keyword: keyword.to_owned(),
            value,
            comment: comment.to_owned(),
            raw: Vec::new(),
        }
    }
}

/// The cards of one header data unit, without END.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Header {
    cards: Vec<Card>,
}

impl Header {
    /// A header of these cards.
    pub fn new(cards: Vec<Card>) -> Self {
        Self { cards }
    }

    /// All cards in order.
    pub fn cards(&self) -> &[Card] {
        &self.cards
    }

    /// The first card with this keyword that has a value. Keywords are compared without regard
    /// to letter case.
    pub fn find(&self, keyword: &str) -> Option<&Card> {
        self.cards
            .iter()
            .find(|card| card.keyword.eq_ignore_ascii_case(keyword) && card.value != Value::None)
    }

    /// The value of [`Header::find`].
    pub fn get(&self, keyword: &str) -> Option<&Value> {
        self.find(keyword).map(|card| &card.value)
    }

    /// The value as text, when it is a string.
    pub fn text(&self, keyword: &str) -> Option<&str> {
        match self.get(keyword)? {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    /// The value as a number, when it is one (a string is not, whatever it contains).
    pub fn number(&self, keyword: &str) -> Option<f64> {
        match self.get(keyword)? {
            Value::Integer(number) => Some(*number as f64),
            Value::Real(number) => Some(*number),
            _ => None,
        }
    }

    /// The value as an integer, when it is written as one.
    pub fn integer(&self, keyword: &str) -> Option<i64> {
        match self.get(keyword)? {
            Value::Integer(number) => Some(*number),
            _ => None,
        }
    }
}
