//! A module that is there under another address, or under other identifiers: it was never heard
//! where the roster has it, and what it sends comes from elsewhere.

use std::collections::BTreeSet;

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;
use lostnode_parsers::j1939::{self, Fields};

use super::newcomer::{ALIKE, is_new, periods};
use crate::analysis::symptom::Moved;
use crate::analysis::{Analysis, Identifier, J1939, Outage};
use crate::capture::ChannelIndex;
use crate::ids::IdIndex;
use crate::network::common_address;

/// One message alone may be of anybody.
const FEWEST_MOVED: usize = 2;

/// What is new on a channel, in place of what was never heard there, and how it differs from that.
pub fn find(analysis: &Analysis, channel: ChannelIndex) -> Option<(Vec<IdIndex>, &Outage, Moved)> {
    let gone = analysis.outages.iter();
    let gone = gone.filter(|own| own.channel == Some(channel) && !own.never_heard.is_empty());
    let j1939 = analysis.channel(channel).j1939 == J1939::Yes;
    let here = Here { analysis, channel };
    gone.clone().find_map(|outage| {
        let found = if j1939 { here.by_address(outage) } else { here.by_step(outage) };
        found.map(|(ids, moved)| (ids, outage, moved))
    })
}

/// Whether an identifier of SAE J1939 lists codes: it comes where there are some (SAE J1939-73).
pub(super) fn lists_codes(id: Id) -> bool {
    matches!(group(id), Some(j1939::DM1 | j1939::DM2))
}

fn group(id: Id) -> Option<u32> {
    match id {
        Id::Extended(id) => Some(Fields::of(id).pgn),
        Id::Standard(_) => None,
    }
}

/// What a module sends for what it does: no codes, claims, requests and answers, and no transport.
fn own_group(id: Id) -> Option<u32> {
    group(id).filter(|group| {
        use j1939::{ACKNOWLEDGEMENT, ADDRESS_CLAIMED, REQUEST, TRANSPORT_CONTROL, TRANSPORT_DATA};
        !lists_codes(id)
            && ![ACKNOWLEDGEMENT, ADDRESS_CLAIMED, REQUEST, TRANSPORT_CONTROL, TRANSPORT_DATA]
                .contains(group)
    })
}

struct Here<'a> {
    analysis: &'a Analysis,
    channel: ChannelIndex,
}

impl<'a> Here<'a> {
    fn identifiers(&self) -> impl Iterator<Item = (IdIndex, &'a Identifier)> {
        let all = self.analysis.identifiers.iter().enumerate();
        let channel = self.channel;
        let here = all.map(|(at, id)| (IdIndex(at), id));
        here.filter(move |(_, id)| id.channel == channel && !id.diagnostic)
    }

    /// All groups that an address should send, which sends none, come from one other that the
    /// roster does not have: groups say what is in them, and two modules seldom send the same.
    fn by_address(&self, outage: &Outage) -> Option<(Vec<IdIndex>, Moved)> {
        let from = common_address(outage.never_heard.iter().copied())?;
        let groups: BTreeSet<u32> =
            outage.never_heard.iter().filter_map(|id| own_group(*id)).collect();
        let address = |id: &Identifier| common_address(std::iter::once(id.id));
        let speaks = |id: &Identifier| address(id) == Some(from) && own_group(id.id).is_some();
        if groups.len() < FEWEST_MOVED || self.identifiers().any(|(_, id)| speaks(id)) {
            return None;
        }
        let addresses: BTreeSet<u8> =
            self.identifiers().filter_map(|(_, id)| address(id)).collect();
        let sends_them = |to: &u8| {
            let own = || self.identifiers().filter(|(_, id)| address(id) == Some(*to));
            let sent: BTreeSet<u32> = own().filter_map(|(_, id)| own_group(id.id)).collect();
            groups.is_subset(&sent) && own().all(|(_, id)| is_new(self.analysis, id))
        };
        let mut addresses = addresses.into_iter().filter(sends_them);
        let (to, None) = (addresses.next()?, addresses.next()) else { return None };
        let of_them = |(_, id): &(IdIndex, &Identifier)| {
            address(id) == Some(to) && own_group(id.id).is_some_and(|own| groups.contains(&own))
        };
        let ids = self.identifiers().filter(of_them).map(|(at, _)| at).collect();
        Some((ids, Moved::Address { from, to }))
    }

    /// As many are new, each by the same step from one that was never heard, and they have the same
    /// cycles: such steps are laid down for variants of a module.
    fn by_step(&self, outage: &Outage) -> Option<(Vec<IdIndex>, Moved)> {
        let standard = |id: Id| match id {
            Id::Standard(_) => Some(i64::from(raw_id(id))),
            Id::Extended(_) => None,
        };
        let gone = outage.never_heard.iter().map(|id| standard(*id));
        let gone: Vec<i64> = gone.collect::<Option<_>>()?;
        let new = self.identifiers().filter(|(_, id)| is_new(self.analysis, id));
        let new: Vec<(i64, IdIndex)> =
            new.filter_map(|(at, id)| Some((standard(id.id)?, at))).collect();
        // Of more, some lie as far apart as these by chance.
        if gone.len() < FEWEST_MOVED || new.len() != gone.len() {
            return None;
        }
        let first = *gone.iter().min()?;
        let at_step = |step: i64| {
            let twin = |id: &i64| new.iter().find(|(raw, _)| *raw == id + step).map(|(_, at)| *at);
            let ids: Vec<IdIndex> = gone.iter().map(twin).collect::<Option<_>>()?;
            Some((ids, step))
        };
        let mut steps = new.iter().filter_map(|(raw, _)| at_step(raw - first));
        let (Some((mut ids, step)), None) = (steps.next(), steps.next()) else { return None };
        let fastest = self.analysis.fastest(&ids).zip(periods(outage));
        let alike = fastest.is_some_and(|(own, (theirs, _))| (own - theirs).abs() <= ALIKE * own);
        ids.sort_by_key(|at| raw_id(self.analysis.identifiers[*at].id));
        alike.then_some((ids, Moved::Step(step)))
    }
}
