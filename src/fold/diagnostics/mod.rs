//! What a tester and the modules say to each other in the capture: messages, codes and their
//! history, identity. Which traffic is taken for diagnosis, and what is read from it:
//! docs/diagnostics.md.

mod address;
mod asked;
mod began;
pub mod claims;
mod codes;
mod conduct;
mod endpoints;
mod exchanges;
mod hush;
mod identity;
pub mod in_parts;
mod j1939;
pub mod meaning;
mod spn_codes;
mod spn_lists;
mod stored;
mod streams;
pub mod supply;
mod told;

use std::collections::BTreeMap;
use std::fmt;

use lostnode_parsers::frame::DisplayId;
use lostnode_parsers::isotp::{Fault, Incomplete};
use lostnode_parsers::{FrameKind, Id, Timestamp};

use crate::capture::{Batch, ChannelIndex, Frame};
use crate::fold::j1939::J1939;
use crate::ids::Map;
use crate::settings::Pair;

pub(crate) use address::{EVERYONE, answers_about_emissions, asks_everyone};
pub use asked::Asked;
pub use codes::{CodeHistory, CodeNumber, Codes, Seen};
pub use exchanges::{Answered, Exchanges, Mute, Reset, Talk};
pub use hush::{Hush, Whose};
pub use identity::{Identities, Identity, IdentitySource, Vehicle, is_vin};
pub(crate) use identity::{has_vin_form, has_vin_length, is_blank};
pub use in_parts::InParts;
pub use stored::Stored;

/// Who speaks, or is spoken to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Party {
    /// By the identifier it sends with.
    Id(Id),
    /// By an address.
    Address(u8),
    /// All modules.
    Everyone,
}

impl fmt::Display for Party {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Party::Id(id) => write!(f, "0x{}", DisplayId(*id)),
            Party::Address(address) => write!(f, "address 0x{address:02X}"),
            Party::Everyone => f.write_str("all"),
        }
    }
}

/// A module: where it was heard, and by what it answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Module {
    /// The channel.
    pub channel: ChannelIndex,
    /// What it answers by.
    pub party: Party,
}

/// How a message was carried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carrier {
    /// ISO 15765-2.
    IsoTp,
    /// SAE J1939, in one frame or through its transport.
    J1939 {
        /// Parameter group.
        pgn: u32,
    },
}

/// A whole message, or what there was of one.
#[derive(Clone, Copy, Debug)]
pub struct Message<'a> {
    /// When its last frame came.
    pub time: Option<Timestamp>,
    /// When its first frame came.
    pub begun: Option<Timestamp>,
    /// Channel.
    pub channel: ChannelIndex,
    /// Identifier of its frames.
    pub id: Id,
    /// Who sent it.
    pub from: Party,
    /// Who it is for.
    pub to: Party,
    /// Whether it comes from a module rather than from a tester.
    pub from_module: bool,
    /// How it was carried.
    pub carrier: Carrier,
    /// Its bytes, as many as were kept.
    pub data: &'a [u8],
    /// Bytes it has in all.
    pub length: u32,
    /// Why it is not whole, where it is not.
    pub incomplete: Option<Incomplete>,
}

/// Puts messages together from frames; what it makes of them is up to the caller.
#[derive(Debug, Default)]
pub struct Transport {
    endpoints: endpoints::Endpoints,
    streams: streams::Streams,
    j1939: j1939::Sessions,
}

impl Transport {
    /// With the pairs of identifiers that the user named.
    pub fn new(pairs: &[Pair]) -> Self {
        Transport { endpoints: endpoints::Endpoints::new(pairs), ..Transport::default() }
    }

