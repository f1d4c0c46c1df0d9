//! Memory that goes round: the threads hand back what they have used, so that a capture of any length is read in the memory of a few chunks.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::Frame;

/// Lists at rest.
#[derive(Default)]
pub(super) struct Pool {
    frames: Mutex<Vec<Vec<Frame>>>,
}

impl Pool {
    /// An empty list of frames.
    pub fn frames(&self) -> Vec<Frame> {
        let mut frames = lock(&self.frames).pop().unwrap_or_default();
        frames.clear();
        frames
    }

    pub fn give_frames(&self, frames: Vec<Frame>) {
        lock(&self.frames).push(frames);
    }
}

/// Locks. What a thread that panicked leaves behind is whole here: each change is one step.
pub fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
