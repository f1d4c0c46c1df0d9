//! Whole reads: a pipe or a decompressor may give less than was asked for at a time.

use std::io::{self, Read};
use std::sync::atomic::{AtomicU64, Ordering};

/// Bytes between two looks at how large a file that is read whole has become.
const CHUNK: u64 = 1 << 20;

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
/// Largest one that was packed, once it is unpacked.
const MOST_UNPACKED: u64 = 1 << 30;
/// No recording packs smaller than by this: each of its records, of some 20 to 100 bytes, has a
/// time of its own, of which packing leaves a bit or more. No source; what was recorded packs by 3
/// to 30.
pub(super) const DENSEST: u64 = 256;
/// What may be unpacked of any file, however small.
pub(super) const SMALL: u64 = 64 << 20;

/// Why a file is not read whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum TooLarge {
    /// As large as [`MOST_BYTES`], or larger.
    Plain,
    /// It was packed, and unpacks to more than a recording would, or than there is room for.
    Unpacked,
}

/// What is said of the latter.
pub(super) const UNPACKED: &str =
    "it unpacks to more than 1 GiB, or to more than a recording would; unpack it first";

/// All of a file, of which so many bytes have been read as they lie there, where it was packed.
pub(super) fn whole(
    mut reader: impl Read,
    packed: Option<&AtomicU64>,
) -> io::Result<Result<Vec<u8>, TooLarge>> {
    let mut bytes = Vec::new();
    loop {
        let (most, why) = match packed.map(|packed| packed.load(Ordering::Relaxed)) {
            None => (MOST_BYTES, TooLarge::Plain),
            Some(read) => {
                let most = read.saturating_mul(DENSEST).clamp(SMALL, MOST_UNPACKED);
                (most, TooLarge::Unpacked)
            }
        };
        let room = most.saturating_sub(bytes.len() as u64);
        if room == 0 {
            return Ok(Err(why));
        }
        if reader.by_ref().take(room.min(CHUNK)).read_to_end(&mut bytes)? == 0 {
            return Ok(Ok(bytes));
        }
    }
}
