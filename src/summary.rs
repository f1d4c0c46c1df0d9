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
    side_by_side: bool,
}

impl Summary {
    /// An empty summary.
    pub fn new(settings: &Settings) -> Self {
        Summary::on(settings, 1)
    }

    /// An empty summary that is filled by so many threads; the result does not depend on it.
    pub fn on(settings: &Settings, threads: usize) -> Self {
        let floor = settings.timeout_floor.min(settings.shortest_outage);
        Summary {
            channels: Vec::new(),
            timing: Timing::new(floor),
            load: Vec::new(),
            diagnostics: Diagnostics::new(&settings.pairs),
            load_bin: settings.load_bin,
            side_by_side: threads > 1,
        }
    }

    /// Folds the frames of a batch.
    pub fn push(&mut self, batch: &Batch) {
        if self.channels.len() < batch.channels.len() {
            self.channels.clone_from(&batch.channels);
        }
        let Summary { timing, load, diagnostics, load_bin, .. } = self;
        let mut timing = || batch.frames.iter().for_each(|frame| timing.push(frame));
        let mut rest = || {
            for frame in &batch.frames {
                diagnostics.push(frame);
                let channel = usize::from(frame.channel);
                while load.len() <= channel {
                    load.push(Load::new(*load_bin));
                }
                load[channel].push(frame);
            }
        };
        // The parts know nothing of each other, so they can take the same frames at the same time.
        if self.side_by_side {
            rayon::join(timing, rest);
        } else {
            timing();
            rest();
        }
    }
}

impl Summary {
    /// Ends what is still under way; to be called after the last batch, before the report is drawn.
    pub fn finish(&mut self) {
        self.diagnostics.finish();
    }
}
