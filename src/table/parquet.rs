//! Apache Parquet, a group of rows at a time.

use std::io::{self, Write};

use lostnode_parsers::Timestamp;
use polars::io::parquet::write::BatchedWriter;
use polars::prelude::{
    BinaryChunked, BooleanChunked, Column as Chunk, DataFrame, DataType, Float64Chunked,
    Int64Chunked, IntoColumn, IntoSeries, ListChunked, NewChunkedArray, ParquetWriter, PlSmallStr,
    PolarsError, Schema, Series, StringChunked, TimeUnit,
};

use super::{Cell, Column, Kind, Sink};

/// Rows held before they are written; what a reader fetches at a time.
const GROUP: usize = 1 << 16;

/// Writes Parquet, compressed with zstd. Time stamps are nanoseconds without a zone; numbers are 64
/// bits wide.
pub struct Parquet<W: Write> {
    columns: Vec<Values>,
    names: Vec<&'static str>,
    rows: usize,
    out: BatchedWriter<W>,
}

/// What has been gathered of a column.
enum Values {
    Time(Vec<Option<i64>>),
    Text(Vec<Option<String>>),
    Whole(Vec<Option<i64>>),
    Real(Vec<Option<f64>>),
    Flag(Vec<Option<bool>>),
    Bytes(Vec<Option<Vec<u8>>>),
    Texts(Vec<Option<Vec<String>>>),
}

const TIME: DataType = DataType::Datetime(TimeUnit::Nanoseconds, None);

/// The type of a column in polars, which is also what other readers are told.
pub(crate) fn data_type(kind: Kind) -> DataType {
    match kind {
        Kind::Time => TIME,
        Kind::Text => DataType::String,
        Kind::Whole => DataType::Int64,
        Kind::Real => DataType::Float64,
        Kind::Flag => DataType::Boolean,
        Kind::Bytes => DataType::Binary,
        Kind::Texts => DataType::List(Box::new(DataType::String)),
    }
}

fn failed(error: PolarsError) -> io::Error {
    match error {
        // A full disk, or a reader that has gone, is told as what it is.
        PolarsError::IO { error, .. } => io::Error::new(error.kind(), error.to_string()),
        other => io::Error::other(other.to_string()),
    }
}

impl<W: Write> Parquet<W> {
    /// Begins the file.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn new(columns: &[Column], out: W) -> io::Result<Self> {
        let schema = Schema::from_iter(
            columns.iter().map(|column| (PlSmallStr::from(column.name), data_type(column.kind))),
        );
        Ok(Parquet {
            columns: columns.iter().map(|column| Values::new(column.kind)).collect(),
            names: columns.iter().map(|column| column.name).collect(),
            rows: 0,
            out: ParquetWriter::new(out).set_parallel(false).batched(&schema).map_err(failed)?,
        })
    }

    fn flush(&mut self) -> io::Result<()> {
        let chunks: Vec<Chunk> = self
            .names
            .iter()
            .zip(&mut self.columns)
            .map(|(name, values)| values.take(name))
            .collect();
        self.rows = 0;
        let frame = DataFrame::new(chunks).map_err(failed)?;
        self.out.write_batch(&frame).map_err(failed)
    }
}

impl<W: Write> Sink for Parquet<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> io::Result<()> {
        debug_assert_eq!(cells.len(), self.columns.len());
        for (values, cell) in self.columns.iter_mut().zip(cells) {
            values.push(cell);
        }
        self.rows += 1;
        if self.rows == GROUP { self.flush() } else { Ok(()) }
    }

    fn finish(&mut self) -> io::Result<()> {
        if self.rows > 0 {
            self.flush()?;
        }
        self.out.finish().map_err(failed)?;
        Ok(())
    }
}

impl Values {
    fn new(kind: Kind) -> Self {
        match kind {
            Kind::Time => Values::Time(Vec::new()),
            Kind::Text => Values::Text(Vec::new()),
            Kind::Whole => Values::Whole(Vec::new()),
            Kind::Real => Values::Real(Vec::new()),
            Kind::Flag => Values::Flag(Vec::new()),
            Kind::Bytes => Values::Bytes(Vec::new()),
            Kind::Texts => Values::Texts(Vec::new()),
        }
    }

    /// A cell of another kind than its column's is an empty one; the tests of every table would
    /// show it.
    fn push(&mut self, cell: &Cell<'_>) {
        match (self, cell) {
            (Values::Time(values), Cell::Time(time)) => {
                values.push(Some(Timestamp::nanoseconds(*time)))
            }
            (Values::Text(values), Cell::Text(text)) => {
                values.push(Some(text.clone().into_owned()))
            }
            (Values::Whole(values), Cell::Whole(number)) => {
                values.push(i64::try_from(*number).ok())
            }
            (Values::Real(values), Cell::Real(number)) => values.push(Some(*number)),
            (Values::Flag(values), Cell::Flag(flag)) => values.push(Some(*flag)),
            (Values::Bytes(values), Cell::Bytes(bytes)) => values.push(Some(bytes.to_vec())),
            (Values::Texts(values), Cell::Texts(texts)) => {
                values.push(Some(texts.clone().into_owned()))
            }
            (Values::Time(values) | Values::Whole(values), _) => values.push(None),
            (Values::Text(values), _) => values.push(None),
            (Values::Real(values), _) => values.push(None),
            (Values::Flag(values), _) => values.push(None),
            (Values::Bytes(values), _) => values.push(None),
            (Values::Texts(values), _) => values.push(None),
        }
    }

    fn take(&mut self, name: &str) -> Chunk {
        let name = PlSmallStr::from(name);
        match self {
            Values::Time(values) => Int64Chunked::from_iter_options(name, values.drain(..))
                .into_datetime(TimeUnit::Nanoseconds, None)
                .into_series()
                .into_column(),
            Values::Text(values) => {
                StringChunked::from_iter_options(name, values.drain(..)).into_column()
            }
            Values::Whole(values) => {
                Int64Chunked::from_iter_options(name, values.drain(..)).into_column()
            }
            Values::Real(values) => {
                Float64Chunked::from_iter_options(name, values.drain(..)).into_column()
            }
            Values::Flag(values) => {
                BooleanChunked::from_iter_options(name, values.drain(..)).into_column()
            }
            Values::Bytes(values) => {
                BinaryChunked::from_iter_options(name, values.drain(..)).into_column()
            }
            Values::Texts(values) => {
                let lists = values.drain(..).map(|texts| {
                    texts.map(|texts| {
                        StringChunked::from_iter_values(PlSmallStr::EMPTY, texts.into_iter())
                            .into_series()
                    })
                });
                let mut column: ListChunked =
                    lists.collect::<Vec<Option<Series>>>().into_iter().collect();
                column.rename(name);
                column.into_column()
            }
        }
    }
}
