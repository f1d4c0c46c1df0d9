//! Channel names: those of a chunk by themselves, and which of them are channels of the capture.
//!
//! How many are told apart is only decided over all chunks in the order of the file, so that it
//! does not depend on where the file is cut.

use std::collections::HashMap;

use super::{Capture, ChannelIndex, Rejected};

/// Most channels told apart in one capture; frames of further ones are refused, and the report says
/// so.
const MOST_CHANNELS: usize = 256;

/// Why a frame is refused.
pub(super) const TOO_MANY: &str = "more than 256 channels; this one is left out";

/// The channel names of a chunk, in order of appearance.
#[derive(Default)]
pub(super) struct Names {
    /// With the line or packet of its first frame.
    all: Vec<(String, u64)>,
    places: HashMap<String, ChannelIndex>,
    latest: ChannelIndex,
}

impl Names {
    /// The place of the name of a frame in that line or packet; `None` where there are more than an
    /// index can tell apart.
    pub fn of(&mut self, name: &str, line: u64) -> Option<ChannelIndex> {
        // Mostly that of the frame before.
        if self.all.get(usize::from(self.latest)).is_some_and(|(latest, _)| latest == name) {
            return Some(self.latest);
        }
        self.latest = match self.places.get(name) {
            Some(known) => *known,
            None => {
                let new = ChannelIndex::try_from(self.all.len()).ok()?;
                self.all.push((name.to_owned(), line));
                self.places.insert(name.to_owned(), new);
                new
            }
        };
        Some(self.latest)
    }

    /// The name at a place.
    pub fn name(&self, at: ChannelIndex) -> &str {
        self.all.get(usize::from(at)).map_or("", |(name, _)| name)
    }
}

/// The channels of a capture.
#[derive(Default)]
pub(super) struct Channels {
    /// In order of appearance.
    pub names: Vec<String>,
    /// Names that were refused and told of; no more than rejections are kept.
    refused: Vec<String>,
}

impl Channels {
    /// Those of the files before this one.
    pub fn known(names: &[String]) -> Self {
        Channels { names: names.to_vec(), refused: Vec::new() }
    }

    /// Which channel each name of a chunk is, `None` for those that are refused, and the first
    /// frame of each that has not been told of yet.
    pub fn settle(&mut self, chunk: &Names) -> (Vec<Option<ChannelIndex>>, Vec<Rejected>) {
        let mut told = Vec::new();
        let channels = chunk.all.iter().map(|(name, line)| {
            let known = self.names.iter().position(|known| known == name);
            let at = known.or_else(|| {
                (self.names.len() < MOST_CHANNELS).then(|| {
                    self.names.push(name.clone());
                    self.names.len() - 1
                })
            });
            if at.is_none()
                && self.refused.len() < Capture::KEPT_REJECTIONS
                && !self.refused.contains(name)
            {
                self.refused.push(name.clone());
                told.push(Rejected { line: *line, reason: TOO_MANY.to_owned() });
            }
            at.map(|at| at as ChannelIndex)
        });
        (channels.collect(), told)
    }
}
