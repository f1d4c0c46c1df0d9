//! Folds on threads of their own. Each takes all batches in the order of the capture, so its result
//! is the same as on one thread.

use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};

use crate::capture::{Batch, IN_FLIGHT};
use crate::fold::timing::Placed;

/// A batch, and where its groups belong.
#[derive(Clone)]
pub(super) struct Piece {
    pub batch: Arc<Batch>,
    pub placed: Arc<Placed>,
}

/// A fold on a thread of its own.
#[derive(Debug)]
pub(super) struct Aside<F> {
    to: SyncSender<Piece>,
    thread: JoinHandle<F>,
}

impl<F: Send + 'static> Aside<F> {
    /// Takes the fold to a thread, where `push` gives it each piece.
    pub fn start(mut fold: F, push: fn(&mut F, &Piece)) -> Self {
        let (to, pieces) = sync_channel::<Piece>(IN_FLIGHT - 1);
        let thread = thread::spawn(move || {
            pieces.iter().for_each(|piece| push(&mut fold, &piece));
            fold
        });
        Aside { to, thread }
    }

    /// Hands the next piece over. A thread that has died says why in [`Aside::join`].
    #[must_use]
    pub fn push(&self, piece: &Piece) -> bool {
        self.to.send(piece.clone()).is_ok()
    }

    /// Takes the fold back with all that was handed over.
    pub fn join(self) -> F {
        drop(self.to);
        self.thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }
}
