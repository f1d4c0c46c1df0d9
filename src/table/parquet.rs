//! Apache Parquet, a group of rows at a time.

use std::io::{self, Write};

use polars_arrow::array::Array;
use polars_arrow::datatypes::{ArrowDataType, ArrowSchema, PhysicalType, PrimitiveType};
use polars_error::PolarsError;
use polars_parquet::read::ParquetError;
use polars_parquet::write::{
    CompressedPage, CompressionOptions, Compressor, DynIter, DynStreamingIterator, Encoding,
    FallibleStreamingIterator, FileWriter, Page, ParquetType, StatisticsOptions, Version,
    WriteOptions, array_to_columns, transverse,
};

use super::gathered::Gathered;
use super::{Cell, Column, Sink};

/// Rows held before they are written; what a reader fetches at a time.
const GROUP: usize = 1 << 16;

/// Writes Parquet, compressed with zstd. Time stamps are nanoseconds without a zone; numbers are 64
/// bits wide.
pub struct Parquet<W: Write> {
    rows: Gathered,
    encodings: Vec<Vec<Encoding>>,
    options: WriteOptions,
    out: FileWriter<W>,
}

/// The pages of one column, packed.
type Pages = DynStreamingIterator<'static, CompressedPage, PolarsError>;

impl<W: Write> Parquet<W> {
    /// Begins the file.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn new(columns: &[Column], out: W) -> io::Result<Self> {
        let rows = Gathered::new(columns);
        let fields = rows.fields();
        let encodings = fields.iter().map(|field| transverse(&field.dtype, encoding)).collect();
        let schema: ArrowSchema =
            fields.into_iter().map(|field| (field.name.clone(), field)).collect();
        let options = WriteOptions {
            statistics: StatisticsOptions::default(),
            version: Version::V1,
            compression: CompressionOptions::Zstd(None),
            data_page_size: None,
        };
        let out = FileWriter::try_new(out, schema, options).map_err(failed)?;
        Ok(Parquet { rows, encodings, options, out })
    }

    fn flush(&mut self) -> io::Result<()> {
        let mut pages = Vec::new();
        let arrays = self.rows.take();
        let columns =
            arrays.into_iter().zip(self.out.parquet_schema().fields()).zip(&self.encodings);
        for ((array, kind), encodings) in columns {
            pages.extend(packed(array, kind, encodings, self.options).map_err(failed)?);
        }
        self.out.write(DynIter::new(pages.into_iter().map(Ok))).map_err(failed)
    }
}

/// The pages of a column; of lists there may be several columns.
fn packed(
    array: Box<dyn Array>,
    kind: &ParquetType,
    encodings: &[Encoding],
    options: WriteOptions,
) -> Result<Vec<Pages>, PolarsError> {
    let again = |error: PolarsError| ParquetError::FeatureNotSupported(error.to_string());
    let columns = array_to_columns(array, kind.clone(), options, encodings)?;
    let packed = |pages: DynIter<'static, Result<Page, PolarsError>>| {
        let pages = pages.map(move |page| page.map_err(again));
        let compressor = Compressor::new_from_vec(pages, options.compression, Vec::new());
        DynStreamingIterator::new(compressor.map_err(PolarsError::from))
    };
    Ok(columns.into_iter().map(packed).collect())
}

/// What repeats itself is written once and counted; of measured numbers hardly one is like another.
fn encoding(kind: &ArrowDataType) -> Encoding {
    match kind.to_physical_type() {
        PhysicalType::Utf8View | PhysicalType::BinaryView => Encoding::RleDictionary,
        PhysicalType::Primitive(PrimitiveType::Int64) => Encoding::RleDictionary,
        _ => Encoding::Plain,
    }
}

fn failed(error: PolarsError) -> io::Error {
    match error {
        // A full disk, or a reader that has gone, is told as what it is.
        PolarsError::IO { error, .. } => io::Error::new(error.kind(), error.to_string()),
        other => io::Error::other(other.to_string()),
    }
}

impl<W: Write> Sink for Parquet<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> io::Result<()> {
        self.rows.row(cells)?;
        if self.rows.rows() == GROUP { self.flush() } else { Ok(()) }
    }

    fn finish(&mut self) -> io::Result<()> {
        if self.rows.rows() > 0 {
            self.flush()?;
        }
        self.out.end(None).map_err(failed)?;
        Ok(())
    }
}
