//! How much each sender of a channel sends, and how likely so many errors are its by chance.

use std::collections::BTreeMap;

use statrs::distribution::{Binomial, DiscreteCDF};

use super::sender;
use crate::analysis::Analysis;
use crate::analysis::subject::Subject;
use crate::capture::ChannelIndex;
use crate::ids::IdIndex;

/// Errors are one sender's where so many would come by chance seldom enough: once in a thousand
/// captures, though it is looked for among all senders.
pub const BY_CHANCE: f64 = 0.001;

/// The frames of a channel by sender.
pub struct Traffic {
    frames: BTreeMap<Subject, u64>,
    all: u64,
}

impl Traffic {
    /// Of a channel.
    pub fn of(analysis: &Analysis, channel: ChannelIndex) -> Traffic {
        let mut frames: BTreeMap<Subject, u64> = BTreeMap::new();
        let here = analysis.identifiers.iter().enumerate();
        for (at, id) in here.filter(|(_, id)| id.channel == channel) {
            *frames.entry(sender(analysis, IdIndex(at))).or_default() += id.frames;
        }
        let all = frames.values().sum();
        Traffic { frames, all }
    }

    /// The share of a sender, 0 to 1.
    pub fn share(&self, subject: &Subject) -> f64 {
        self.frames.get(subject).copied().unwrap_or(0) as f64 / self.all.max(1) as f64
    }

    /// Probability that any of the senders has so many errors or more of so many, where one of them
    /// would be its own with a probability of `each`; `None` where that is none.
    pub fn chance(&self, each: f64, times: usize, of: usize) -> Option<f64> {
        let binomial = Binomial::new(each, of as u64).ok()?;
        let tail = (times as u64).checked_sub(1).map_or(1.0, |less| binomial.sf(less));
        Some((tail * self.frames.len() as f64).min(1.0))
    }
}
