//! Groups of SAE J1939 that are sent because somebody asked for them: they end with the asking. A
//! unit answers a request (group 0xEA00) with the group within Tr, 0.2 s (SAE J1939-21, from
//! memory); what goes by the transport has no frame of its own identifier and is not followed here.

use std::collections::{BTreeMap, VecDeque};

use lostnode_parsers::j1939::{ACKNOWLEDGEMENT, Fields, REQUEST, is_cyclic, requested};
use lostnode_parsers::{ExtendedId, Id, Timestamp};

use crate::capture::{ChannelIndex, Frame};
use crate::fold::j1939::J1939;
use crate::fold::timing::{Nanoseconds, Silence};

/// Tr, in nanoseconds.
const ANSWERS: i64 = 200_000_000;
/// Requests open at once; older ones count as over.
const MOST_OPEN: usize = 64;
/// Identifiers that answer, and groups asked for in vain, that are told apart.
const MOST: usize = 4096;
/// Requests in vain that are kept of one group of one unit: the last.
const MOST_IN_VAIN: usize = 256;
/// In so many of ten times a request came before: others the recording may have lost.
const OF_TEN: u64 = 9;
/// So many requests in a silence that stay without answer are no chance.
const IN_VAIN: usize = 2;

/// A request under way.
#[derive(Clone, Debug)]
struct Open {
    time: Timestamp,
    channel: ChannelIndex,
    /// Who is asked; `None` for all.
    to: Option<u8>,
    pgn: u32,
    answered: Vec<u8>,
}

/// What was sent because it was asked for.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    open: VecDeque<Open>,
    /// By identifier: how many frames of it answered a request.
    answers: BTreeMap<(ChannelIndex, ExtendedId), u64>,
    /// By address and group: when one unit was asked for it and did not answer.
    in_vain: BTreeMap<(ChannelIndex, u8, u32), VecDeque<Timestamp>>,
}

impl Asked {
    /// Takes the next frame of the capture.
    #[inline]
    pub fn push(&mut self, frame: &Frame) {
        if let Some(Id::Extended(id)) = frame.kind.id()
            && (!self.open.is_empty() || id.as_raw() >> 16 & 0xFF == REQUEST >> 8)
        {
            self.take(frame, id);
        }
    }

    fn take(&mut self, frame: &Frame, id: ExtendedId) {
        let Some(time) = frame.time else { return };
        while self.open.front().is_some_and(|open| time.since(open.time) > ANSWERS) {
            self.close();
        }
        let Fields { pgn, destination, source, .. } = Fields::of(id);
        let data = frame.kind.bytes();
        match pgn {
            REQUEST => {
                let Some(pgn) = requested(data) else { return };
                if self.open.len() >= MOST_OPEN {
                    self.close();
                }
                let (channel, answered) = (frame.channel, Vec::new());
                self.open.push_back(Open { time, channel, to: destination, pgn, answered });
            }
            // Who says that it has no such group was there.
            ACKNOWLEDGEMENT => {
                let pgn = data.get(5..).and_then(requested);
                self.answered(frame.channel, source, pgn);
            }
            _ => {
                let known = self.answers.len() < MOST;
                // What is repeated for as long as its unit runs is sent unasked too.
                if self.answered(frame.channel, source, Some(pgn))
                    && !is_cyclic(pgn)
                    && (known || self.answers.contains_key(&(frame.channel, id)))
                {
                    *self.answers.entry((frame.channel, id)).or_default() += 1;
                }
            }
        }
    }

    /// Whether an address answers an open request with this; it answers each but once.
    fn answered(&mut self, channel: ChannelIndex, source: u8, pgn: Option<u32>) -> bool {
        let own = |open: &&mut Open| {
            open.channel == channel
                && Some(open.pgn) == pgn
                && open.to.is_none_or(|to| to == source)
                && !open.answered.contains(&source)
        };
        let open = self.open.iter_mut().find(own);
        open.map(|open| open.answered.push(source)).is_some()
    }

    /// Ends the oldest request.
    fn close(&mut self) {
        let Some(Open { time, channel, to, pgn, answered }) = self.open.pop_front() else { return };
        let Some(to) = to.filter(|_| answered.is_empty()) else { return };
        let key = (channel, to, pgn);
        if self.in_vain.len() < MOST || self.in_vain.contains_key(&key) {
            let own = self.in_vain.entry(key).or_default();
            if own.len() >= MOST_IN_VAIN {
                own.pop_front();
            }
            own.push_back(time);
        }
    }

    /// Ends what is still under way, and forgets what was heard on channels that do not speak SAE
    /// J1939, which are by channel.
    pub(super) fn finish(&mut self, j1939: &[J1939]) {
        while !self.open.is_empty() {
            self.close();
        }
        let speaks = |channel: ChannelIndex| j1939.get(usize::from(channel)) == Some(&J1939::Yes);
        self.answers.retain(|(channel, _), _| speaks(*channel));
        self.in_vain.retain(|(channel, ..), _| speaks(*channel));
    }

    /// Whether an identifier, of which so many frames were heard, is sent when it is asked for.
    pub fn is_answer(&self, channel: ChannelIndex, id: Id, frames: u64) -> bool {
        let Id::Extended(id) = id else { return false };
        let answers = self.answers.get(&(channel, id)).copied().unwrap_or(0);
        answers > 0 && answers.saturating_mul(10) >= frames.saturating_mul(OF_TEN)
    }

    /// Whether the unit that answers with an identifier was asked for it in a stretch of time, more
    /// than once, and did not answer. `None` asks for any time.
    pub fn in_vain(&self, channel: ChannelIndex, id: Id, stretch: Option<Silence>) -> bool {
        let Id::Extended(id) = id else { return false };
        let Fields { pgn, source, .. } = Fields::of(id);
        let Some(times) = self.in_vain.get(&(channel, source, pgn)) else { return false };
        let within =
            |time: Nanoseconds| stretch.is_none_or(|own| (own.start..=own.end).contains(&time));
        times.iter().filter(|time| within(time.nanoseconds())).count() >= IN_VAIN
    }
}
