//! Whole reads: a pipe or a decompressor may give less than was asked for at a time.

use std::io::{self, Read};

/// Reads until `buffer` is full, the input ends or fails; how far it came, and the failure.
pub(super) fn fill(reader: &mut impl Read, buffer: &mut [u8]) -> (usize, Option<io::Error>) {
    let mut length = 0;
    while length < buffer.len() {
        match reader.read(&mut buffer[length..]) {
            Ok(0) => break,
            Ok(read) => length += read,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return (length, Some(error)),
        }
    }
    (length, None)
}

/// One read, of as much as there is; what came, and the failure.
pub(super) fn once(reader: &mut impl Read, buffer: &mut [u8]) -> (usize, Option<io::Error>) {
    loop {
        match reader.read(buffer) {
            Ok(read) => return (read, None),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return (0, Some(error)),
        }
    }
}

/// Largest file that is read whole, in bytes: one whose index stands at its end, or whose blocks
/// stand anywhere, must be held in memory.
pub(super) const MOST_BYTES: u64 = 4 << 30;

/// All of a file; `None` where it is as large as [`MOST_BYTES`] or larger.
pub(super) fn whole(reader: impl Read) -> io::Result<Option<Vec<u8>>> {
    let mut bytes = Vec::new();
    let length = reader.take(MOST_BYTES).read_to_end(&mut bytes)? as u64;
    Ok((length < MOST_BYTES).then_some(bytes))
}
