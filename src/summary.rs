//! Everything that is kept of the frames: each frame is folded once, then forgotten.

use crate::capture::Batch;
use crate::load::Load;
use crate::settings::Settings;
use crate::timing::Timing;

/// The summaries of one run over one or more captures.
#[derive(Clone, Debug)]
pub struct Summary {
    /// Channel names, by channel index.
    pub channels: Vec<String>,
    /// Timing per identifier and channel.
    pub timing: Timing,
    /// Bits per channel, by channel index.
    pub load: Vec<Load>,
    load_bin: f64,
}

impl Summary {
    /// An empty summary.
    pub fn new(settings: &Settings) -> Self {
        let floor = settings.timeout_floor.min(settings.shortest_outage);
        Summary { channels: Vec::new(), timing: Timing::new(floor), load: Vec::new(), load_bin: settings.load_bin }
    }

    /// Folds the frames of a batch.
    pub fn push(&mut self, batch: &Batch) {
        if self.channels.len() < batch.channels.len() {
            self.channels.clone_from(&batch.channels);
        }
        for frame in &batch.frames {
            self.timing.push(frame);
            let channel = usize::from(frame.channel);
            while self.load.len() <= channel {
                self.load.push(Load::new(self.load_bin));
            }
            self.load[channel].push(frame);
        }
    }
}
