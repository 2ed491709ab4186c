//! What one line of the log says, in words and in fields.
//!
//! Invariant: the words are one line without control characters, whatever a file is called.

use std::fmt;

use tracing::field::{Field, Visit};

use crate::night::tame;

/// A line of the log, taken apart.
#[derive(Default)]
pub struct Said {
    message: String,
    /// Names and values in the order of the line.
    pub fields: Vec<(&'static str, String)>,
}

impl Said {
    /// Takes an event apart.
    pub fn by(event: &tracing::Event<'_>) -> Self {
        let mut said = Self::default();
        event.record(&mut said);
        said
    }

    /// The message with its fields behind it.
    pub fn line(&self) -> String {
        let fields = self.fields.iter();
        let fields: String = fields
            .map(|(name, value)| format!(" {name}={value}"))
            .collect();
        tame(&format!("{}{fields}", self.message))
    }

    fn note(&mut self, field: &Field, value: String) {
        match field.name() {
            "message" => self.message = value,
            name => self.fields.push((name, value)),
        }
    }
}

impl Visit for Said {
    fn record_str(&mut self, field: &Field, value: &str) {
        self.note(field, value.to_owned());
    }

    fn record_f64(&mut self, field: &Field, value: f64) {
        self.note(field, format!("{value:.3}"));
    }

    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        self.note(field, format!("{value:?}"));
    }
}
