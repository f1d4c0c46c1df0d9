//! Everything that is kept of the frames: each frame is folded once, then forgotten.
//!
//! Every fold has the same two verbs: `push` takes the next batch of the capture, `finish` ends
//! what is still under way. A fold that needs only the time stamps of a batch in short
//! ([`Batch::time_summary`]) takes it in one step, and decides that inside `push`.

mod aside;
pub mod bit_rate;
pub mod diagnostics;
pub mod engine;
pub mod j1939;
pub mod load;
pub mod signals;
pub mod timing;

use std::sync::Arc;

use aside::{Aside, Piece};

use crate::capture::Batch;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::engine::Engine;
use crate::fold::load::Loads;
use crate::fold::signals::Signals;
use crate::fold::timing::{Part, Placed, Timing};
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
    /// Threads that read, at the most; one, where nothing is to be folded elsewhere any more.
    threads: usize,
    /// Batches taken so far.
    batches: usize,
    asides: Option<Asides>,
}

/// What is folded on threads of its own: neither load and diagnostics nor any identifier knows of
/// the others, so they can take the same frames side by side.
#[derive(Debug)]
struct Asides {
    rest: Aside<(Loads, Diagnostics)>,
    ids: Vec<Aside<Part>>,
}

/// Folds have threads of their own from this batch on: a shorter capture is read before they have
/// started.
const WORTH_A_THREAD: usize = 8;
/// With more threads than this, load and diagnostics have one of their own: two have enough to do
/// with parsing and timing.
const APART: usize = 2;
/// With more threads than this, the identifiers are divided into [`PARTS`]: until then what one
/// thread at a time folds takes no longer than all of them need to parse.
const DIVIDED: usize = 4;
/// Each part then has no more to do than what one thread at a time does of each batch.
const PARTS: usize = 2;

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
            threads: 1,
            batches: 0,
            asides: None,
        }
    }

    /// An empty summary that is filled on several threads where there are several; the result does
    /// not depend on it.
    pub fn on(settings: &Settings, threads: usize) -> Self {
        Summary { threads, ..Summary::new(settings) }
    }

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Arc<Batch>) {
        self.names(batch);
        self.engine.push(batch);
        self.signals.push(batch);
        self.batches += 1;
        if self.batches == WORTH_A_THREAD && self.threads > APART {
            self.set_aside();
        }
        let Some(asides) = &self.asides else { return self.push_here(batch) };
        let placed = match asides.ids.is_empty() {
            true => Placed::default(),
            false => self.timing.place_groups(batch),
        };
        let piece = Piece { batch: Arc::clone(batch), placed: Arc::new(placed) };
        let sent = asides.rest.push(&piece) && asides.ids.iter().all(|part| part.push(&piece));
        match (sent, asides.ids.is_empty()) {
            (true, true) => self.timing.push(batch),
            (true, false) => {}
            // One of them panicked, and so does this.
            (false, _) => self.join(),
        }
    }

    fn names(&mut self, batch: &Batch) {
        if self.channels.len() < batch.channels.len() {
            self.channels.clone_from(&batch.channels);
        }
    }

    fn push_here(&mut self, batch: &Batch) {
        self.load.push(batch);
        self.diagnostics.push(batch);
        self.timing.push(batch);
    }

    fn set_aside(&mut self) {
        let rest = (std::mem::take(&mut self.load), std::mem::take(&mut self.diagnostics));
        let rest = Aside::start(rest, |(load, diagnostics), piece| {
            load.push(&piece.batch);
            diagnostics.push(&piece.batch);
        });
        let parts = if self.threads > DIVIDED { self.timing.divide(PARTS) } else { Vec::new() };
        let part = |part| Aside::start(part, |part: &mut Part, p| part.push(&p.batch, &p.placed));
        self.asides = Some(Asides { rest, ids: parts.into_iter().map(part).collect() });
    }

    /// Takes back what other threads have folded; from then on all is folded on one.
    pub fn join(&mut self) {
        self.threads = 1;
        let Some(Asides { rest, ids }) = self.asides.take() else { return };
        (self.load, self.diagnostics) = rest.join();
        if !ids.is_empty() {
            self.timing.unite(ids.into_iter().map(Aside::join).collect());
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
