//! Which identifiers carry the diagnostic transport. Broadcast data often looks like it, so an
//! identifier is only believed where its address says so, where the user says so, or where it
//! answers a request or is answered.

use std::collections::VecDeque;

use lostnode_parsers::frame::{make_id, raw_id};
use lostnode_parsers::isotp::Pdu;
use lostnode_parsers::uds;
use lostnode_parsers::{FrameKind, Id, Timestamp};

use super::{Carrier, Message, Party};
use crate::capture::{ChannelIndex, Frame};
use crate::ids::Places;
use crate::settings::{Addressing, Pair};

/// Who sends with an identifier that carries the transport.
#[derive(Clone, Copy, Debug)]
pub(super) struct Route {
    pub from: Party,
    pub to: Party,
    pub from_module: bool,
    /// Address bytes before the protocol byte.
    pub prefix: usize,
    /// Identifier whose flow control answers this one's first frames.
    pub peer: Option<Id>,
}

/// What is known of an identifier.
#[derive(Clone, Copy, Debug)]
enum Standing {
    /// Every frame so far could be a data unit; so many could answer a request.
    Possible { matches: u8 },
    /// A frame was no data unit: it carries no diagnosis.
    RuledOut,
    /// It carries the transport.
    Known(Route),
}

/// A request heard lately, by the first bytes of its message.
#[derive(Clone, Copy, Debug)]
struct Asked {
    time: Option<Timestamp>,
    channel: ChannelIndex,
    id: Id,
    data: [u8; 7],
    length: usize,
    delivered: bool,
}

/// Identifiers told apart; further ones are not looked at.
const MOST: usize = 20_000;
/// Requests remembered, and for how long, in nanoseconds: the longest wait for an answer is P2*, 5
/// s (ISO 14229-2:2013, table 4).
const RECENT: usize = 64;
const PATIENCE: i64 = 5_000_000_000;

#[derive(Debug, Default)]
pub(super) struct Endpoints {
    /// Pairs of identifiers that the user named.
    given: Vec<Pair>,
    places: Places,
    standing: Vec<Standing>,
    recent: VecDeque<Asked>,
}

impl Endpoints {
    pub fn new(pairs: &[Pair]) -> Self {
        Endpoints { given: pairs.to_vec(), ..Endpoints::default() }
    }

