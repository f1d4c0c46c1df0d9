//! Explained codes as JSON.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::findings::{CautionJson, caution};
use crate::words::explain::Explanation;

#[derive(JsonSchema, Serialize)]
pub(super) struct ExplanationJson<'a> {
    code: &'a str,
    kind: &'a str,
    meaning: Option<&'a str>,
    failure_type: Option<&'a str>,
    failure: Option<&'static str>,
    points_at: &'a str,
    source: &'a str,
    cautions: Vec<CautionJson>,
}

/// Writes explained codes as a list.
///
/// # Errors
/// Those of the writer.
pub fn render(explained: &[Explanation], out: &mut dyn Write) -> io::Result<()> {
    let list: Vec<ExplanationJson> = explained.iter().map(json).collect();
    serde_json::to_writer_pretty(&mut *out, &list)?;
    writeln!(out)
}

fn json(explained: &Explanation) -> ExplanationJson<'_> {
    ExplanationJson {
        code: &explained.code,
        kind: &explained.kind,
        meaning: explained.meaning.as_deref(),
        failure_type: explained.failure.as_ref().map(|(number, _)| number.as_str()),
        failure: explained.failure.as_ref().and_then(|(_, meaning)| *meaning),
        points_at: &explained.pointer.text,
        source: &explained.pointer.source,
        cautions: explained.cautions.iter().map(|found| caution(found)).collect(),
    }
}
