//! Standard input that ends with Ctrl-C: what came until then is a capture like any other.

use std::io::{self, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use signal_hook::consts::SIGINT;

use super::chunks::{self, Chunk};

/// How long to wait for more before looking whether Ctrl-C was pressed.
const TICK: Duration = Duration::from_millis(50);

/// Standard input until its end, or until Ctrl-C. A second Ctrl-C ends the program.
struct UntilInterrupted {
    chunks: Receiver<io::Result<Vec<u8>>>,
    chunk: Chunk,
    interrupted: Arc<AtomicBool>,
    told: bool,
}

/// Standard input.
///
/// # Errors
/// Where the signal cannot be waited for.
pub fn open() -> io::Result<Box<dyn Read + Send>> {
    let interrupted = Arc::new(AtomicBool::new(false));
    // The first Ctrl-C finds the flag down, sets it and goes on; the second finds it up.
    let died = 128 + SIGINT;
    signal_hook::flag::register_conditional_shutdown(SIGINT, died, Arc::clone(&interrupted))?;
    signal_hook::flag::register(SIGINT, Arc::clone(&interrupted))?;
    let chunks = chunks::read(|| Ok(io::stdin().lock()), Duration::ZERO);
    Ok(Box::new(UntilInterrupted { chunks, chunk: Chunk::default(), interrupted, told: false }))
}

impl UntilInterrupted {
    /// The next chunk; an empty one at the end.
    fn next(&mut self) -> io::Result<Vec<u8>> {
        loop {
            match self.chunks.recv_timeout(TICK) {
                Ok(chunk) => return chunk,
                Err(RecvTimeoutError::Disconnected) => return Ok(Vec::new()),
                Err(RecvTimeoutError::Timeout) if self.interrupted.load(Ordering::Relaxed) => {
                    if !self.told {
                        eprintln!("lostnode: interrupted; this is of what was read until then");
                        self.told = true;
                    }
                    return Ok(Vec::new());
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }
}

impl Read for UntilInterrupted {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.chunk.is_taken() {
            let next = self.next()?;
            self.chunk.put(next);
        }
        Ok(self.chunk.take(into))
    }
}
