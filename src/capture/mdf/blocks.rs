//! Blocks of an MDF 4 file and the links between them (ASAM MDF 4, "Block structure": every block
//! begins with `##` and two letters, four bytes reserved, its length, the number of its links, the
//! links, the data; all numbers little-endian).

use std::borrow::Cow;
use std::cell::Cell;
use std::io::{self, Read};

use crate::capture::fill::{DENSEST, MOST_BYTES, SMALL};

/// Bytes of a block before its links.
const HEAD: usize = 24;
/// Levels of lists within lists: a header list, its data lists, their blocks.
const DEEPEST: u32 = 4;

/// A file in memory, whose links are followed so often at most that they cannot go round.
pub(super) struct File<'f> {
    bytes: &'f [u8],
    /// Blocks that may still be visited: each link takes eight bytes.
    visits: Cell<u64>,
    /// Bytes of data that may still be taken out of blocks.
    room: Cell<u64>,
}

/// A block of the file.
#[derive(Clone, Copy)]
pub(super) struct Block<'f> {
    pub id: [u8; 2],
    links: &'f [u8],
    pub data: &'f [u8],
}

pub(super) fn damaged(what: impl ToString) -> io::Error {
    let text = format!("damaged measurement file: {}", what.to_string());
    io::Error::new(io::ErrorKind::InvalidData, text)
}

/// A number of so many bytes at a place; zero where the block is too short, as blocks of older
/// versions are.
pub(super) fn number(bytes: &[u8], at: usize, length: usize) -> u64 {
    let field = bytes.get(at..at + length).unwrap_or_default();
    field.iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte))
}

impl<'f> Block<'f> {
    /// A link by its place, zero where there is none.
    pub fn link(&self, at: usize) -> u64 {
        number(self.links, at * 8, 8)
    }

    /// How many links there are.
    pub fn links(&self) -> usize {
        self.links.len() / 8
    }
}

impl<'f> File<'f> {
    pub fn new(bytes: &'f [u8]) -> Self {
        let length = bytes.len() as u64;
        let room = length.saturating_mul(DENSEST).clamp(SMALL, MOST_BYTES);
        File { bytes, visits: Cell::new(length / 8 + 64), room: Cell::new(room) }
    }

    /// Whether it was written here: the program stands in the ID block.
    pub fn is_own(&self) -> bool {
        self.bytes.get(16..24) == Some(super::write::PROGRAM.as_slice())
    }

