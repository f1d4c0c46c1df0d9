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
