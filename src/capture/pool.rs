//! Buffer pool: batches return their allocations here, so that a capture of any length is read in
//! the memory of a few chunks.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::{Batch, Frame, Grouped};

/// Lists that nobody uses at present.
#[derive(Default)]
pub(super) struct Pool {
    frames: Mutex<Vec<Vec<Frame>>>,
    grouped: Mutex<Vec<Grouped>>,
}

impl Pool {
    /// An empty list of frames.
    pub fn frames(&self) -> Vec<Frame> {
        let mut frames = lock(&self.frames).pop().unwrap_or_default();
        frames.clear();
        frames
    }

    /// Groups the frames of a batch by identifier.
    pub fn group(&self, batch: &Batch) {
        let memory = lock(&self.grouped).pop().unwrap_or_default();
        batch.grouped.get_or_init(|| Grouped::of(&batch.frames, memory));
    }

    /// Takes back the memory of a batch.
    pub fn give(&self, batch: Batch) {
        lock(&self.frames).push(batch.frames);
        if let Some(grouped) = batch.grouped.into_inner() {
            lock(&self.grouped).push(grouped);
        }
    }
}

/// Locks. What a thread that panicked leaves behind is whole here: each change is one step.
pub fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
