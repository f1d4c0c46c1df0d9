//! Cuts a stream into chunks that end at a line end, in memory that a line without end cannot blow up.

use std::io::{self, Read};

use super::input::fill;

/// Longest line that is looked at, in bytes. A CAN FD line is about 160 long.
pub(super) const LONGEST_LINE: usize = 64 << 10;

/// Consecutive whole lines.
pub(super) struct Chunk {
    pub bytes: Vec<u8>,
    /// A line too long to be kept follows the bytes: it counts as one rejected line.
    pub overlong: bool,
}

/// The chunks of a stream in order. After an error of the stream what was read before it is still handed out.
pub(super) struct Chunks<R> {
    reader: R,
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

impl<R: Read> Chunks<R> {
    pub fn new(reader: R, size: usize) -> Self {
        Chunks { reader, size: size.max(1), carry: Vec::new(), state: State::Reading, failure: None }
    }

    /// The next chunk; `None` at the end.
    pub fn next(&mut self) -> io::Result<Option<Chunk>> {
        while self.state != State::Done {
            let mut bytes = std::mem::take(&mut self.carry);
            let kept = bytes.len();
            bytes.resize(kept + self.size, 0);
            let (read, failure) = fill(&mut self.reader, &mut bytes[kept..]);
            self.failure = failure;
            bytes.truncate(kept + read);
            let ended = read < self.size;
            if self.state == State::Skipping {
                match memchr::memchr(b'\n', &bytes) {
                    Some(at) => {
                        bytes.drain(..=at);
                        self.state = State::Reading;
                    }
                    None => {
                        bytes.clear();
                        if ended {
                            self.state = State::Done;
                        }
                        continue;
                    }
                }
            }
            if ended {
                self.state = State::Done;
                if bytes.is_empty() {
                    break;
                }
                return Ok(Some(Chunk { bytes, overlong: false }));
            }
            let end = memchr::memrchr(b'\n', &bytes).map_or(0, |at| at + 1);
            self.carry = bytes.split_off(end);
            let overlong = self.carry.len() > LONGEST_LINE;
            if overlong {
                self.carry.clear();
                self.state = State::Skipping;
            }
            if !bytes.is_empty() || overlong {
                return Ok(Some(Chunk { bytes, overlong }));
            }
        }
        self.failure.take().map_or(Ok(None), Err)
    }
}
