//! Parquet captures that this tool wrote.

use std::cell::Cell;
use std::io::{self, Cursor, Read};
use std::ops::ControlFlow;
use std::ops::Range;
use std::panic::{self, AssertUnwindSafe, catch_unwind};
use std::sync::Once;
use std::sync::atomic::AtomicU64;

use lostnode_parsers::Timestamp;
use lostnode_parsers::error::is_channel_name;
use polars_arrow::array::{
    Array, BinaryViewArray, BooleanArray, PrimitiveArray, StaticArray, Utf8ViewArray,
};
use polars_arrow::datatypes::{ArrowDataType, Field};
use polars_compute::cast::{CastOptionsImpl, cast};
use polars_error::PolarsError;
use polars_parquet::read::{
    BasicDecompressor, FileMetadata, Filter, PageReader, RowGroupMetadata, column_iter_to_arrays,
    infer_schema, read_metadata,
};
use polars_utils::mmap::{MemReader, MemSlice};

use super::columns;
use super::fill::{TooLarge, UNPACKED, whole};
use super::frame_table::{COLUMNS, Parts};
use super::parsed::{Builder, Parsed};
use super::seems::OWN_TABLES;
use crate::table::gathered::data_type;
use crate::table::{Column, Kind};

/// First bytes of a file (Apache Parquet, file format).
pub(super) const MAGIC: [u8; 4] = *b"PAR1";
/// Rows that become frames at a time.
const BATCH: usize = 1 << 16;
const SHORT: &str = "damaged: it has fewer rows than it says";

fn damaged(what: impl ToString) -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        format!("not a Parquet table of frames: {}", what.to_string()),
    )
}

/// Reads rows and hands batches to `take`.
pub(super) fn read(
    reader: impl Read,
    packed: Option<&AtomicU64>,
    take: &mut dyn FnMut(Parsed) -> ControlFlow<()>,
) -> io::Result<()> {
    // In memory and not mapped: a mapped file that shrinks would kill the process.
    let bytes = whole(reader, packed)?.map_err(|why| match why {
        TooLarge::Plain => {
            damaged("larger than 4 GiB; write it in parts with `lostnode frames --from --to`")
        }
        TooLarge::Unpacked => damaged(UNPACKED),
    })?;
    let (metadata, fields) = guarded(|| head(&bytes))?;
    let bytes = MemSlice::from_vec(bytes);
    let mut before = 0;
    for group in &metadata.row_groups {
        for from in (0..group.num_rows()).step_by(BATCH) {
            let rows = from..group.num_rows().min(from + BATCH);
            let mut chunk = Builder::default();
            guarded(|| {
                let columns = fields.iter().map(|field| column(&bytes, group, field, &rows));
                let columns = columns.collect::<Result<Vec<_>, _>>()?;
                // The end of the file is believed no further than rows come.
                if columns.iter().any(|column| column.len() != rows.len()) {
                    return Err(PolarsError::ComputeError(SHORT.into()));
                }
                convert(&columns, before + from as u64, &mut chunk)
            })?;
            if take(chunk.finish()).is_break() {
                return Ok(());
            }
        }
        before += group.num_rows() as u64;
    }
    Ok(())
}

thread_local! {
    /// Whether a panic of this thread is caught and told in other words.
    static CAUGHT: Cell<bool> = const { Cell::new(false) };
}

/// Runs a part of the library, which is made for files it can trust: that it panics on damaged ones
/// must not end a run over thousands, nor print what only its authors understand.
fn guarded<T>(work: impl FnOnce() -> Result<T, PolarsError>) -> io::Result<T> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let others = panic::take_hook();
        panic::set_hook(Box::new(move |told| {
            if !CAUGHT.get() {
                others(told);
            }
        }));
    });
    CAUGHT.set(true);
    let done = catch_unwind(AssertUnwindSafe(work));
    CAUGHT.set(false);
    done.map_err(|_| damaged("damaged"))?.map_err(|error| damaged(error.to_string()))
}

/// What a table of lostnode's own is told by.
const OWN_TABLE: &str = "a table that lostnode wrote about a capture";

/// Whether a file could not be read since it is such a table.
pub(super) fn is_own_table(error: &io::Error) -> bool {
    error.to_string().ends_with(OWN_TABLE)
}

