//! Everything that is kept of the frames: each frame is folded once, then forgotten.

use crate::capture::Batch;
use crate::diagnostics::Diagnostics;
use crate::load::Load;
use crate::settings::Settings;
use crate::timing::Timing;

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
        }
    }

    /// Folds the frames of a batch.
    pub fn push(&mut self, batch: &Batch) {
        if self.channels.len() < batch.channels.len() {
            self.channels.clone_from(&batch.channels);
        }
        for frame in &batch.frames {
            self.timing.push(frame);
            self.diagnostics.push(frame);
            let channel = usize::from(frame.channel);
            while self.load.len() <= channel {
                self.load.push(Load::new(self.load_bin));
            }
            self.load[channel].push(frame);
        }
    }
}

impl Summary {
    /// Ends what is still under way; to be called after the last batch, before the report is drawn.
    pub fn finish(&mut self) {
        self.diagnostics.finish();
    }
}
