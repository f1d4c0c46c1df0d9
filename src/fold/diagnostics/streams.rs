//! One reassembly for each sender, in bounded memory.

use std::collections::HashMap;

use lostnode_parsers::isotp::{Event, Fault, Incomplete, Pdu, Reassembler};
use lostnode_parsers::{Id, Timestamp};

use super::address::Route;
use super::{Carrier, Counted, Message, counted};
use crate::capture::{ChannelIndex, Frame};
use crate::ids::Map;

/// Bytes kept of a message; a longer one is followed to its end, and its length told.
const KEPT: usize = 16 << 10;
/// Messages under way at once; beyond that the oldest is given up.
const MOST_OPEN: usize = 256;

type Key = (ChannelIndex, Id, Option<u8>);

/// What a frame holds, and who sent it.
struct DataUnit<'f> {
    pdu: Pdu<'f>,
    route: &'f Route,
}

#[derive(Debug)]
struct Stream {
    reassembler: Box<Reassembler<KEPT>>,
    route: Route,
    /// Order in which streams were opened.
    opened: u64,
}

/// Messages under way. A stream is dropped when its message ends, so there are never more than are
/// open.
#[derive(Debug, Default)]
pub(super) struct Streams {
    open: HashMap<Key, Stream>,
    opened: u64,
    /// Data units that no receiver would take: none at all, or consecutive frames that belong to
    /// nothing or do not fit.
    ignored: Map<Counted, u64>,
    latest: Option<Timestamp>,
}

impl Streams {
    pub fn ignored(&self) -> &Map<Counted, u64> {
        &self.ignored
    }

    fn ignore(&mut self, (channel, id, _): Key, route: &Route) {
        *self.ignored.entry(counted(channel, id, route.from)).or_default() += 1;
    }

    pub fn push(
        &mut self,
        frame: &Frame,
        id: Id,
        route: &Route,
        deliver: &mut dyn FnMut(&Message<'_>),
    ) {
        self.latest = self.latest.max(frame.time);
        let whole = frame.kind.bytes();
        let Some((prefix, data)) = whole.split_at_checked(route.prefix) else { return };
        let address = prefix.first().copied();
        let key = (frame.channel, id, address);
        let Ok(pdu) = Pdu::parse(data, route.prefix) else { return self.ignore(key, route) };
        match pdu {
            Pdu::FlowControl { status, .. } => {
                if let Some(peer) = route.peer {
                    self.flow_control(frame, peer, status, deliver);
                }
            }
            // The common case needs no memory.
            Pdu::Single(bytes) if !self.open.contains_key(&key) => {
                let message = message(route, key, bytes);
                deliver(&Message { time: frame.time, begun: frame.time, ..message });
            }
            Pdu::Consecutive { .. } if !self.open.contains_key(&key) => self.ignore(key, route),
            _ => self.step(frame, key, DataUnit { pdu, route }, deliver),
        }
    }

    fn step(
        &mut self,
        frame: &Frame,
        key: Key,
        DataUnit { pdu, route }: DataUnit<'_>,
        deliver: &mut dyn FnMut(&Message<'_>),
    ) {
        if self.open.len() >= MOST_OPEN && !self.open.contains_key(&key) {
            self.give_up_oldest(deliver);
        }
        let opened = self.opened;
        self.opened += 1;
        let stream = self.open.entry(key).or_insert_with(|| Stream {
            reassembler: Box::new(Reassembler::new()),
            route: *route,
            opened,
        });
        let begun = stream.reassembler.begun();
        // What begins anew is written over what there was; a part that follows is not.
        let anew = matches!(pdu, Pdu::Single(_) | Pdu::First { .. });
        let before = anew.then(|| stream.reassembler.message().to_vec());
        let step = stream.reassembler.push(frame.time, pdu, frame.kind.bytes().len());
        let message = |data| Message { time: frame.time, ..message(&stream.route, key, data) };
        if let Some(incomplete) = step.ended {
            let (length, incomplete) = (incomplete.length, Some(incomplete));
            let kept = before.as_deref().unwrap_or_else(|| stream.reassembler.message());
            deliver(&Message { begun, length, incomplete, ..message(kept) });
        }
        match step.event {
            Event::Message(length) => {
                let begun = stream.reassembler.begun();
                deliver(&Message { begun, length, ..message(stream.reassembler.message()) });
            }
            Event::Ignored | Event::Progress => {}
        }
        let ignored = matches!(step.event, Event::Ignored);
        if !stream.reassembler.is_open() {
            self.open.remove(&key);
        }
        if ignored {
            self.ignore(key, route);
        }
    }

    fn flow_control(
        &mut self,
        frame: &Frame,
        sender: Id,
        status: u8,
        deliver: &mut dyn FnMut(&Message<'_>),
    ) {
        let now = frame.time;
        let keys: Vec<Key> = self
            .open
            .keys()
            .filter(|key| key.0 == frame.channel && key.1 == sender)
            .copied()
            .collect();
        for key in keys {
            let Some(stream) = self.open.get_mut(&key) else { continue };
            // What is overdue is not revived by a late answer.
            let ended = stream
                .reassembler
                .expire(now)
                .or_else(|| stream.reassembler.flow_control(now, status));
            if let Some(incomplete) = ended {
                end(key, stream, now, incomplete, deliver);
                self.open.remove(&key);
            }
        }
    }

    fn give_up_oldest(&mut self, deliver: &mut dyn FnMut(&Message<'_>)) {
        if let Some(key) =
            self.open.iter().min_by_key(|(_, stream)| stream.opened).map(|(key, _)| *key)
            && let Some(mut stream) = self.open.remove(&key)
            && let Some(incomplete) = stream.reassembler.end(Fault::NoFlowControl)
        {
            end(key, &stream, None, incomplete, deliver);
        }
    }

    pub fn finish(&mut self, deliver: &mut dyn FnMut(&Message<'_>)) {
        let mut rest: Vec<(Key, Stream)> = self.open.drain().collect();
        rest.sort_by_key(|(_, stream)| stream.opened);
        for (key, mut stream) in rest {
            let ended = stream
                .reassembler
                .expire(self.latest)
                .or_else(|| stream.reassembler.end(Fault::EndOfCapture));
            if let Some(incomplete) = ended {
                end(key, &stream, None, incomplete, deliver);
            }
        }
    }
}

fn end(
    key: Key,
    stream: &Stream,
    time: Option<Timestamp>,
    incomplete: Incomplete,
    deliver: &mut dyn FnMut(&Message<'_>),
) {
    let begun = stream.reassembler.begun();
    deliver(&Message {
        time: time.or(begun),
        begun,
        length: incomplete.length,
        incomplete: Some(incomplete),
        ..message(&stream.route, key, stream.reassembler.message())
    });
}

/// A whole message of these bytes, without its times.
fn message<'m>(route: &Route, (channel, id, _): Key, data: &'m [u8]) -> Message<'m> {
    let Route { from, to, from_module, .. } = *route;
    Message {
        time: None,
        begun: None,
        channel,
        id,
        from,
        to,
        from_module,
        carrier: Carrier::IsoTp,
        data,
        length: data.len() as u32,
        incomplete: None,
    }
}
