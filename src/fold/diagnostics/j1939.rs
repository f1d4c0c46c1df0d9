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
/// Longest pause of a message for one unit, where the receiver has a say: T2 and T3 (the same
/// clause; from memory), in nanoseconds.
const T2: i64 = 1_250_000_000;

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
    /// Room for the whole message, packets at their places.
    data: Vec<u8>,
    /// Packets that are there, by number from 1.
    have: [bool; 256],
    begun: Option<Timestamp>,
    last: Option<Timestamp>,
    id: Id,
}

impl Session {
    fn new(pgn: u32, length: u16, packets: u8, begun: Option<Timestamp>, id: Id) -> Session {
        let data = vec![0; usize::from(length)];
        Session { pgn, length, packets, data, have: [false; 256], begun, last: begun, id }
    }

    /// The packets of the message that are there, without a gap from the first.
    fn contiguous(&self) -> usize {
        self.have[1..=usize::from(self.packets)].iter().take_while(|have| **have).count()
    }

    /// Puts a packet at its place.
    fn put(&mut self, number: u8, bytes: &[u8]) {
        let start = usize::from(number - 1) * 7;
        let end = (start + bytes.len().min(7)).min(self.data.len());
        self.data[start..end].copy_from_slice(&bytes[..end - start]);
        // A packet that is shorter than the message needs has not come.
        self.have[usize::from(number)] = end - start == 7 || end == self.data.len();
    }

    /// What there is of the message, ended by a frame at `time` or broken off for a fault.
    fn message(&self, key: Key, time: Option<Timestamp>, fault: Option<Fault>) -> Message<'_> {
        let there = (self.contiguous() * 7).min(self.data.len());
        let (received, length) = (there as u32, u32::from(self.length));
        let incomplete = fault.map(|fault| Incomplete { fault, received, length });
        let message = key.message(self.id, self.pgn, &self.data[..there]);
        Message { time, begun: self.begun, length, incomplete, ..message }
    }
}

/// Follows the transport of each sender and destination.
#[derive(Debug, Default)]
pub(super) struct Sessions {
    open: HashMap<Key, Session>,
}

/// Groups that are handed on when they come in one frame.
const SINGLE: [u32; 10] = [
    j1939::DM1,
    j1939::DM2,
    j1939::DM6,
    j1939::DM12,
    j1939::DM23,
    j1939::DM28,
    j1939::ADDRESS_CLAIMED,
    j1939::ELECTRICAL_POWER,
    j1939::VEHICLE_IDENTIFICATION,
    j1939::SOFTWARE_IDENTIFICATION,
];

/// Whether a tester asks for codes or for a clear of them, or is told what became of it: of all
/// that units ask of each other only that is handed on.
fn is_about_codes(pgn: u32, data: &[u8]) -> bool {
    let about = match pgn {
        j1939::REQUEST => j1939::requested(data),
        j1939::ACKNOWLEDGEMENT => data.get(5..8).and_then(j1939::requested),
        _ => None,
    };
    about.is_some_and(j1939::is_of_codes)
}

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
            pgn if SINGLE.contains(&pgn) || is_about_codes(pgn, data) => {
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
                    self.open.insert(key, Session::new(pgn, length, packets, frame.time, id));
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
            Some(Control::End) => {
                // The receiver has it all: what is missing here, the recording lacks.
                let key = key.reverse();
                if let Some(session) = self.open.remove(&key) {
                    deliver(&session.message(key, frame.time, Some(Fault::WrongSequence)));
                }
            }
            None => {}
        }
    }

    fn data(&mut self, frame: &Frame, key: Key, deliver: &mut dyn FnMut(&Message<'_>)) {
        let (Some(session), Some((number, bytes))) =
            (self.open.get_mut(&key), frame.kind.bytes().split_first())
        else {
            return;
        };
        let longest = if key.destination.is_some() { T2 } else { T1 };
        let late = matches!((frame.time, session.last),
            (Some(now), Some(last)) if now.since(last) > longest);
        let number = *number;
        let next = session.contiguous() + 1;
        // A packet may be sent again. One out of order breaks a message for all; the receiver of a
        // message for one unit asks again for what it lacks, in any order.
        let skips = key.destination.is_none() && usize::from(number) > next;
        let fault = match (late, skips) {
            (true, _) => Some(Fault::Timeout),
            (_, true) => Some(Fault::WrongSequence),
            _ => None,
        };
        if let Some(fault) = fault {
            if let Some(session) = self.open.remove(&key) {
                deliver(&session.message(key, frame.time, Some(fault)));
            }
            return;
        }
        session.last = frame.time.or(session.last);
        if !(1..=session.packets).contains(&number) || session.have[usize::from(number)] {
            return;
        }
        session.put(number, bytes);
        let whole = session.contiguous() == usize::from(session.packets);
        // Where a packet of a message for all is too short, its last one ends it all the same.
        let over = key.destination.is_none() && number == session.packets;
        if (whole || over)
            && let Some(session) = self.open.remove(&key)
        {
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
