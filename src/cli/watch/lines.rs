//! Lines on standard output, written by a thread of its own: a reader that hangs does not hold up
//! the side of the bus.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

/// Lines that wait for a slow reader; what comes then is left out, and counted.
const WAITING: usize = 10_000;

/// Lines under way to standard output.
pub(super) struct Lines {
    to: SyncSender<String>,
    thread: JoinHandle<()>,
    left_out: u64,
}

impl Lines {
    /// `gone` is set where nobody reads them any more.
    pub fn new(gone: Arc<AtomicBool>) -> Self {
        let (to, lines) = sync_channel::<String>(WAITING);
        let thread = std::thread::spawn(move || {
            // Locked for each line only: the screen draws there too.
            let mut out = io::stdout();
            for line in lines {
                if writeln!(out, "{line}").and_then(|()| out.flush()).is_err() {
                    gone.store(true, Ordering::Relaxed);
                    break;
                }
            }
        });
        Lines { to, thread, left_out: 0 }
    }

    /// Puts a line out, unless too many wait.
    pub fn put(&mut self, line: String) {
        if let Err(TrySendError::Full(_)) = self.to.try_send(line) {
            self.left_out += 1;
        }
    }

    /// Waits until all is written; how many lines were left out.
    pub fn finish(self) -> u64 {
        drop(self.to);
        let _ = self.thread.join();
        self.left_out
    }
}
