//! Tables with named, typed columns, written row by row: CSV, JSON lines, Parquet.
//!
//! A table is described once, by its [`Column`]s; the description is also its documentation
//! (`docs/tables.md`, checked by a test).

mod csv;
pub(crate) mod gathered;
mod jsonl;
mod parquet;

use std::borrow::Cow;
use std::io::{self, Write};

use lostnode_parsers::Timestamp;

pub use self::csv::Csv;
pub(crate) use self::csv::without_apostrophe;
pub use self::gathered::Gathered;
pub use self::jsonl::JsonLines;
pub use self::parquet::Parquet;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A point in time: nanoseconds in Parquet, seconds in text.
    Time,
    /// Text.
    Text,
    /// A whole number, at most 2^63 - 1.
    Whole,
    /// A number.
    Real,
    /// True or false.
    Flag,
    /// Bytes; hexadecimal in text.
    Bytes,
    /// Several texts; parted by semicolons in CSV.
    Texts,
}

/// One column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// What it means, with its unit.
    pub meaning: &'static str,
}

/// A column of a table.
pub const fn column(name: &'static str, kind: Kind, meaning: &'static str) -> Column {
    Column { name, kind, meaning }
}

/// One value. Any column may have empty ones.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell<'a> {
    /// Not known.
    Empty,
    /// For [`Kind::Time`].
    Time(Timestamp),
    /// For [`Kind::Text`].
    Text(Cow<'a, str>),
    /// For [`Kind::Whole`].
    Whole(u64),
    /// For [`Kind::Real`].
    Real(f64),
    /// For [`Kind::Flag`].
    Flag(bool),
    /// For [`Kind::Bytes`].
    Bytes(&'a [u8]),
    /// For [`Kind::Texts`].
    Texts(Cow<'a, [String]>),
}

impl<'a> Cell<'a> {
    /// Text.
    pub fn text(text: impl Into<Cow<'a, str>>) -> Self {
        Cell::Text(text.into())
    }

    /// A value, or nothing.
    pub fn of<T>(value: Option<T>, cell: impl FnOnce(T) -> Cell<'a>) -> Self {
        value.map_or(Cell::Empty, cell)
    }
}

/// Takes rows, each with one cell for each column.
pub trait Sink {
    /// Writes a row.
    ///
    /// # Errors
    /// Those of the writer.
    fn row(&mut self, cells: &[Cell<'_>]) -> io::Result<()>;

    /// Writes what is left. Without it a Parquet file has no end and cannot be read.
    ///
    /// # Errors
    /// Those of the writer.
    fn finish(&mut self) -> io::Result<()>;
}

/// The ways to write a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Comma-separated values with a head (RFC 4180).
    Csv,
    /// One JSON object a line.
    JsonLines,
    /// Apache Parquet.
    Parquet,
}

/// A writer of rows.
///
/// ```
/// use lostnode::table::{Cell, Form, Kind, column, writer};
/// let columns = [column("node", Kind::Text, "name"), column("lost_s", Kind::Real, "seconds")];
/// let mut out = Vec::new();
/// let mut table = writer(Form::Csv, &columns, &mut out).unwrap();
/// table.row(&[Cell::text("door, left"), Cell::Real(2.5)]).unwrap();
/// table.finish().unwrap();
/// drop(table);
/// assert_eq!(out, b"node,lost_s\n\"door, left\",2.5\n");
/// ```
///
/// # Errors
/// Those of the writer.
pub fn writer<'w>(
    form: Form,
    columns: &'w [Column],
    out: impl Write + Send + 'w,
) -> io::Result<Box<dyn Sink + Send + 'w>> {
    Ok(match form {
        Form::Csv => Box::new(Csv::new(columns, out)?),
        Form::JsonLines => Box::new(JsonLines::new(columns, out)),
        Form::Parquet => Box::new(Parquet::new(columns, out)?),
    })
}
