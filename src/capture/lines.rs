//! Cuts a stream into chunks that end at a line end, in memory that a line without end cannot blow
//! up.

use std::io::{self, Read};

use super::fill::{fill, once};

/// Longest line that is looked at, in bytes. A CAN FD line is about 160 long.
pub(super) const LONGEST_LINE: usize = 64 << 10;

/// Consecutive whole lines.
pub(super) struct Chunk<'b> {
    pub bytes: &'b [u8],
    /// A line too long to be kept follows the bytes: it counts as one rejected line.
    pub overlong: bool,
}

/// The chunks of a stream in order. After an error of the stream what was read before it is still
/// handed out.
pub(super) struct Chunks<R> {
    reader: R,
    size: usize,
    /// What one read gives is a chunk, as of a stream that is watched.
    at_once: bool,
    /// Beginning of a line whose end has not been read yet.
    carry: Vec<u8>,
    /// Nothing has been read yet.
    first: bool,
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
    pub fn new(reader: R, size: usize, at_once: bool) -> Self {
        Chunks {
            reader,
            size: size.max(1),
            at_once,
            carry: Vec::new(),
            first: true,
            state: State::Reading,
            failure: None,
        }
    }

    /// Whether the last chunk has been taken. Where the text ends with a chunk, that shows only
    /// when another is asked for.
    pub fn is_done(&self) -> bool {
        self.state == State::Done
    }

    /// The next chunk, in `bytes`, whatever is in it; `None` at the end.
    pub fn next<'b>(&mut self, bytes: &'b mut Vec<u8>) -> io::Result<Option<Chunk<'b>>> {
        while self.state != State::Done {
            let kept = self.carry.len();
            // What was kept takes its place in the chunk, unless little would be left: so the
            // memory need not grow.
            let whole = if kept <= self.size / 2 { self.size } else { kept + self.size };
            if bytes.len() < whole {
                bytes.resize(whole, 0);
            }
            // The first one is smaller: so the threads begin out of step, and neither waits for
            // what the other is at.
            let whole = if std::mem::take(&mut self.first) { whole.div_ceil(4) } else { whole };
            bytes[..kept].copy_from_slice(&self.carry);
            self.carry.clear();
            let (read, failure) = match self.at_once {
                true => once(&mut self.reader, &mut bytes[kept..whole]),
                false => fill(&mut self.reader, &mut bytes[kept..whole]),
            };
            let (mut begin, length) = (0, kept + read);
            let ended = failure.is_some() || if self.at_once { read == 0 } else { length < whole };
            self.failure = failure;
            if self.state == State::Skipping {
                match memchr::memchr(b'\n', &bytes[..length]) {
                    Some(at) => {
                        begin = at + 1;
                        self.state = State::Reading;
                    }
                    None => {
                        if ended {
                            self.state = State::Done;
                        }
                        continue;
                    }
                }
            }
            if ended {
                self.state = State::Done;
                if begin == length {
                    break;
                }
                return Ok(Some(Chunk { bytes: &bytes[begin..length], overlong: false }));
            }
            let end =
                memchr::memrchr(b'\n', &bytes[begin..length]).map_or(begin, |at| begin + at + 1);
            self.carry.extend_from_slice(&bytes[end..length]);
            let overlong = self.carry.len() > LONGEST_LINE;
            if overlong {
                self.carry.clear();
                self.state = State::Skipping;
            }
            if end > begin || overlong {
                return Ok(Some(Chunk { bytes: &bytes[begin..end], overlong }));
            }
        }
        self.failure.take().map_or(Ok(None), Err)
    }
}
