//! A module that others miss, and whether their codes can be those of a node that fell silent.

use super::{Accusation, Blame, Frames, Missed, Witness, has_words_of, sorted};
use crate::analysis::diagnosis::CodeAge;
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Module;
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::NodeIndex;

/// How long after a loss began a module may store a code of it, in seconds: receivers wait for some
/// of their own periods, and filter for up to 5 s (common practice, no source).
const STORES_WITHIN: f64 = 6.0;

/// Who sends nothing more often than this, in seconds, is no part of a control loop: of 2109 such
/// modules of invented vehicles 24 (three sets of a world by others; common practice, no source).
const TOO_SLOW: f64 = 0.09;

/// Words of the names of those that are.
const LOOPS: [&str; 5] = ["ecm pcm", "tcm", "abs", "drive motor", "battery energy"];

/// A module, and all codes that say it is missed.
pub(super) struct Row<'a> {
    pub(super) missed: &'a Missed,
    pub(super) accusations: Vec<&'a Accusation>,
}

impl Row<'_> {
    pub(super) fn reporters(&self) -> Vec<Module> {
        sorted(self.accusations.iter().map(|accusation| accusation.reporter))
    }

    pub(super) fn blame(&self, frames: Frames, may_be: Vec<NodeIndex>) -> Blame {
        Blame {
            may_be,
            missed: self.missed.clone(),
            reporters: self.reporters(),
            codes: sorted(self.accusations.iter().map(|accusation| accusation.code)),
            frames,
        }
    }

    /// The channel and the source address that its codes name.
    pub(super) fn address(&self) -> Option<(ChannelIndex, u8)> {
        self.accusations.first().and_then(|code| code.address)
    }

    /// Of its codes the most present one counts.
    pub(super) fn age(&self) -> CodeAge {
        self.accusations.iter().map(|accusation| accusation.age).min().unwrap_or(CodeAge::Untold)
    }

    /// Whether all who missed it hear it: their codes were cleared, and had not come back when they
    /// had had time to.
    pub(super) fn is_heard_again(&self) -> bool {
        let heard = |own: &&Accusation| own.stayed_away.is_some_and(|after| after >= STORES_WITHIN);
        self.accusations.iter().all(heard)
    }

    /// What is lost in this drive fails in it: codes that did not, were cleared and stayed away are
    /// of something that is over (status bits 1 and 2 of ISO 14229-1:2020, D.2).
    pub(super) fn is_of_the_past(&self) -> bool {
        self.age() >= CodeAge::Untold && self.is_heard_again()
    }

    /// How well it stands for a node that fell silent in this capture.
    pub(super) fn rank(&self) -> (CodeAge, std::cmp::Reverse<usize>) {
        // Failing or recent is much the same: whether it still fails depends on when it was read.
        (self.age().max(CodeAge::Recent), std::cmp::Reverse(self.reporters().len()))
    }

    /// Whether all were read before a node fell silent for the first time: then they are not of it.
    /// One that did not fail in this operation cycle may be of an earlier time of one that was lost
    /// twice or more: it is stored, or failed in the cycle before.
    pub(super) fn is_before(&self, witness: &Witness) -> bool {
        let first = witness.silences.iter().map(|own| own.start).min();
        let earlier = self.accusations.iter().all(|code| !code.this_cycle);
        let again = witness.silences.len() >= 2 && earlier;
        !again && first.is_some_and(|first| self.was_read_before(first))
    }

    /// Whether all its codes were read before a time.
    pub(super) fn was_read_before(&self, time: Nanoseconds) -> bool {
        self.accusations.iter().all(|code| code.read.is_some_and(|read| read < time))
    }

    /// Whether it is of a control loop, and the node sends too seldom for one.
    pub(super) fn is_faster_than(&self, witness: &Witness) -> bool {
        witness.fastest.is_some_and(|fastest| fastest >= TOO_SLOW)
            && LOOPS.iter().any(|part| has_words_of(&self.missed.0, part))
    }

    /// Whether its codes can be those of a node: a code that came in this capture came after a loss
    /// began, and a node that is silent when a code is read fails its test, with one at least of
    /// those who miss it: others may have had no turn to test.
    pub(super) fn can_be(&self, witness: &Witness) -> bool {
        let late = nanoseconds(STORES_WITHIN);
        let fails = self.fails_with(witness);
        // Which one an address means is no guess.
        self.address().is_none()
            && !self.is_before(witness)
            && !self.is_faster_than(witness)
            && self.accusations.iter().all(|code| {
                code.appeared.is_none_or(|times| witness.began(times, late))
                    && (fails
                        || code.age != CodeAge::Past
                        || !code.read.is_some_and(|read| witness.was_away(read, late)))
            })
    }

    /// Whether one of its codes failed when it was read while the node was away.
    pub(super) fn fails_with(&self, witness: &Witness) -> bool {
        let late = nanoseconds(STORES_WITHIN);
        self.accusations.iter().any(|code| {
            code.age == CodeAge::Failing
                && code.read.is_some_and(|read| witness.was_away(read, late))
        })
    }

    /// Whether its codes, which can be those of a node, are surely of a silence of it: they came
    /// with it, or fail while it lasts.
    pub(super) fn is_of(&self, witness: &Witness) -> bool {
        self.accusations.iter().any(|code| code.appeared.is_some()) || self.fails_with(witness)
    }
}
