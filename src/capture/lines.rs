//! Cuts a stream into chunks that end at a line end, in memory that a line without end cannot blow up.

use std::io::{self, Read};

use super::input::fill;
use super::pool::Pool;

/// Longest line that is looked at, in bytes. A CAN FD line is about 160 long.
pub(super) const LONGEST_LINE: usize = 64 << 10;

/// Consecutive whole lines.
pub(super) struct Chunk {
    /// Memory that has been used before; the lines are its first `length` bytes.
    pub bytes: Vec<u8>,
    pub length: usize,
    /// A line too long to be kept follows the bytes: it counts as one rejected line.
    pub overlong: bool,
}

/// The chunks of a stream in order. After an error of the stream what was read before it is still handed out.
pub(super) struct Chunks<'p, R> {
    reader: R,
    pool: &'p Pool,
    size: usize,
    /// Beginning of a line whose end has not been read yet.
    carry: Vec<u8>,
    state: State,
    /// Why the stream ended early; told once all before it has been handed out.
    failure: Option<io::Error>,
}

#[derive(PartialEq)]
enum State {
    Reading,
    /// Inside a line that is being thrown away.
    Skipping,
    Done,
}

impl<'p, R: Read> Chunks<'p, R> {
    pub fn new(reader: R, size: usize, pool: &'p Pool) -> Self {
        Chunks { reader, pool, size: size.max(1), carry: Vec::new(), state: State::Reading, failure: None }
    }

    /// The next chunk; `None` at the end.
    pub fn next(&mut self) -> io::Result<Option<Chunk>> {
        while self.state != State::Done {
            let kept = self.carry.len();
            let mut bytes = self.pool.bytes(kept + self.size);
            bytes[..kept].copy_from_slice(&self.carry);
            self.carry.clear();
            let (read, failure) = fill(&mut self.reader, &mut bytes[kept..kept + self.size]);
            self.failure = failure;
            let mut length = kept + read;
            let ended = read < self.size;
            if self.state == State::Skipping {
                match memchr::memchr(b'\n', &bytes[..length]) {
                    Some(at) => {
                        bytes.copy_within(at + 1..length, 0);
                        length -= at + 1;
                        self.state = State::Reading;
                    }
                    None => {
                        self.pool.give_bytes(bytes);
                        if ended {
                            self.state = State::Done;
                        }
                        continue;
                    }
                }
            }
            if ended {
                self.state = State::Done;
                if length == 0 {
                    break;
                }
                return Ok(Some(Chunk { bytes, length, overlong: false }));
            }
            let end = memchr::memrchr(b'\n', &bytes[..length]).map_or(0, |at| at + 1);
            self.carry.extend_from_slice(&bytes[end..length]);
            let overlong = self.carry.len() > LONGEST_LINE;
            if overlong {
                self.carry.clear();
                self.state = State::Skipping;
            }
            if end > 0 || overlong {
                return Ok(Some(Chunk { bytes, length: end, overlong }));
            }
            self.pool.give_bytes(bytes);
        }
        self.failure.take().map_or(Ok(None), Err)
    }
}