    /// Who is speaking in this frame, where that is known; a request may turn out to be one only
    /// when it is answered, and is then handed on late.
    pub fn route(
        &mut self,
        frame: &Frame,
        id: Id,
        deliver: &mut dyn FnMut(&Message<'_>),
    ) -> Option<Route> {
        let data = frame.kind.bytes();
        if let Some(route) = self.by_user(id, data).or_else(|| by_address(id, data)) {
            self.remember(frame, id, data, &route);
            return Some(route);
        }
        match self.standing(frame.channel, id) {
            Some(Standing::Known(route)) => {
                let route = *route;
                self.remember(frame, id, data, &route);
                Some(route)
            }
            Some(Standing::RuledOut) => None,
            _ => self.consider(frame, id, data, deliver),
        }
    }

    /// Whether an identifier of 11 bits is known to carry no diagnosis, as most of the traffic
    /// does. What a standard assigns to diagnosis is never ruled out.
    #[inline]
    pub fn is_broadcast(&self, channel: ChannelIndex, id: Id) -> bool {
        matches!(id, Id::Standard(_))
            && self.given.is_empty()
            && matches!(self.standing(channel, id), Some(Standing::RuledOut))
    }

    /// Whether an identifier is known to carry the transport.
    pub fn carries(&self, channel: ChannelIndex, id: Id) -> bool {
        self.given.iter().any(|pair| pair.request == id || pair.response == id)
            || by_address(id, &[0, 0]).is_some()
            || matches!(self.standing(channel, id), Some(Standing::Known(_)))
    }

    #[inline]
    fn standing(&self, channel: ChannelIndex, id: Id) -> Option<&Standing> {
        self.standing.get(self.places.known(channel, id)?)
    }

    /// Sets what an identifier is; one too many stays unknown.
    fn set(&mut self, channel: ChannelIndex, id: Id, standing: Standing) {
        match self.places.of(channel, id, MOST) {
            Some(place) if place < self.standing.len() => self.standing[place] = standing,
            Some(_) => self.standing.push(standing),
            None => {}
        }
    }

    fn by_user(&self, id: Id, data: &[u8]) -> Option<Route> {
        let pair = self.given.iter().find(|pair| pair.request == id || pair.response == id)?;
        let from_module = pair.response == id;
        let prefix = usize::from(pair.addressing != Addressing::Normal);
        // Told apart by the first byte where that is an address: one identifier may serve several
        // modules.
        let module = Party::Id(pair.response);
        let tester = Party::Id(pair.request);
        let (from, to) = if from_module { (module, tester) } else { (tester, module) };
        (data.len() > prefix).then_some(Route {
            from,
            to,
            from_module,
            prefix,
            peer: Some(if from_module { pair.request } else { pair.response }),
        })
    }

    /// Keeps the beginning of a request, so that its answer can be known for one.
    fn remember(&mut self, frame: &Frame, id: Id, data: &[u8], route: &Route) {
        let data = data.get(route.prefix..).unwrap_or(&[]);
        if !route.from_module
            && let Some(asked) = request(frame, id, data, route.prefix, true)
        {
            self.keep(asked);
        }
    }

    fn keep(&mut self, asked: Asked) {
        if self.recent.len() == RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(asked);
    }

    fn consider(
        &mut self,
        frame: &Frame,
        id: Id,
        data: &[u8],
        deliver: &mut dyn FnMut(&Message<'_>),
    ) -> Option<Route> {
        if self.standing.len() >= MOST && self.standing(frame.channel, id).is_none() {
            return None;
        }
        let Ok(pdu) = Pdu::parse(data, 0) else {
            self.set(frame.channel, id, Standing::RuledOut);
            return None;
        };
        let begin = match pdu {
            Pdu::Single(begin) | Pdu::First { data: begin, .. } => begin,
            Pdu::Consecutive { .. } | Pdu::FlowControl { .. } => return None,
        };
        let matches = match self.standing(frame.channel, id) {
            Some(Standing::Possible { matches }) => *matches,
            _ => 0,
        };
        let Some((at, strong)) = self.answers(frame, id, begin) else {
            self.set(frame.channel, id, Standing::Possible { matches });
            if let Some(asked) = request(frame, id, data, 0, false) {
                self.keep(asked);
            }
            return None;
        };
        if !strong && matches == 0 {
            self.set(frame.channel, id, Standing::Possible { matches: 1 });
            return None;
        }
        let asked = self.recent[at];
        let route = Route {
            from: Party::Id(id),
            to: Party::Id(asked.id),
            from_module: true,
            prefix: 0,
            peer: None,
        };
        let functional =
            by_address(asked.id, &asked.data).is_some_and(|route| route.to == Party::Everyone);
        let peer = if functional { usual_request(id) } else { Some(asked.id) };
        self.set(frame.channel, id, Standing::Known(Route { peer, ..route }));
        if let Some(peer) = peer {
            let request = Route {
                from: Party::Id(peer),
                to: Party::Id(id),
                from_module: false,
                prefix: 0,
                peer: Some(id),
            };
            self.set(frame.channel, peer, Standing::Known(request));
        }
        if !asked.delivered {
            self.recent[at].delivered = true;
            deliver(&Message {
                time: asked.time,
                begun: asked.time,
                channel: asked.channel,
                id: asked.id,
                from: Party::Id(asked.id),
                to: Party::Id(id),
                from_module: false,
                carrier: Carrier::IsoTp,
                data: &asked.data[..asked.length],
                length: asked.length as u32,
                incomplete: None,
            });
        }
        Some(Route { peer, ..route })
    }

    /// The request that a message answers: same service, and the bytes that an answer repeats.
    /// Strong where such bytes agree, or where the identifier lies in the range that makers use for
    /// diagnosis (0x700 to 0x7FF; common practice, no source).
    fn answers(&self, frame: &Frame, id: Id, begin: &[u8]) -> Option<(usize, bool)> {
        let usual = matches!(id, Id::Standard(id) if id.as_raw() >= 0x700);
        self.recent.iter().enumerate().rev().find_map(|(at, asked)| {
            let fresh = match (frame.time, asked.time) {
                (Some(now), Some(then)) => (0..=PATIENCE).contains(&now.since(then)),
                _ => true,
            };
            if asked.channel != frame.channel || asked.id == id || !fresh {
                return None;
            }
            let sent = &asked.data[..asked.length];
            match uds::Message::parse(begin) {
                uds::Message::Positive { service, data } if sent.first() == Some(&service.id) => {
                    let echo = service.echo.min(sent.len() - 1);
                    // The highest bit of a sub-function is not repeated.
                    let same = (0..echo).all(|byte| {
                        data.get(byte).is_some_and(|got| got & 0x7F == sent[byte + 1] & 0x7F)
                    });
                    same.then_some((at, echo >= 1 || usual))
                }
                uds::Message::Negative { service, .. } if sent.first() == Some(&service) => {
                    Some((at, usual))
                }
                _ => None,
            }
        })
    }
}

/// The beginning of a request of a known service.
fn request(frame: &Frame, id: Id, data: &[u8], prefix: usize, delivered: bool) -> Option<Asked> {
    let begin = match Pdu::parse(data, prefix).ok()? {
        Pdu::Single(begin) | Pdu::First { data: begin, .. } => begin,
        _ => return None,
    };
    let uds::Message::Request { .. } = uds::Message::parse(begin) else { return None };
    let mut kept = [0; 7];
    let length = begin.len().min(7);
    kept[..length].copy_from_slice(&begin[..length]);
    let whole = matches!(frame.kind, FrameKind::Classic(_));
    whole.then_some(Asked {
        time: frame.time,
        channel: frame.channel,
        id,
        data: kept,
        length,
        delivered,
    })
}

/// Request identifier that usually belongs to a response identifier: 8 below it (ISO 15765-4 for
/// 7E8 to 7EF; common practice elsewhere).
fn usual_request(response: Id) -> Option<Id> {
    match response {
        Id::Standard(id) if id.as_raw() & 8 != 0 => make_id(u32::from(id.as_raw()) - 8, false),
        _ => None,
    }
}

/// Addresses that a standard assigns to diagnosis.
fn by_address(id: Id, data: &[u8]) -> Option<Route> {
    let raw = raw_id(id);
    let other = |raw: u32, extended: bool| make_id(raw, extended);
    match id {
        // ISO 15765-4:2016, 6.3.2.
        Id::Standard(_) => match raw {
            0x7DF => Some(Route {
                from: Party::Id(id),
                to: Party::Everyone,
                from_module: false,
                prefix: 0,
                peer: None,
            }),
            0x7E0..=0x7E7 => {
                let module = other(raw + 8, false)?;
                Some(Route {
                    from: Party::Id(id),
                    to: Party::Id(module),
                    from_module: false,
                    prefix: 0,
                    peer: Some(module),
                })
            }
            0x7E8..=0x7EF => {
                let tester = other(raw - 8, false)?;
                Some(Route {
                    from: Party::Id(id),
                    to: Party::Id(tester),
                    from_module: true,
                    prefix: 0,
                    peer: Some(tester),
                })
            }
            _ => None,
        },
        // ISO 15765-2:2016, 10.3.3 and 10.3.5: normal fixed and mixed addressing.
        Id::Extended(_) => {
            let (format, target, source) = (raw >> 16 & 0x3FF, (raw >> 8) as u8, raw as u8);
            let (prefix, functional) = match format {
                0xDA => (0, false),
                0xDB => (0, true),
                0xCE => (1, false),
                0xCD => (1, true),
                _ => return None,
            };
            if data.len() <= prefix {
                return None;
            }
            let peer = other(raw & 0x1FFF_0000 | u32::from(source) << 8 | u32::from(target), true);
            Some(Route {
                from: Party::Address(source),
                to: if functional { Party::Everyone } else { Party::Address(target) },
                // F0 to FD are testers (ISO 15765-4:2016, 6.3.3: F1 is the external test
                // equipment).
                from_module: !(0xF0..=0xFD).contains(&source),
                prefix,
                peer: (!functional).then_some(peer).flatten(),
            })
        }
    }
}
