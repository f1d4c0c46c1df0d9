//! Words of a tester that end the usual messages of modules, for good or for a while: a silence
//! that follows is theirs.

use lostnode_parsers::j1939::{Broadcast, Fields, STOP_START_BROADCAST};
use lostnode_parsers::{Id, Timestamp};

use super::{Module, Party};
use crate::capture::{ChannelIndex, Frame};
use crate::fold::j1939::J1939;

/// Has a module start anew (ISO 14229-1:2020, 10.3).
pub(super) const ECU_RESET: u8 = 0x11;

/// Who is told to be silent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// All modules, on all buses: gateways pass it on.
    All,
    /// All modules of a channel.
    Channel(ChannelIndex),
    /// One module, which said that it obeys, or need not say so.
    Module(Module),
}

/// A word of a tester that ends the usual messages of modules.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hush {
    /// When it was sent; where one module has to say that it obeys, when it said so.
    pub time: Timestamp,
    /// When they may send again; `None` where they were not told so.
    pub until: Option<Timestamp>,
    /// It has them start anew, which takes seconds.
    pub resets: bool,
    /// Who is told.
    pub whose: Whose,
}

impl Hush {
    /// Such requests that are kept: the last of them.
    pub const MOST: usize = 256;
    /// So many modules that are told one by one, within so many nanoseconds, are as good as all
    /// (common practice, no source).
    pub(super) const ONE_BY_ONE: usize = 4;
    pub(super) const NEXT_ONE: i64 = 2_000_000_000;

    /// Of a request to all modules: 28 01 and 28 03 of the usual messages (bit 0 of the type), a
    /// programming session, ECUReset (ISO 14229-1:2020, 10.5, 10.2, 10.3).
    pub(super) fn of(service: u8, data: &[u8], time: Timestamp) -> Option<Hush> {
        let sub = data.first().map(|sub| sub & 0x7F)?;
        let usual = data.get(1).is_some_and(|kind| kind & 0x01 != 0);
        let ends = match service {
            0x28 => matches!(sub, 0x01 | 0x03) && usual,
            0x10 => sub == 0x02,
            _ => service == ECU_RESET,
        };
        let resets = service == ECU_RESET;
        ends.then_some(Hush { time, until: None, resets, whose: Whose::All })
    }

    /// Whether a request lets modules send again.
    pub(super) fn is_over(service: u8, data: &[u8]) -> bool {
        let sub = data.first().map(|sub| sub & 0x7F);
        service == 0x28 && sub == Some(0x00) || service == 0x10 && sub == Some(0x01)
    }
}

/// A stop of broadcasts ends by itself so many nanoseconds after the last hold signal (SAE
/// J1939-73, DM13; from memory).
const HOLDS: i64 = 6_000_000_000;

/// Stops and starts of broadcasts (SAE J1939-73, DM13).
#[derive(Clone, Debug, Default)]
pub(super) struct Broadcasts {
    stops: Vec<Hush>,
}

impl Broadcasts {
    /// Takes the next frame of the capture.
    #[inline]
    pub fn push(&mut self, frame: &Frame) {
        if let Some(Id::Extended(id)) = frame.kind.id()
            && id.as_raw() >> 16 & 0xFF == STOP_START_BROADCAST >> 8
        {
            self.take(frame, Fields::of(id));
        }
    }

    fn take(&mut self, frame: &Frame, fields: Fields) {
        let Some(time) = frame.time.filter(|_| fields.pgn == STOP_START_BROADCAST) else { return };
        let channel = frame.channel;
        let to = fields.destination.filter(|address| *address != 0xFF);
        let module = |address| Module { channel, party: Party::Address(address) };
        let whose = to.map_or(Whose::Channel(channel), |address| Whose::Module(module(address)));
        let until = Timestamp::from_nanoseconds(time.nanoseconds().saturating_add(HOLDS));
        let word = Broadcast::parse(frame.kind.bytes());
        let held = |hush: &&mut Hush| {
            hush.whose == whose && hush.until.is_some_and(|until| time.since(until) <= 0)
        };
        let mut held: Vec<&mut Hush> = self.stops.iter_mut().filter(held).collect();
        let goes_on = match word {
            Some(Broadcast::Stop) => true,
            // Holds what was stopped, and nothing else.
            Some(Broadcast::Hold) => !held.is_empty(),
            Some(Broadcast::Start) => {
                held.iter_mut().for_each(|hush| hush.until = Some(time));
                false
            }
            None => false,
        };
        if goes_on {
            held.iter_mut().for_each(|hush| hush.until = Some(until));
            if self.stops.len() >= Hush::MOST {
                self.stops.remove(0);
            }
            self.stops.push(Hush { time, until: Some(until), resets: false, whose });
        }
    }

    /// The stops on channels that speak SAE J1939, which are by channel.
    pub fn finish(&mut self, j1939: &[J1939]) -> Vec<Hush> {
        let speaks = |hush: &Hush| {
            let (Whose::Channel(channel) | Whose::Module(Module { channel, .. })) = hush.whose
            else {
                return false;
            };
            j1939.get(usize::from(channel)) == Some(&J1939::Yes)
        };
        let mut stops = std::mem::take(&mut self.stops);
        stops.retain(speaks);
        stops
    }
}
