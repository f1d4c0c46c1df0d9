//! Parquet captures that this tool wrote.

use std::cell::Cell;
use std::io::{self, Cursor, Read};
use std::ops::ControlFlow;
use std::panic::{self, AssertUnwindSafe, catch_unwind};
use std::sync::Once;

use lostnode_parsers::Timestamp;
use lostnode_parsers::error::is_channel_name;
use polars::prelude::{
    ArrowDataType, DataFrame, DataType, ParallelStrategy, ParquetReader, PolarsError, SerReader,
};

use super::columns;
use super::fill::whole;
use super::frame_table::{COLUMNS, Parts};
use super::parsed::{Builder, Parsed};
use crate::table::parquet::data_type;

/// First bytes of a file (Apache Parquet, file format).
pub(super) const MAGIC: [u8; 4] = *b"PAR1";
/// Rows that become frames at a time.
const BATCH: usize = 1 << 16;

fn damaged(what: impl ToString) -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        format!("not a Parquet table of frames: {}", what.to_string()),
    )
}

/// Reads rows and hands batches to `take`.
pub(super) fn read(
    reader: impl Read,
    take: &mut dyn FnMut(Parsed) -> ControlFlow<()>,
) -> io::Result<()> {
    // In memory and not mapped: a mapped file that shrinks would kill the process.
    let large = "larger than 4 GiB; write it in parts with `lostnode frames --from --to`";
    let bytes = whole(reader)?.ok_or_else(|| damaged(large))?;
    let mut from = 0;
    loop {
        let frame = guarded(|| slice(&bytes, from))?;
        if frame.height() == 0 {
            return Ok(());
        }
        let mut chunk = Builder::default();
        guarded(|| convert(&frame, from as u64, &mut chunk))?;
        from += frame.height();
        if take(chunk.finish()).is_break() {
            return Ok(());
        }
    }
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

fn slice(bytes: &[u8], from: usize) -> Result<DataFrame, PolarsError> {
    let mut reader = ParquetReader::new(Cursor::new(bytes));
    let schema = reader.schema()?;
    let wanted: Vec<String> =
        COLUMNS.iter().map(|column| column.name.to_owned()).filter(|name| name != "bits").collect();
    for name in &wanted {
        if matches!(schema.try_get(name)?.dtype(), ArrowDataType::Dictionary(..)) {
            let told = format!("column {name} is a dictionary; have it written as plain text");
            return Err(PolarsError::SchemaMismatch(told.into()));
        }
    }
    reader
        .read_parallel(ParallelStrategy::None)
        .with_columns(Some(wanted))
        .with_slice(Some((from, BATCH)))
        .finish()
}

fn convert(frame: &DataFrame, before: u64, chunk: &mut Builder) -> Result<(), PolarsError> {
    // A table that went through another program may have stamps of another unit, or text of another
    // kind.
    let columns = COLUMNS.iter().filter(|column| column.name != "bits");
    let columns: Vec<_> = columns
        .map(|column| frame.column(column.name)?.cast(&data_type(column.kind)))
        .collect::<Result<_, _>>()?;
    let [time, channel, kind, id, extended, dlc, data, brs, esi, _, error_bits] =
        columns.as_slice()
    else {
        return Ok(());
    };
    let time = time.cast(&DataType::Int64)?;
    let (time, channel, kind, id) = (time.i64()?, channel.str()?, kind.str()?, id.str()?);
    let (extended, dlc, data, brs, esi) =
        (extended.bool()?, dlc.i64()?, data.binary()?, brs.bool()?, esi.bool()?);
    let error_bits = error_bits.i64()?;
    for row in 0..frame.height() {
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
