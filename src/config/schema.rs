//! JSON Schemas of the two documents, so that editors complete and check what is typed.
//!
//! They are derived from what the documents are read into, so a key cannot be missing. A schema
//! looks at one value at a time: what several keys or files must have among them only `check` knows,
//! and so do patterns, dates of the calendar, time zones and what is the same but for letter case.

use schemars::generate::SchemaSettings;
use schemars::transform::{Transform, transform_subschemas};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde_json::{Value, json};

use super::{profile, settings};
use crate::frame::FACTS;

/// Text that says something, as `bounds::said` asks for it.
pub(super) const SAID: &str = r"^(?!\s*~?\s*$)\s*[^\x00-\x1f\x7f-\x9f]*\s*$";

/// A watch folder's name.
pub(super) const NAME: &str = r"^(?!\s*~?\s*$)\s*[^/\x00-\x1f\x7f-\x9f]*\s*$";

/// Header keywords: printable, without an equals sign.
pub(super) const KEYWORD: &str = r"^\s*[!-<>-~]+(\s+[!-<>-~]+)*\s*$";

/// A path, as `bounds::path` asks for it.
pub(super) const PATH: &str = r"^(?!~(/|$))[^\x00]*\S[^\x00]*$";

/// A program or an argument of its command.
pub(super) const ARGUMENT: &str = r"^[^\x00]*$";

/// A local time.
pub(super) const HOUR: &str = "^([01][0-9]|2[0-3]):[0-5][0-9]$";

/// An evening.
pub(super) const DATE: &str = r"^\s*[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])\s*$";

/// A rig's name.
pub(super) const RIG: &str = "^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$";

/// A document that people write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Document {
    /// The settings of an observatory.
    Settings,
    /// The profile of a camera rig.
    Profile,
}

/// The schema of a document, draft 7, as text that ends in a line feed.
pub fn schema(document: Document) -> String {
    let generator = SchemaSettings::draft07()
        .with_transform(Tidy)
        .into_generator();
    let schema = match document {
        Document::Settings => generator.into_root_schema_for::<settings::RawSettings>(),
        Document::Profile => generator.into_root_schema_for::<profile::RawProfile>(),
    };
    format!("{:#}\n", schema.to_value())
}

/// Comments become lines that an editor may break where it likes; names of Rust's number types go.
#[derive(Clone)]
struct Tidy;

impl Transform for Tidy {
    fn transform(&mut self, schema: &mut Schema) {
        schema.remove("format");
        if let Some(Value::String(text)) = schema.get_mut("description") {
            *text = text.replace('\n', " ");
        }
        transform_subschemas(self, schema);
    }
}

/// The names of facts.
pub(super) fn facts() -> Value {
    let names: Vec<&str> = FACTS.iter().map(|fact| fact.name).collect();
    json!({ "enum": names })
}

/// Facts and what a header may state of each.
pub(super) fn facts_stated(_: &mut SchemaGenerator) -> Schema {
    json_schema!({
        "type": "object",
        "minProperties": 1,
        "propertyNames": facts(),
        "additionalProperties": stated(),
    })
}

/// Text, or a number or truth value that is taken as text.
pub(super) fn stated() -> Value {
    json!({"type": ["string", "number", "boolean"], "pattern": SAID})
}

/// A text or a list of texts.
pub(super) fn one_or_more(pattern: &str) -> Value {
    let one = json!({"type": "string", "pattern": pattern});
    json!({"anyOf": [one, {"type": "array", "minItems": 1, "items": one}]})
}

/// A colour filter array: usual spellings to choose from, any letter case to be taken.
pub(super) fn array(_: &mut SchemaGenerator) -> Schema {
    let any_case = r"^\s*([Hh][Ee][Aa][Dd][Ee][Rr]|[Mm][Oo][Nn][Oo]|[Rr][Gg][Gg][Bb]|[Bb][Gg][Gg][Rr]|[Gg][Rr][Bb][Gg]|[Gg][Bb][Rr][Gg])\s*$";
    json_schema!({
        "anyOf": [
            {"enum": ["header", "mono", "RGGB", "BGGR", "GRBG", "GBRG", null]},
            {"type": "string", "pattern": any_case},
        ],
        "default": "header",
    })
}

impl JsonSchema for super::text::Text {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Text".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        String::json_schema(generator)
    }
}

impl JsonSchema for super::words::OneOrMore {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> std::borrow::Cow<'static, str> {
        "OneOrMore".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        one_or_more(SAID).try_into().unwrap_or_default()
    }
}
