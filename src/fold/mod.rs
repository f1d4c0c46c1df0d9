//! Everything that is kept of the frames: each frame is folded once, then forgotten.
//!
//! Every fold has the same two verbs: `push` takes the next batch of the capture, `finish` ends
//! what is still under way. A fold that needs only the time stamps of a batch in short
//! ([`Batch::time_summary`]) takes it in one step, and decides that inside `push`.

pub mod bit_rate;
pub mod diagnostics;
pub mod engine;
pub mod j1939;
pub mod load;
pub mod signals;
pub mod timing;

use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;

use crate::capture::{Batch, IN_FLIGHT};
use crate::fold::diagnostics::Diagnostics;
use crate::fold::engine::Engine;
use crate::fold::load::Loads;
use crate::fold::signals::Signals;
use crate::fold::timing::Timing;
use crate::settings::Settings;

/// The summaries of one run over one or more captures.
#[derive(Debug)]
pub struct Summary {
    /// Channel names, by channel index.
    pub channels: Vec<String>,
    /// Timing per identifier and channel.
    pub timing: Timing,
    /// Bits per channel.
    pub load: Loads,
    /// What testers and modules said to each other.
    pub diagnostics: Diagnostics,
    /// When the engine ran, where a standard tells.
    pub engine: Engine,
    /// What the vehicle did, where a standard tells.
    pub signals: Signals,
    side: Option<Side>,
}

/// Load and diagnostics on a thread of their own: they and the timing know nothing of each other,
/// so they can take the same frames side by side.
#[derive(Debug)]
struct Side {
    to: SyncSender<Arc<Batch>>,
    thread: JoinHandle<(Loads, Diagnostics)>,
}

impl Summary {
    /// An empty summary.
    pub fn new(settings: &Settings) -> Self {
        let floor = settings.timeout_floor.min(settings.shortest_outage);
        Summary {
            channels: Vec::new(),
            timing: Timing::new(floor),
            load: Loads::new(settings.load_bin),
            diagnostics: Diagnostics::new(&settings.pairs),
            engine: Engine::default(),
            signals: Signals::default(),
            side: None,
        }
    }

    /// An empty summary that is filled on several threads where there are several; the result does
    /// not depend on it.
    pub fn on(settings: &Settings, threads: usize) -> Self {
        let mut summary = Summary::new(settings);
        // Two threads have enough to do with parsing and timing.
        if threads > 2 {
            let (to, batches) = sync_channel::<Arc<Batch>>(IN_FLIGHT - 1);
            let mut load = std::mem::take(&mut summary.load);
            let mut diagnostics = std::mem::take(&mut summary.diagnostics);
            let thread = std::thread::spawn(move || {
                for batch in batches {
                    load.push(&batch);
                    diagnostics.push(&batch);
                }
                (load, diagnostics)
            });
            summary.side = Some(Side { to, thread });
        }
        summary
    }

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Arc<Batch>) {
        let sent = self.side.as_ref().is_some_and(|side| side.to.send(Arc::clone(batch)).is_ok());
        if !sent {
            self.join();
            self.load.push(batch);
            self.diagnostics.push(batch);
        }
        self.names(batch);
        self.engine.push(batch);
        self.signals.push(batch);
        self.timing.push(batch);
    }

    fn names(&mut self, batch: &Batch) {
        if self.channels.len() < batch.channels.len() {
            self.channels.clone_from(&batch.channels);
        }
    }

    /// Takes back what the other thread has folded; from then on all is folded on one.
    pub fn join(&mut self) {
        let Some(Side { to, thread }) = self.side.take() else { return };
        drop(to);
        match thread.join() {
            Ok((load, diagnostics)) => (self.load, self.diagnostics) = (load, diagnostics),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }

    /// Forgets all that rests on time stamps, which turned out to be no clock: what is left is as
    /// of a capture without them.
    pub fn forget_times(&mut self) {
        self.timing.forget_times();
        self.load.forget_times();
        self.engine = Engine::default();
        self.signals = Signals::default();
    }

    /// Ends what is still under way; to be called after the last batch, before the report is drawn.
    pub fn finish(&mut self) {
        self.join();
        self.timing.finish();
        let speaks = j1939::of(&self.timing);
        self.engine.finish(&speaks);
        self.signals.finish(&speaks);
        self.diagnostics.finish(&speaks);
    }
}
