//! Memory that goes round: the threads hand back what they have used, so that a capture of any length is read in the memory of a few chunks.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::Frame;

/// Buffers at rest.
#[derive(Default)]
pub(super) struct Pool {
    bytes: Mutex<Vec<Vec<u8>>>,
    frames: Mutex<Vec<Vec<Frame>>>,
}

impl Pool {
    /// A buffer of at least `length` bytes, with anything in it.
    pub fn bytes(&self, length: usize) -> Vec<u8> {
        let mut bytes = take(&self.bytes);
        if bytes.len() < length {
            bytes.resize(length, 0);
        }
        bytes
    }

    pub fn give_bytes(&self, bytes: Vec<u8>) {
        give(&self.bytes, bytes);
    }

    /// An empty list of frames.
    pub fn frames(&self) -> Vec<Frame> {
        let mut frames = take(&self.frames);
        frames.clear();
        frames
    }

    pub fn give_frames(&self, frames: Vec<Frame>) {
        give(&self.frames, frames);
    }
}

/// Locks. What a thread that panicked leaves behind is whole here: each change is one step.
pub fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn take<T>(rest: &Mutex<Vec<Vec<T>>>) -> Vec<T> {
    lock(rest).pop().unwrap_or_default()
}

fn give<T>(rest: &Mutex<Vec<Vec<T>>>, buffer: Vec<T>) {
    lock(rest).push(buffer);
}
