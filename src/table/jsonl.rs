//! One JSON object a line.

use std::io::{self, Write};

use serde::ser::{Serialize, SerializeMap, Serializer};

use super::{Cell, Column, Sink};

/// Writes JSON lines; empty cells are null.
pub struct JsonLines<'c, W> {
    columns: &'c [Column],
    out: W,
}

impl<'c, W: Write> JsonLines<'c, W> {
    /// Nothing is written before the first row.
    pub fn new(columns: &'c [Column], out: W) -> Self {
        JsonLines { columns, out }
    }
}

impl<W: Write> Sink for JsonLines<'_, W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> io::Result<()> {
        serde_json::to_writer(&mut self.out, &Row(self.columns, cells))?;
        self.out.write_all(b"\n")
    }

    fn finish(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

struct Row<'a>(&'a [Column], &'a [Cell<'a>]);

impl Serialize for Row<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (column, cell) in self.0.iter().zip(self.1) {
            match cell {
                Cell::Empty => map.serialize_entry(column.name, &())?,
                Cell::Time(time) => map.serialize_entry(column.name, &time.seconds())?,
                Cell::Text(text) => map.serialize_entry(column.name, text)?,
                Cell::Whole(number) => map.serialize_entry(column.name, number)?,
                Cell::Real(number) => map.serialize_entry(column.name, number)?,
                Cell::Flag(flag) => map.serialize_entry(column.name, flag)?,
                Cell::Bytes(bytes) => {
                    map.serialize_entry(column.name, &hex::encode_upper(bytes))?
                }
                Cell::Texts(texts) => map.serialize_entry(column.name, texts)?,
            }
        }
        map.end()
    }
}
