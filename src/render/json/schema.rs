//! The JSON Schema of each JSON output, made of the types that write it (JSON Schema 2020-12).
//!
//! A schema asks for the fields that are there today and allows more beside them, as docs/json.md
//! does. The files of `docs/schema` are these, held to by a test.

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};

use super::{Document, comparison, explain, live, row};
use crate::capture::frame_table;
use crate::render::tables;
use crate::table::{Column, Kind};

/// An output that has a schema.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Output {
    /// `report --format json`, and `report.json`.
    Report,
    /// `compare --format json`.
    Compare,
    /// `explain --format json`.
    Explain,
    /// A line of `report --format row`, and the rows of `batch`.
    Row,
    /// A line of `frames --format jsonl`.
    Frames,
    /// A line of `outages --format jsonl`.
    Outages,
    /// A line of `codes --format jsonl`.
    Codes,
    /// A line of `messages --format jsonl`.
    Messages,
    /// A line of `watch --format jsonl`.
    Watch,
}

impl Output {
    /// All of them.
    pub const ALL: [Output; 9] = [
        Output::Report,
        Output::Compare,
        Output::Explain,
        Output::Row,
        Output::Frames,
        Output::Outages,
        Output::Codes,
        Output::Messages,
        Output::Watch,
    ];

    /// The name that `lostnode schema` takes; `NAME.json` in `docs/schema`.
    pub fn name(self) -> &'static str {
        match self {
            Output::Report => "report",
            Output::Compare => "compare",
            Output::Explain => "explain",
            Output::Row => "row",
            Output::Frames => "frames",
            Output::Outages => "outages",
            Output::Codes => "codes",
            Output::Messages => "messages",
            Output::Watch => "watch",
        }
    }

    /// Its schema.
    ///
    /// ```
    /// use lostnode::render::json::schema::Output;
    /// let schema = Output::Report.schema();
    /// assert_eq!(schema["properties"]["headline"]["type"], "string");
    /// ```
    pub fn schema(self) -> Value {
        match self {
            Output::Report => of::<Document>(),
            Output::Compare => of::<comparison::ComparisonJson>(),
            Output::Explain => of::<Vec<explain::ExplanationJson>>(),
            Output::Row => of::<row::Row>(),
            Output::Frames => of_table(self.name(), &frame_table::COLUMNS),
            Output::Outages => of_table(self.name(), &tables::OUTAGES),
            Output::Codes => of_table(self.name(), &tables::CODES),
            Output::Messages => of_table(self.name(), &tables::MESSAGES),
            Output::Watch => of::<live::EventJson>(),
        }
    }
}

/// The schema of what is written as one value of a type.
pub fn of<T: JsonSchema>() -> Value {
    // As it is written: what may be null is there all the same.
    SchemaSettings::draft2020_12()
        .for_serialize()
        .into_generator()
        .into_root_schema_for::<T>()
        .to_value()
}

/// Every cell may be empty, and stands in the line as null then.
fn of_table(name: &str, columns: &[Column]) -> Value {
    let property = |column: &Column| {
        let kind = match column.kind {
            Kind::Time | Kind::Real => "number",
            Kind::Text | Kind::Bytes => "string",
            Kind::Whole => "integer",
            Kind::Flag => "boolean",
            Kind::Texts => "array",
        };
        let mut own = json!({ "type": [kind, "null"], "description": column.meaning });
        match column.kind {
            Kind::Texts => own["items"] = json!({ "type": "string" }),
            Kind::Bytes => own["pattern"] = json!("^([0-9A-F]{2})*$"),
            Kind::Whole => own["minimum"] = json!(0),
            Kind::Time | Kind::Text | Kind::Real | Kind::Flag => {}
        }
        (column.name.to_owned(), own)
    };
    let properties: Map<String, Value> = columns.iter().map(property).collect();
    let required: Vec<&str> = columns.iter().map(|column| column.name).collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": name,
        "type": "object",
        "properties": properties,
        "required": required,
    })
}