/// What the end of the file says of it, and the columns that are read.
fn head(bytes: &[u8]) -> Result<(FileMetadata, Vec<Field>), PolarsError> {
    let metadata = read_metadata(&mut Cursor::new(bytes))?;
    let schema = infer_schema(&metadata)?;
    let has = |name: &str| schema.get(name).is_some();
    if OWN_TABLES.iter().any(|head| head.split_terminator(',').all(has)) {
        return Err(PolarsError::SchemaMismatch(OWN_TABLE.into()));
    }
    let wanted = COLUMNS.iter().filter(|column| column.name != "bits");
    let field = |column: &Column| {
        let name = column.name;
        let field = schema.get(name);
        let field =
            field.ok_or_else(|| PolarsError::SchemaFieldNotFound(name.to_owned().into()))?;
        if matches!(field.dtype, ArrowDataType::Dictionary(..)) {
            let told = format!("column {name} is a dictionary; have it written as plain text");
            return Err(PolarsError::SchemaMismatch(told.into()));
        }
        // A number would be read as the digits of a hexadecimal one, and a text as no time at all.
        let fits = match column.kind {
            Kind::Text => matches!(
                field.dtype,
                ArrowDataType::Utf8
                    | ArrowDataType::LargeUtf8
                    | ArrowDataType::Utf8View
                    | ArrowDataType::Null
            ),
            Kind::Time => {
                matches!(field.dtype, ArrowDataType::Timestamp(..) | ArrowDataType::Null)
            }
            _ => true,
        };
        if !fits {
            let told = match column.kind {
                Kind::Time => {
                    format!("column {name} holds no time stamps; have it written as such")
                }
                _ => format!("column {name} holds no text; have it written as lostnode does"),
            };
            return Err(PolarsError::SchemaMismatch(told.into()));
        }
        Ok(field.clone())
    };
    let fields = wanted.map(field).collect::<Result<_, _>>()?;
    Ok((metadata, fields))
}

/// Some rows of a column.
fn column(
    bytes: &MemSlice,
    group: &RowGroupMetadata,
    field: &Field,
    rows: &Range<usize>,
) -> Result<Box<dyn Array>, PolarsError> {
    let chunks = group.columns_under_root_iter(&field.name).into_iter().flatten();
    let (pages, types) = chunks
        .map(|chunk| {
            let Range { start, end } = chunk.byte_range();
            let bytes = bytes.slice(start as usize..end as usize);
            let pages = PageReader::new(MemReader::new(bytes), chunk, Vec::new(), usize::MAX);
            let kind = &chunk.descriptor().descriptor.primitive_type;
            (BasicDecompressor::new(pages, Vec::new()), kind)
        })
        .unzip();
    let rows = Filter::new_ranged(rows.start, rows.end);
    column_iter_to_arrays(pages, types, field.clone(), Some(rows))
}

type Whole = PrimitiveArray<i64>;
type Text = Utf8ViewArray;
type Flag = BooleanArray;

/// A column as the kind of array that its type is kept in.
fn of<T: Array>(array: &dyn Array) -> Result<&T, PolarsError> {
    let told = || PolarsError::SchemaMismatch("a column of another type".into());
    array.as_any().downcast_ref::<T>().ok_or_else(told)
}

fn convert(
    columns: &[Box<dyn Array>],
    before: u64,
    chunk: &mut Builder,
) -> Result<(), PolarsError> {
    // A table that went through another program may have stamps of another unit, or text of another
    // kind.
    let wanted = COLUMNS.iter().filter(|column| column.name != "bits");
    let columns: Vec<_> = columns
        .iter()
        .zip(wanted)
        .map(|(array, column)| {
            cast(array.as_ref(), &data_type(column.kind), CastOptionsImpl::default())
        })
        .collect::<Result<_, _>>()?;
    let columns: Vec<&dyn Array> = columns.iter().map(AsRef::as_ref).collect();
    let [time, channel, kind, id, extended, dlc, data, brs, esi, _, error_bits] =
        *columns.as_slice()
    else {
        return Ok(());
    };
    let (time, dlc): (&Whole, &Whole) = (of(time)?, of(dlc)?);
    let error_bits: &Whole = of(error_bits)?;
    let (channel, kind, id): (&Text, &Text, &Text) = (of(channel)?, of(kind)?, of(id)?);
    let (extended, brs, esi): (&Flag, &Flag, &Flag) = (of(extended)?, of(brs)?, of(esi)?);
    let data: &BinaryViewArray = of(data)?;
    for row in 0..time.len() {
        chunk.lines += 1;
        let number = before + row as u64 + 1;
        let parts = Parts {
            kind: kind.get(row).unwrap_or_default(),
            id: id.get(row).and_then(|id| columns::number(id, 16)),
            extended: extended.get(row),
            dlc: dlc.get(row).and_then(|dlc| u64::try_from(dlc).ok()),
            data: data.get(row).unwrap_or_default(),
            brs: brs.get(row),
            esi: esi.get(row),
            error_bits: error_bits.get(row).and_then(|bits| u64::try_from(bits).ok()),
        };
        let name = channel.get(row).unwrap_or("can0");
        let made = match is_channel_name(name.as_bytes())
            .then(|| chunk.channels.of(name, number))
            .flatten()
        {
            Some(channel) => parts.frame().map(|kind| (channel, kind)),
            None => Err("a channel name that is none, or one too many".to_owned()),
        };
        match made {
            Ok((channel, kind)) => {
                chunk.add(
                    time.get(row).map(Timestamp::from_nanoseconds),
                    channel,
                    kind.map_fd(Box::new),
                );
            }
            Err(reason) => chunk.reject(number, reason),
        }
    }
    Ok(())
}
