//! Reading that cannot be broken off, on a thread of its own: standard input, a pipe.

use std::io::{self, Read};
use std::sync::mpsc::{Receiver, sync_channel};
use std::thread;
use std::time::Duration;

/// Bytes read at once.
pub const CHUNK: usize = 64 << 10;
/// Chunks that wait to be taken.
const WAITING: usize = 4;

/// Chunks of an input as they come, until its end, which is that of the channel, or its first
/// failure. A signal is none. After a chunk that was not filled it rests for so long. The thread
/// ends with the program.
pub fn read<R: Read>(
    open: impl FnOnce() -> io::Result<R> + Send + 'static,
    rest: Duration,
) -> Receiver<io::Result<Vec<u8>>> {
    let (to, chunks) = sync_channel(WAITING);
    thread::spawn(move || {
        let mut input = match open() {
            Ok(input) => input,
            Err(error) => return drop(to.send(Err(error))),
        };
        loop {
            let mut chunk = vec![0; CHUNK];
            match input.read(&mut chunk) {
                Ok(0) => return,
                Ok(length) => {
                    chunk.truncate(length);
                    if to.send(Ok(chunk)).is_err() {
                        return;
                    }
                    if length < CHUNK {
                        thread::sleep(rest);
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return drop(to.send(Err(error))),
            }
        }
    });
    chunks
}

/// A chunk that is taken piece by piece.
#[derive(Default)]
pub struct Chunk {
    bytes: Vec<u8>,
    taken: usize,
}

impl Chunk {
    /// Whether nothing of it is left.
    pub fn is_taken(&self) -> bool {
        self.taken == self.bytes.len()
    }

    /// Puts another in its place.
    pub fn put(&mut self, bytes: Vec<u8>) {
        (self.bytes, self.taken) = (bytes, 0);
    }

    /// Takes as much as there is and fits; how much that was.
    pub fn take(&mut self, into: &mut [u8]) -> usize {
        let rest = &self.bytes[self.taken..];
        let length = into.len().min(rest.len());
        into[..length].copy_from_slice(&rest[..length]);
        self.taken += length;
        length
    }
}
