//! SAE J1939: the groups that matter to a diagnostician, and its transport (BAM and connection
//! mode).

use std::collections::HashMap;

use lostnode_parsers::isotp::{Fault, Incomplete};
use lostnode_parsers::j1939::{self, Control, Fields};
use lostnode_parsers::{ExtendedId, Id, Timestamp};

use super::{Carrier, Message, Party};
use crate::capture::{ChannelIndex, Frame};

/// Messages under way at once; beyond that new ones are not followed.
const MOST_OPEN: usize = 256;
/// Longest pause between packets, T1 (SAE J1939-21, 5.10.2.4; from memory), in nanoseconds.
const T1: i64 = 750_000_000;

/// Who a message is from, and for where it is not for all. Those under way are ended in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Key {
    channel: ChannelIndex,
    source: u8,
    destination: Option<u8>,
}

impl Key {
    /// The other way round, as its receiver answers.
    fn reverse(self) -> Key {
        let source = self.destination.unwrap_or(self.source);
        Key { source, destination: Some(self.source), ..self }
    }

    /// A message of one frame, without its time.
    fn message(self, id: Id, pgn: u32, data: &[u8]) -> Message<'_> {
        Message {
            time: None,
            begun: None,
            channel: self.channel,
            id,
            from: Party::Address(self.source),
            to: self.destination.map_or(Party::Everyone, Party::Address),
            from_module: true,
            carrier: Carrier::J1939 { pgn },
            data,
            length: data.len() as u32,
            incomplete: None,
        }
    }
}

#[derive(Debug)]
struct Session {
    pgn: u32,
    length: u16,
    packets: u8,
    next: u8,
    data: Vec<u8>,
    begun: Option<Timestamp>,
    last: Option<Timestamp>,
    id: Id,
}

impl Session {
    /// What there is of the message, ended by a frame at `time` or broken off for a fault.
    fn message(&self, key: Key, time: Option<Timestamp>, fault: Option<Fault>) -> Message<'_> {
        let (received, length) = (self.data.len() as u32, u32::from(self.length));
        let incomplete = fault.map(|fault| Incomplete { fault, received, length });
        let message = key.message(self.id, self.pgn, &self.data);
        Message { time, begun: self.begun, length, incomplete, ..message }
    }
}

/// Follows the transport of each sender and destination.
#[derive(Debug, Default)]
pub(super) struct Sessions {
    open: HashMap<Key, Session>,
}

/// Groups that are handed on when they come in one frame.
const SINGLE: [u32; 6] = [
    j1939::DM1,
    j1939::DM2,
    j1939::ADDRESS_CLAIMED,
    j1939::ELECTRICAL_POWER,
    j1939::VEHICLE_IDENTIFICATION,
    j1939::SOFTWARE_IDENTIFICATION,
];

impl Sessions {
    /// Takes a frame with a 29-bit identifier; `true` where it was one of these.
    pub fn push(
        &mut self,
        frame: &Frame,
        id: ExtendedId,
        deliver: &mut dyn FnMut(&Message<'_>),
    ) -> bool {
        let fields = Fields::of(id);
        let data = frame.kind.bytes();
        let key = Key {
            channel: frame.channel,
            source: fields.source,
            destination: fields.destination.filter(|address| *address != 0xFF),
        };
        match fields.pgn {
            j1939::TRANSPORT_CONTROL => self.control(frame, Id::Extended(id), key, deliver),
            j1939::TRANSPORT_DATA => self.data(frame, key, deliver),
            pgn if SINGLE.contains(&pgn) => {
                let message = key.message(Id::Extended(id), pgn, data);
                deliver(&Message { time: frame.time, begun: frame.time, ..message });
            }
            _ => return false,
        }
        true
    }

    fn control(&mut self, frame: &Frame, id: Id, key: Key, deliver: &mut dyn FnMut(&Message<'_>)) {
        match Control::parse(frame.kind.bytes()) {
            Some(
                Control::Announce { length, packets, pgn }
                | Control::Request { length, packets, pgn },
            ) => {
                if let Some(session) = self.open.remove(&key) {
                    deliver(&session.message(key, frame.time, Some(Fault::Interrupted)));
                }
                if self.open.len() < MOST_OPEN {
                    let (begun, data) = (frame.time, Vec::with_capacity(usize::from(length)));
                    self.open.insert(
                        key,
                        Session { pgn, length, packets, next: 1, data, begun, last: begun, id },
                    );
                }
            }
            Some(Control::Abort) => {
                // Either side may give up: the sender of the session, or its receiver.
                for key in [key, key.reverse()] {
                    if let Some(session) = self.open.remove(&key) {
                        deliver(&session.message(key, frame.time, Some(Fault::Overflow)));
                    }
                }
            }
            Some(Control::Clear) => {
                if let Some(session) = self.open.get_mut(&key.reverse()) {
                    session.last = frame.time.or(session.last);
                }
            }
            Some(Control::End) | None => {}
        }
    }

    fn data(&mut self, frame: &Frame, key: Key, deliver: &mut dyn FnMut(&Message<'_>)) {
        let (Some(session), Some((number, bytes))) =
            (self.open.get_mut(&key), frame.kind.bytes().split_first())
        else {
            return;
        };
        let late =
            matches!((frame.time, session.last), (Some(now), Some(last)) if now.since(last) > T1);
        let fault = if late {
            Some(Fault::Timeout)
        } else if *number != session.next {
            // A packet may be sent again; one out of order breaks the message.
            if *number < session.next { return } else { Some(Fault::WrongSequence) }
        } else {
            None
        };
        if let Some(fault) = fault {
            if let Some(session) = self.open.remove(&key) {
                deliver(&session.message(key, frame.time, Some(fault)));
            }
            return;
        }
        let room = usize::from(session.length) - session.data.len();
        session.data.extend_from_slice(&bytes[..bytes.len().min(room)]);
        session.last = frame.time.or(session.last);
        session.next = session.next.saturating_add(1);
        if *number == session.packets
            && let Some(session) = self.open.remove(&key)
        {
            let whole = session.data.len() == usize::from(session.length);
            let fault = (!whole).then_some(Fault::WrongSequence);
            deliver(&session.message(key, frame.time, fault));
        }
    }

    pub fn finish(&mut self, deliver: &mut dyn FnMut(&Message<'_>)) {
        let mut rest: Vec<(Key, Session)> = self.open.drain().collect();
        rest.sort_by_key(|(key, _)| *key);
        for (key, session) in rest {
            deliver(&session.message(key, session.last, Some(Fault::EndOfCapture)));
        }
    }
}
