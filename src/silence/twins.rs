//! Identifiers that are one message of SAE J1939: they differ in the priority only, which is no
//! part of the group or of the address (SAE J1939-21, from memory). A unit may send the same group
//! under another priority while there is more to tell, such as its active codes; what has one
//! priority then falls silent, and its sender is well.

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;
use crate::fold::j1939::{self, J1939};
use crate::fold::timing::{IdTiming, Nanoseconds, Silence, Timing};
use crate::ids::IdIndex;

/// Messages that came under several priorities.
pub(crate) struct Twins<'a> {
    timing: &'a Timing,
    speaks: Vec<J1939>,
    all: BTreeMap<(ChannelIndex, u32), Vec<IdIndex>>,
}

impl<'a> Twins<'a> {
    pub fn of(timing: &'a Timing) -> Twins<'a> {
        let mut twins = Twins { timing, speaks: j1939::of(timing), all: BTreeMap::new() };
        for (at, id) in timing.ids.iter().enumerate().filter(|(_, id)| id.frames > 0) {
            if let Some(message) = twins.message(id.key.channel, id.key.id) {
                twins.all.entry(message).or_default().push(IdIndex(at));
            }
        }
        twins
    }

    /// Whether a message was heard, under whatever priority.
    pub fn heard(&self, channel: ChannelIndex, id: Id) -> bool {
        self.message(channel, id).is_some_and(|message| self.all.contains_key(&message))
    }

    /// The parts of an identifier's silence in which its message did not come under another
    /// priority either: all of it for most.
    pub fn silent(&self, id: IdIndex, silence: Silence) -> Vec<Silence> {
        let key = self.timing.ids[id].key;
        let same = self.message(key.channel, key.id).and_then(|message| self.all.get(&message));
        let others = same.into_iter().flatten().filter(|other| **other != id);
        others.fold(vec![silence], |left, other| {
            let other = silences(&self.timing.ids[*other]);
            let both = |own: &Silence| -> Vec<Silence> {
                let both = other.iter().map(|other| Silence {
                    start: own.start.max(other.start),
                    end: own.end.min(other.end),
                });
                both.filter(|both| both.start < both.end).collect()
            };
            left.iter().flat_map(both).collect()
        })
    }

    /// Whether an identifier's silence is one of its message.
    pub fn is_silent(&self, id: IdIndex, silence: Silence) -> bool {
        self.silent(id, silence) == [silence]
    }

    fn message(&self, channel: ChannelIndex, id: Id) -> Option<(ChannelIndex, u32)> {
        let speaks = *self.speaks.get(usize::from(channel))?;
        Some((channel, j1939::message(speaks, id)?))
    }
}

/// When an identifier was not heard, before its first frame and after its last too.
fn silences(id: &IdTiming) -> Vec<Silence> {
    let all = Silence { start: Nanoseconds::MIN, end: Nanoseconds::MAX };
    let Some((first, last)) = id.heard else { return vec![all] };
    let before = Silence { end: first, ..all };
    let after = Silence { start: last, ..all };
    let between = id.silences.at_least(0);
    [before].into_iter().chain(between).chain([after]).collect()
}
