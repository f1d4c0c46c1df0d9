//! Work on another thread, which Ctrl-C ends.

use std::io::{self, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::thread;
use std::time::Duration;

use pyo3::prelude::*;

use crate::failure::Failure;

/// How often is looked whether somebody pressed Ctrl-C.
const LOOK: Duration = Duration::from_millis(50);

/// Says that the work is no longer wanted.
#[derive(Clone, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// From now on.
    pub fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    fn check(&self) -> io::Result<()> {
        // Not `Interrupted`: the standard library tries that again.
        if self.is_set() { Err(io::Error::other("stopped")) } else { Ok(()) }
    }
}

/// A file whose reading or writing ends where it is no longer wanted.
pub struct Stoppable<T> {
    /// The file.
    pub inner: T,
    /// Whether it is still wanted.
    pub stop: Stop,
}

impl<T: Read> Read for Stoppable<T> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.stop.check()?;
        self.inner.read(into)
    }
}

impl<T: Write> Write for Stoppable<T> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.stop.check()?;
        self.inner.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// Does the work on a thread of its own, without the interpreter's lock.
pub fn waited<T: Send>(
    py: Python<'_>,
    work: impl FnOnce(&Stop) -> Result<T, Failure> + Send,
) -> PyResult<T> {
    let stop = Stop::default();
    py.detach(|| {
        thread::scope(|scope| {
            let (sender, receiver) = sync_channel(1);
            let own = stop.clone();
            scope.spawn(move || {
                let done = catch_unwind(AssertUnwindSafe(|| work(&own)));
                let _ = sender.send(done.unwrap_or_else(|_| Err(Failure::panicked())));
            });
            received(&receiver, &stop).unwrap_or_else(|| Err(Failure::panicked().into()))
        })
    })
}

/// The next of what another thread sends; `None` where there is no more. Called without the lock.
pub fn received<T>(receiver: &Receiver<Result<T, Failure>>, stop: &Stop) -> Option<PyResult<T>> {
    loop {
        match receiver.recv_timeout(LOOK) {
            Ok(done) => return Some(done.map_err(PyErr::from)),
            Err(RecvTimeoutError::Disconnected) => return None,
            Err(RecvTimeoutError::Timeout) => {
                // Only on the main thread of Python does this find something.
                if let Err(interrupt) = Python::attach(|py| py.check_signals()) {
                    stop.set();
                    return Some(Err(interrupt));
                }
            }
        }
    }
}
