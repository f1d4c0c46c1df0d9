//! Lines on standard output, written by a thread of its own: a reader that hangs does not hold up
//! the side of the bus.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Lines that wait for a slow reader; what comes then is left out, and counted.
const WAITING: usize = 10_000;
/// A reader who takes no line for so long takes none any more.
const PATIENCE: Duration = Duration::from_secs(5);
/// The thread is looked at this often.
const EVERY: Duration = Duration::from_millis(5);

/// Lines under way to standard output.
pub(super) struct Lines {
    to: SyncSender<String>,
    thread: JoinHandle<()>,
    put: u64,
    written: Arc<AtomicU64>,
    left_out: u64,
}

impl Lines {
    /// `gone` is set where nobody reads them any more.
    pub fn new(gone: Arc<AtomicBool>) -> Self {
        let (to, lines) = sync_channel::<String>(WAITING);
        let written = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&written);
        let thread = std::thread::spawn(move || {
            // Locked for each line only: the screen draws there too.
            let mut out = io::stdout();
            for line in lines {
                if writeln!(out, "{line}").and_then(|()| out.flush()).is_err() {
                    gone.store(true, Ordering::Relaxed);
                    break;
                }
                count.fetch_add(1, Ordering::Relaxed);
            }
        });
        Lines { to, thread, put: 0, written, left_out: 0 }
    }

    /// Puts a line out, unless too many wait.
    pub fn put(&mut self, line: String) {
        match self.to.try_send(line) {
            Ok(()) => self.put += 1,
            Err(TrySendError::Full(_)) => self.left_out += 1,
            // Nobody reads them, and nobody misses one.
            Err(TrySendError::Disconnected(_)) => {}
        }
    }

    /// Waits until all is written. Where `patient` is not set, no longer than while the reader
    /// takes some; then standard output is not to be written to any more.
    pub fn finish(self, patient: bool) -> Finished {
        drop(self.to);
        let so_far = || self.written.load(Ordering::Relaxed);
        let (mut taken, mut since) = (so_far(), Instant::now());
        while !patient && !self.thread.is_finished() {
            if taken != so_far() {
                (taken, since) = (so_far(), Instant::now());
            } else if since.elapsed() >= PATIENCE {
                let left_out = self.left_out + self.put.saturating_sub(taken);
                return Finished { left_out, hangs: true };
            }
            std::thread::sleep(EVERY);
        }
        let _ = self.thread.join();
        Finished { left_out: self.left_out, hangs: false }
    }
}

/// What became of the lines.
pub(super) struct Finished {
    /// How many of them were left out.
    pub left_out: u64,
    /// The reader takes no more.
    pub hangs: bool,
}
