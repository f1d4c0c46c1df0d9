//! How an identifier behaves that was taken for the transport because it answered a request once,
//! or was answered. Broadcast data can look like an answer by chance; what tells them apart in the
//! end is that a module never answers unasked.

use std::collections::VecDeque;

use lostnode_parsers::isotp::Pdu;
use lostnode_parsers::uds;
use lostnode_parsers::{Id, Timestamp};

use crate::capture::{ChannelIndex, Frame};

/// What an identifier sent, counted in frames.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Conduct {
    frames: u32,
    /// That no receiver would take for a data unit.
    bad: u32,
    /// Single and first frames: each begins a message.
    begins: u32,
    /// Beginnings that say nothing a tester or a module would say.
    meaningless: u32,
    /// Beginnings that answer a request.
    asked: u32,
}

impl Conduct {
    /// Takes a frame, whose message answers a request where `asked`; `asks` where it comes from a
    /// tester.
    pub fn push(&mut self, pdu: Option<Pdu<'_>>, asks: bool, asked: bool) {
        self.frames = self.frames.saturating_add(1);
        let Some(pdu) = pdu else {
            self.bad = self.bad.saturating_add(1);
            return;
        };
        let Some(begin) = begin(pdu) else { return };
        self.begins = self.begins.saturating_add(1);
        let meaning = match uds::Message::parse(begin) {
            uds::Message::Request { .. } => true,
            uds::Message::Positive { .. } | uds::Message::Negative { .. } => !asks,
            uds::Message::Unknown => false,
        };
        self.meaningless = self.meaningless.saturating_add(u32::from(!meaning));
        self.asked = self.asked.saturating_add(u32::from(asked));
    }

    /// Whether nine of ten frames are data units and eight of ten messages begin with a service.
    /// Not all: a transmission error may hit any frame, and makers have services of their own.
    pub fn makes_sense(&self) -> bool {
        10 * u64::from(self.bad) <= u64::from(self.frames)
            && 5 * u64::from(self.meaningless) <= u64::from(self.begins)
    }

    /// Whether seven of ten of its messages were asked for. Not all: a recording begins in the
    /// middle of an exchange, and loses requests as it loses other frames.
    pub fn answers(&self) -> bool {
        self.begins > 0 && 10 * u64::from(self.asked) >= 7 * u64::from(self.begins)
    }
}

/// First bytes of the message that a data unit begins.
pub(super) fn begin(pdu: Pdu<'_>) -> Option<&[u8]> {
    match pdu {
        Pdu::Single(begin) | Pdu::First { data: begin, .. } => Some(begin),
        Pdu::Consecutive { .. } | Pdu::FlowControl { .. } => None,
    }
}

/// A module begins to answer within P2, 50 ms (ISO 14229-2:2013, table 4); the rest is for a
/// gateway on the way there and back, and for the logger. In nanoseconds.
const PROMPT: i64 = 150_000_000;
/// After "answer pending" a module answers within P2*, 5 s (the same table). In nanoseconds.
const PENDING: i64 = 5_000_000_000;
/// Requests kept; a tester asks few modules at once.
const MOST_REQUESTS: usize = 64;

/// A request to all has no more modules to answer it.
const MOST_ANSWERS: usize = 256;

#[derive(Clone, Debug)]
struct Open {
    /// When its last frame so far came.
    time: Option<Timestamp>,
    channel: ChannelIndex,
    id: Id,
    service: u8,
    /// Who has answered it.
    answered: Vec<Id>,
    /// Who asked for more time, and when last.
    pending: Vec<(Id, Option<Timestamp>)>,
}

impl Open {
    /// Whether an answer of this identifier can be one to it. Without time stamps order is enough.
    fn awaits(&self, id: Id, now: Option<Timestamp>) -> bool {
        if self.answered.len() >= MOST_ANSWERS {
            return false;
        }
        let pending = self.pending.iter().find(|(other, _)| *other == id);
        let (since, limit) = pending.map_or((self.time, PROMPT), |(_, time)| (*time, PENDING));
        let late = matches!((now, since), (Some(now), Some(since)) if now.since(since) > limit);
        !late && !self.answered.contains(&id)
    }
}

/// Requests heard lately of those that carry the transport.
#[derive(Clone, Debug, Default)]
pub(super) struct Requests {
    open: VecDeque<Open>,
}

impl Requests {
    /// Takes a data unit of a tester.
    pub fn push(&mut self, frame: &Frame, id: Id, pdu: Pdu<'_>) {
        let Some(begin) = begin(pdu) else {
            let own = |open: &&mut Open| open.id == id && open.channel == frame.channel;
            // A long request has been asked when its last frame has come.
            if let Some(open) = self.open.iter_mut().rev().find(own) {
                open.time = frame.time;
            }
            return;
        };
        let uds::Message::Request { service, .. } = uds::Message::parse(begin) else { return };
        if self.open.len() == MOST_REQUESTS {
            self.open.pop_front();
        }
        self.open.push_back(Open {
            time: frame.time,
            channel: frame.channel,
            id,
            service: service.id,
            answered: Vec::new(),
            pending: Vec::new(),
        });
    }

    /// Whether a message of a module answers a request; it answers each but once.
    pub fn answered(&mut self, frame: &Frame, id: Id, begin: &[u8]) -> bool {
        let (service, pending) = match uds::Message::parse(begin) {
            uds::Message::Positive { service, .. } => (service.id, false),
            uds::Message::Negative { service, reason } => {
                (service, reason == uds::RESPONSE_PENDING)
            }
            _ => return false,
        };
        let own = |open: &&mut Open| {
            open.channel == frame.channel
                && open.id != id
                && open.service == service
                && open.awaits(id, frame.time)
        };
        let Some(open) = self.open.iter_mut().rev().find(own) else { return false };
        if pending {
            open.pending.retain(|(other, _)| *other != id);
            if open.pending.len() < MOST_ANSWERS {
                open.pending.push((id, frame.time));
            }
        } else {
            open.answered.push(id);
        }
        true
    }
}
