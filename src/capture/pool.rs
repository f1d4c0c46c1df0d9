//! Memory that goes round: the threads hand back what they have used, so that a capture of any
//! length is read in the memory of a few chunks.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::{Batch, Frame, Runs};

/// Lists at rest.
#[derive(Default)]
pub(super) struct Pool {
    frames: Mutex<Vec<Vec<Frame>>>,
    runs: Mutex<Vec<Runs>>,
}

impl Pool {
    /// An empty list of frames.
    pub fn frames(&self) -> Vec<Frame> {
        let mut frames = lock(&self.frames).pop().unwrap_or_default();
        frames.clear();
        frames
    }

    /// Sorts the frames of a batch by identifier.
    pub fn sort(&self, batch: &Batch) {
        let memory = lock(&self.runs).pop().unwrap_or_default();
        batch.runs.get_or_init(|| Runs::of(&batch.frames, memory));
    }

    /// Takes back the memory of a batch.
    pub fn give(&self, batch: Batch) {
        lock(&self.frames).push(batch.frames);
        if let Some(runs) = batch.runs.into_inner() {
            lock(&self.runs).push(runs);
        }
    }
}

/// Locks. What a thread that panicked leaves behind is whole here: each change is one step.
pub fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
