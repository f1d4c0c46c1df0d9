//! Bus logging of ASAM MDF 4: measurement files in which data, remote and error frames of CAN are
//! records. Sorted (one group of records a list) and unsorted (several, as they came), in one block
//! or in lists, packed or not.
//!
//! The standard is sold by ASAM; its block layouts are public in the source of open libraries, and
//! `tests/second_readers.rs` holds this against one of them, both ways.

mod blocks;
mod layout;
mod records;
pub mod write;

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};
use std::io::{self, Read};
use std::ops::ControlFlow;
use std::sync::atomic::AtomicU64;

use lostnode_parsers::{FrameKind, Timestamp};

use self::blocks::{File, damaged, number};
use self::records::List;
use super::channels::TOO_MANY;
use super::fill::{TooLarge, UNPACKED, fill, whole};
use super::parsed::{Builder, Parsed};

/// First bytes of a file, of one that was closed and of one that was not (ID block).
const MAGIC: [&[u8; 8]; 2] = [b"MDF     ", b"UnFinMF "];
/// Where the header block begins: behind the ID block.
const HEADER: u64 = 64;
/// Records that become frames at a time.
const BATCH: usize = 16_384;

/// Whether these are the first bytes of a measurement file.
pub(super) fn is_mdf(first: &[u8]) -> bool {
    MAGIC.iter().any(|magic| first.starts_with(*magic))
}

/// Reads the frames of a file in order of time and hands batches to `take`.
pub(super) fn read(
    mut reader: impl Read,
    packed: Option<&AtomicU64>,
    take: &mut dyn FnMut(Parsed) -> ControlFlow<()>,
) -> io::Result<()> {
    // The header block follows at once: what has none is not read on for gigabytes.
    let mut head = [0; HEADER as usize + 4];
    let (length, failure) = fill(&mut reader, &mut head);
    if let Some(error) = failure {
        return Err(error);
    }
    let version = number(&head, 28, 2);
    if version < 400 {
        return Err(io::Error::new(
            io::ErrorKind::InvalidData,
            "an ASAM MDF file older than version 4, which has no bus logging; the library asammdf \
             of PyPI converts what signals it holds",
        ));
    }
    if !head[HEADER as usize..length.max(HEADER as usize)].starts_with(b"##") {
        return Err(damaged(format!("no block at byte {HEADER}")));
    }
    let all = io::Cursor::new(&head[..length]).chain(reader);
    let bytes = whole(all, packed)?.map_err(|why| match why {
        TooLarge::Plain => damaged("larger than 4 GiB; cut it into parts"),
        TooLarge::Unpacked => damaged(UNPACKED),
    })?;
    let file = File::new(&bytes);
    let header = file.block(HEADER)?;
    let start = number(header.data, 0, 8) as i64;
    let (lists, other) = lists(&file, header.link(0))?;
    if lists.is_empty() {
        let text = format!(
            "an ASAM MDF file with {other} groups of measured signals and no bus logging: no \
             frames of CAN are in it"
        );
        return Err(io::Error::new(io::ErrorKind::InvalidData, text));
    }
    merged(lists, start, take)
}

/// The data groups that hold frames, and how many groups hold something else.
fn lists<'f>(file: &File<'f>, mut address: u64) -> io::Result<(Vec<List<'f>>, usize)> {
    let (mut out, mut other) = (Vec::new(), 0);
    while address != 0 {
        let block = file.block(address)?;
        let groups = layout::groups(file, block.link(1))?;
        let with_frames = groups.iter().filter(|group| group.layout.is_some()).count();
        other += groups.iter().filter(|group| !group.varies).count() - with_frames;
        if with_frames > 0 {
            out.push(List::new(file, block, groups)?);
        }
        address = block.link(0);
    }
    Ok((out, other))
}

/// Puts the frames of all lists in order of time: each is in order by itself.
fn merged(
    mut lists: Vec<List<'_>>,
    start: i64,
    take: &mut dyn FnMut(Parsed) -> ControlFlow<()>,
) -> io::Result<()> {
    let mut next: Vec<_> = lists.iter_mut().map(Iterator::next).collect();
    let time = |record: &Option<records::Record>| {
        record.as_ref().map(|record| record.time.unwrap_or(i64::MIN))
    };
    let mut order: BinaryHeap<_> =
        next.iter().enumerate().filter_map(|(at, own)| Some(Reverse((time(own)?, at)))).collect();
    let (mut chunk, mut number) = (Builder::default(), 0_u64);
    let mut names = Names::default();
    while let Some(Reverse((_, at))) = order.pop() {
        let Some(record) = std::mem::replace(&mut next[at], lists[at].next()) else { continue };
        order.extend(time(&next[at]).map(|time| Reverse((time, at))));
        number += 1;
        chunk.lines += 1;
        let time = record.time.map(|time| Timestamp::from_nanoseconds(start.saturating_add(time)));
        match (record.frame, chunk.channels.of(names.of(record.bus), number)) {
            (Ok(kind), Some(channel)) => {
                chunk.add(time, channel, FrameKind::map_fd(kind, Box::new))
            }
            (Ok(_), None) => chunk.reject(number, TOO_MANY.to_owned()),
            (Err(reason), _) => chunk.reject(number, reason),
        }
        if chunk.frames.len() + chunk.rejections.len() >= BATCH
            && take(std::mem::take(&mut chunk).finish()).is_break()
        {
            return Ok(());
        }
    }
    let _ = take(chunk.finish());
    match lists.iter().find_map(|list| list.fault()) {
        Some(fault) => Err(damaged(fault)),
        None => Ok(()),
    }
}

/// What the channels are called: by the number of the bus.
#[derive(Default)]
struct Names(HashMap<u64, String>);

impl Names {
    fn of(&mut self, bus: Option<u64>) -> &str {
        let bus = bus.unwrap_or(0);
        self.0.entry(bus).or_insert_with(|| format!("can{bus}"))
    }
}
