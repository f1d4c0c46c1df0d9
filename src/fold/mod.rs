//! Everything that is kept of the frames: each frame is folded once, then forgotten.

pub mod diagnostics;
pub mod load;
pub mod timing;

use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;

use crate::capture::{Batch, ChannelIndex, IN_FLIGHT};
use crate::fold::diagnostics::Diagnostics;
use crate::fold::load::Load;
use crate::fold::timing::Timing;
use crate::settings::Settings;

/// The summaries of one run over one or more captures.
#[derive(Debug)]
pub struct Summary {
    /// Channel names, by channel index.
    pub channels: Vec<String>,
    /// Timing per identifier and channel.
    pub timing: Timing,
    /// Bits per channel, by channel index.
    pub load: Vec<Load>,
    /// What testers and modules said to each other.
    pub diagnostics: Diagnostics,
    load_bin: f64,
    side: Option<Side>,
}

/// Load and diagnostics on a thread of their own: they and the timing know nothing of each other,
/// so they can take the same frames side by side.
#[derive(Debug)]
struct Side {
    to: SyncSender<Arc<Batch>>,
    thread: JoinHandle<(Vec<Load>, Diagnostics)>,
}

impl Summary {
    /// An empty summary.
    pub fn new(settings: &Settings) -> Self {
        let floor = settings.timeout_floor.min(settings.shortest_outage);
        Summary {
            channels: Vec::new(),
            timing: Timing::new(floor),
            load: Vec::new(),
            diagnostics: Diagnostics::new(&settings.pairs),
            load_bin: settings.load_bin,
            side: None,
        }
    }

    /// An empty summary that is filled on several threads where there are several, with
    /// [`Summary::push_shared`]; the result does not depend on it.
    pub fn on(settings: &Settings, threads: usize) -> Self {
        let mut summary = Summary::new(settings);
        // Two threads have enough to do with parsing and timing.
        if threads > 2 {
            let (to, batches) = sync_channel::<Arc<Batch>>(IN_FLIGHT - 1);
            let (mut load, load_bin) = (Vec::new(), settings.load_bin);
            let mut diagnostics = std::mem::take(&mut summary.diagnostics);
            let thread = std::thread::spawn(move || {
                for batch in batches {
                    rest(&batch, &mut load, load_bin, &mut diagnostics);
                }
                (load, diagnostics)
            });
            summary.side = Some(Side { to, thread });
        }
        summary
    }

    /// Folds the frames of a batch.
    pub fn push(&mut self, batch: &Batch) {
        self.join();
        self.names(batch);
        rest(batch, &mut self.load, self.load_bin, &mut self.diagnostics);
        self.timing.push_all(batch);
    }

    /// Folds the frames of a batch, some of it on another thread.
    pub fn push_shared(&mut self, batch: &Arc<Batch>) {
        match &self.side {
            Some(side) if side.to.send(Arc::clone(batch)).is_ok() => {
                self.names(batch);
                self.timing.push_all(batch);
            }
            _ => self.push(batch),
        }
    }

    fn names(&mut self, batch: &Batch) {
        if self.channels.len() < batch.channels.len() {
            self.channels.clone_from(&batch.channels);
        }
    }

    /// Takes back what the other thread has folded.
    fn join(&mut self) {
        let Some(Side { to, thread }) = self.side.take() else { return };
        drop(to);
        match thread.join() {
            Ok((load, diagnostics)) => (self.load, self.diagnostics) = (load, diagnostics),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }

    /// Ends what is still under way; to be called after the last batch, before the report is drawn.
    pub fn finish(&mut self) {
        self.join();
        self.timing.finish();
        self.diagnostics.finish();
    }
}

fn rest(batch: &Batch, load: &mut Vec<Load>, load_bin: f64, diagnostics: &mut Diagnostics) {
    let of_one = batch.runs().course().and_then(|course| Some((course.channel?, course)));
    if !of_one.is_some_and(|(channel, course)| {
        of_channel(load, load_bin, channel).go_on(&batch.frames, &course)
    }) {
        batch.frames.iter().for_each(|frame| of_channel(load, load_bin, frame.channel).push(frame));
    }
    diagnostics.push_all(batch);
}

/// The load of a channel, made where there is none yet.
fn of_channel(load: &mut Vec<Load>, load_bin: f64, channel: ChannelIndex) -> &mut Load {
    let channel = usize::from(channel);
    if load.len() <= channel {
        load.resize_with(channel + 1, || Load::new(load_bin));
    }
    &mut load[channel]
}