    /// Takes the next frame of the capture and hands on each message that ends with it.
    #[inline]
    pub fn push(&mut self, frame: &Frame, deliver: &mut dyn FnMut(&Message<'_>)) {
        if let Some(id) = frame.kind.id()
            && !self.endpoints.is_broadcast(frame.channel, id)
        {
            self.take(frame, id, deliver);
        }
    }

    fn take(&mut self, frame: &Frame, id: Id, deliver: &mut dyn FnMut(&Message<'_>)) {
        if matches!(frame.kind, FrameKind::Classic(classic) if classic.is_remote()) {
            return;
        }
        if let Id::Extended(extended) = id
            && self.j1939.push(frame, extended, deliver)
        {
            return;
        }
        let Some(route) = self.endpoints.route(frame, id, deliver) else { return };
        self.streams.push(frame, id, &route, deliver);
    }

    /// Ends what is still under way.
    pub fn finish(&mut self, deliver: &mut dyn FnMut(&Message<'_>)) {
        self.streams.finish(deliver);
        self.j1939.finish(deliver);
    }

    /// Data units so far that no receiver would have taken.
    pub fn ignored(&self) -> u64 {
        self.streams.ignored().values().sum()
    }
}

/// Folds the frames of diagnostic traffic.
#[derive(Debug, Default)]
pub struct Diagnostics {
    transport: Transport,
    heard: Heard,
    finished: bool,
}

impl std::ops::Deref for Diagnostics {
    type Target = Heard;

    fn deref(&self) -> &Heard {
        &self.heard
    }
}

/// Everything that is kept of diagnostic traffic.
#[derive(Debug, Default)]
pub struct Heard {
    /// Requests and their answers.
    pub exchanges: Exchanges,
    /// Trouble codes with their history.
    pub codes: Codes,
    /// Who each module says it is.
    pub identities: Identities,
    /// Freeze frames and test results.
    pub stored: Stored,
    /// Groups that came in packets (SAE J1939).
    pub in_parts: InParts,
    /// Groups that were sent because they were asked for (SAE J1939).
    pub asked: Asked,
    /// Whole messages of the diagnostic transport, and those that stayed incomplete, by reason:
    /// counted at the end.
    pub messages: MessageCounts,
    counts: Map<Counted, MessageCounts>,
    broadcasts: hush::Broadcasts,
}

/// Whose messages are counted together: an identifier's, or all of those that have an address,
/// which are never forgotten.
type Counted = Option<(ChannelIndex, Id)>;

fn counted(channel: ChannelIndex, id: Id, from: Party) -> Counted {
    matches!(from, Party::Id(_)).then_some((channel, id))
}

/// How many messages came through.
#[derive(Clone, Debug, Default)]
pub struct MessageCounts {
    /// Whole ones.
    pub complete: u64,
    /// Incomplete ones, by reason, in the order of [`lostnode_parsers::isotp::Fault`].
    pub incomplete: BTreeMap<Fault, u64>,
    /// Data units that no receiver would have taken.
    pub ignored: u64,
}

impl Diagnostics {
    /// With the pairs of identifiers that the user named.
    pub fn new(pairs: &[Pair]) -> Self {
        Diagnostics { transport: Transport::new(pairs), ..Diagnostics::default() }
    }

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        // In most of a capture nobody asks, and what is known to carry no diagnosis does not make
        // anything else be it.
        let endpoints = &self.transport.endpoints;
        if batch.grouped().iter().all(|group| endpoints.is_broadcast(group.channel, group.id)) {
            return;
        }
        let Diagnostics { transport, heard, .. } = self;
        for frame in &batch.frames {
            heard.asked.push(frame);
            heard.broadcasts.push(frame);
            transport.push(frame, &mut |message| heard.push(message));
        }
    }

    /// Whether an identifier carries diagnosis, as far as can be said by now.
    pub fn carries(&self, channel: ChannelIndex, id: Id) -> bool {
        self.transport.endpoints.carries(channel, id)
    }

    /// Ends what is still under way, and forgets what turned out to be no diagnosis; to be called
    /// once, after the last frame. `j1939` is by channel: what stands for SAE J1939 is forgotten
    /// on a channel that does not speak it.
    pub fn finish(&mut self, j1939: &[J1939]) {
        if std::mem::replace(&mut self.finished, true) {
            return;
        }
        let Diagnostics { transport, heard, .. } = self;
        transport.finish(&mut |message| heard.push(message));
        for (counted, ignored) in transport.streams.ignored() {
            heard.counts.entry(*counted).or_default().ignored = *ignored;
        }
        heard.exchanges.finish();
        heard.asked.finish(j1939);
        heard.exchanges.hushes.extend(heard.broadcasts.finish(j1939));
        for (channel, id) in transport.endpoints.settle(j1939) {
            heard.forget(channel, id);
        }
        let speaks = |channel| j1939.get(usize::from(channel)) == Some(&J1939::Yes);
        heard.codes.settle_format(&speaks);
        heard.codes.settle_j1939(&speaks);
        heard.identities.settle_j1939(&speaks);
        heard.messages = MessageCounts::sum(heard.counts.values());
    }
}

impl MessageCounts {
    fn sum<'c>(all: impl Iterator<Item = &'c MessageCounts>) -> MessageCounts {
        all.fold(MessageCounts::default(), |mut sum, counts| {
            sum.complete += counts.complete;
            sum.ignored += counts.ignored;
            for (fault, count) in &counts.incomplete {
                *sum.incomplete.entry(*fault).or_default() += count;
            }
            sum
        })
    }
}

impl Heard {
    fn push(&mut self, message: &Message<'_>) {
        let iso_tp = message.carrier == Carrier::IsoTp;
        if iso_tp {
            let counted = counted(message.channel, message.id, message.from);
            let counts = self.counts.entry(counted).or_default();
            match message.incomplete {
                Some(incomplete) => *counts.incomplete.entry(incomplete.fault).or_default() += 1,
                None => counts.complete += 1,
            }
        }
        if message.incomplete.is_some() {
            if iso_tp {
                self.exchanges.broken(message);
            }
            return;
        }
        match message.carrier {
            Carrier::IsoTp => {
                let request = self.exchanges.push(message);
                self.codes.push(message, request.as_ref());
                self.identities.push(message);
                self.stored.push(message);
            }
            Carrier::J1939 { pgn } => {
                self.note_parts(message, pgn);
                self.codes.push_j1939(message, pgn);
                self.identities.push_j1939(message, pgn);
            }
        }
    }

    /// Notes what came in packets for all.
    fn note_parts(&mut self, message: &Message<'_>, pgn: u32) {
        let (Party::Address(source), Party::Everyone) = (message.from, message.to) else { return };
        if let (Some(begun), Some(ended)) = (message.begun, message.time)
            && message.length > 8
        {
            let times = (begun.nanoseconds(), ended.nanoseconds());
            self.in_parts.push((message.channel, source, pgn), times);
        }
    }

    /// Forgets what came with an identifier that carries no diagnosis after all.
    fn forget(&mut self, channel: ChannelIndex, id: Id) {
        let module = Module { channel, party: Party::Id(id) };
        self.exchanges.talks.remove(&module);
        self.codes.forget(module);
        self.identities.forget(module);
        self.stored.forget(module);
        self.counts.remove(&Some((channel, id)));
    }
}
