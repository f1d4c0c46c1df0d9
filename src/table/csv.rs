//! Comma-separated values, as RFC 4180 has them.

use std::borrow::Cow;
use std::io::{self, Write};

use lostnode_parsers::Timestamp;

use super::{Cell, Column, Sink};

/// What a formula begins with.
const FORMULA: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

/// Writes CSV with a head.
pub struct Csv<W: Write>(::csv::Writer<W>);

impl<W: Write> Csv<W> {
    /// Writes the head.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn new(columns: &[Column], out: W) -> io::Result<Self> {
        let mut table = ::csv::Writer::from_writer(out);
        table.write_record(columns.iter().map(|column| column.name))?;
        Ok(Csv(table))
    }
}

impl<W: Write> Sink for Csv<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> io::Result<()> {
        for cell in cells {
            self.0.write_field(no_formula(cell, text(cell)).as_bytes())?;
        }
        self.0.write_record(None::<&[u8]>)?;
        Ok(())
    }

    fn finish(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// A text that a spreadsheet would take for a formula gets an apostrophe in front (OWASP, "CSV
/// Injection"): names of files and channels, and what modules say, come from anywhere.
fn no_formula<'a>(cell: &Cell<'_>, text: Cow<'a, str>) -> Cow<'a, str> {
    let is_text = matches!(cell, Cell::Text(_) | Cell::Texts(_));
    match is_text && text.starts_with(FORMULA) {
        true => Cow::Owned(format!("'{text}")),
        false => text,
    }
}

/// A text as it was before [`no_formula`].
pub(crate) fn without_apostrophe(text: &str) -> &str {
    text.strip_prefix('\'').filter(|rest| rest.starts_with(FORMULA)).unwrap_or(text)
}

fn text<'a>(cell: &'a Cell<'_>) -> Cow<'a, str> {
    match cell {
        Cell::Empty => Cow::Borrowed(""),
        Cell::Time(time) => Cow::Owned(seconds(*time)),
        Cell::Text(text) => Cow::Borrowed(text),
        Cell::Whole(number) => Cow::Owned(number.to_string()),
        Cell::Real(number) => Cow::Owned(real(*number)),
        Cell::Flag(flag) => Cow::Borrowed(if *flag { "true" } else { "false" }),
        Cell::Bytes(bytes) => Cow::Owned(hex::encode_upper(bytes)),
        // A semicolon inside one of them would part it.
        Cell::Texts(texts) => Cow::Owned(
            texts.iter().map(|text| text.replace(';', ",")).collect::<Vec<_>>().join(";"),
        ),
    }
}

/// Seconds with six digits of fraction, nine where the stamp has nanoseconds.
fn seconds(time: Timestamp) -> String {
    let nanoseconds = time.nanoseconds();
    let sign = if nanoseconds < 0 { "-" } else { "" };
    let (whole, fraction) =
        (nanoseconds.unsigned_abs() / 1_000_000_000, nanoseconds.unsigned_abs() % 1_000_000_000);
    match fraction % 1000 {
        0 => format!("{sign}{whole}.{:06}", fraction / 1000),
        _ => format!("{sign}{whole}.{fraction:09}"),
    }
}

/// Six digits of fraction at most: what people read in a sheet.
fn real(number: f64) -> String {
    let text = format!("{number:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