    /// The block at an address.
    pub fn block(&self, address: u64) -> io::Result<Block<'f>> {
        let left = self.visits.get().checked_sub(1);
        self.visits.set(left.ok_or_else(|| damaged("its links go round in a circle"))?);
        let outside = || damaged(format!("no block at byte {address}"));
        let at = usize::try_from(address).map_err(|_| outside())?;
        let from_there = self.bytes.get(at..).ok_or_else(outside)?;
        let [b'#', b'#', a, b, ..] = from_there else { return Err(outside()) };
        let length = usize::try_from(number(from_there, 8, 8)).unwrap_or(usize::MAX);
        // A recorder that was cut off has not yet written how long its last data block is.
        let open = self.bytes.starts_with(super::MAGIC[1]) && length <= HEAD;
        let open = open && matches!([*a, *b], [b'D', b'T'] | [b'S', b'D']);
        let whole = match open {
            true => from_there,
            false => from_there.get(..length).unwrap_or(from_there),
        };
        let links = usize::try_from(number(whole, 16, 8)).unwrap_or(usize::MAX);
        let data = links.checked_mul(8).and_then(|links| links.checked_add(HEAD));
        let data = data.filter(|data| *data <= whole.len()).ok_or_else(outside)?;
        Ok(Block { id: [*a, *b], links: &whole[HEAD..data], data: &whole[data..] })
    }

    /// The text of a TX or MD block; empty where there is none.
    pub fn text(&self, address: u64) -> io::Result<Cow<'f, str>> {
        if address == 0 {
            return Ok(Cow::Borrowed(""));
        }
        let data = self.block(address)?.data;
        let end = data.iter().position(|byte| *byte == 0).unwrap_or(data.len());
        Ok(String::from_utf8_lossy(&data[..end]))
    }

    /// All data that a link leads to: one block, or the blocks of lists, unpacked.
    pub fn data(&self, address: u64) -> io::Result<Cow<'f, [u8]>> {
        if address == 0 {
            return Ok(Cow::Borrowed(&[]));
        }
        let block = self.block(address)?;
        if matches!(&block.id, b"DT" | b"SD" | b"DV" | b"RD") {
            return Ok(Cow::Borrowed(block.data));
        }
        let mut out = Vec::new();
        self.collect(block, &mut out, DEEPEST)?;
        Ok(Cow::Owned(out))
    }

    fn collect(&self, block: Block<'f>, out: &mut Vec<u8>, deep: u32) -> io::Result<()> {
        let deep = deep.checked_sub(1).ok_or_else(|| damaged("lists within lists"))?;
        let mut block = block;
        loop {
            match &block.id {
                b"DT" | b"SD" | b"DV" | b"RD" => {
                    self.take_room(block.data.len() as u64)?;
                    out.extend_from_slice(block.data);
                    return Ok(());
                }
                b"DZ" => return self.unpack(block, out),
                // A header of lists (HL), or a list of blocks (DL, LD): the first link leads on.
                b"HL" => block = self.block(block.link(0))?,
                b"DL" | b"LD" => {
                    // A list of columns keeps those of invalid values after its blocks.
                    let count = match &block.id {
                        b"LD" => number(block.data, 4, 4) as usize,
                        _ => block.links() - usize::from(block.links() > 0),
                    };
                    for at in 1..=count.min(block.links().saturating_sub(1)) {
                        match block.link(at) {
                            0 => {}
                            address => self.collect(self.block(address)?, out, deep)?,
                        }
                    }
                    match block.link(0) {
                        0 => return Ok(()),
                        next => block = self.block(next)?,
                    }
                }
                other => {
                    return Err(damaged(format!(
                        "a block {} where data should be",
                        String::from_utf8_lossy(other).escape_debug()
                    )));
                }
            }
        }
    }

    fn take_room(&self, bytes: u64) -> io::Result<()> {
        let left = self.room.get().checked_sub(bytes);
        self.room.set(left.ok_or_else(|| damaged("its data does not end"))?);
        Ok(())
    }

    /// DZ block: which block it was (2 bytes), how it is packed, a reserved byte, the number of
    /// columns (4 bytes), its length before (8) and after (8), the packed bytes.
    fn unpack(&self, block: Block<'f>, out: &mut Vec<u8>) -> io::Result<()> {
        let (way, columns) = (block.data.get(2).copied(), number(block.data, 4, 4) as usize);
        let (length, packed) = (number(block.data, 8, 8), block.data.get(24..).unwrap_or_default());
        self.take_room(length)?;
        let begin = out.len();
        let read = match way {
            Some(0 | 1) => flate2::read::ZlibDecoder::new(packed).take(length).read_to_end(out),
            Some(2 | 3) => zstd::stream::read::Decoder::new(packed)?.take(length).read_to_end(out),
            _ => return Err(damaged("data packed in a way that is not known")),
        };
        read.map_err(damaged)?;
        if matches!(way, Some(1 | 3)) {
            let turned = transposed(&out[begin..], columns);
            out.truncate(begin);
            out.extend(turned);
        }
        Ok(())
    }
}

/// Bytes that were written column after column, row after row again. What did not fill a row stands
/// behind as it was.
fn transposed(bytes: &[u8], columns: usize) -> Vec<u8> {
    let rows = bytes.len().checked_div(columns).unwrap_or(0);
    let (table, rest) = bytes.split_at(rows * columns);
    let mut out = vec![0; table.len()];
    if rows > 0 {
        for (column, values) in table.chunks(rows).enumerate() {
            for (row, value) in values.iter().enumerate() {
                out[row * columns + column] = *value;
            }
        }
    }
    out.extend_from_slice(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::transposed;

    #[test]
    fn columns_become_rows() {
        assert_eq!(transposed(&[1, 3, 5, 2, 4, 6, 7], 2), [1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(transposed(&[1, 2, 3], 0), [1, 2, 3]);
        assert_eq!(transposed(&[1, 2, 3], 5), [1, 2, 3]);
    }
}
