//! Which identifiers carry the diagnostic transport. Broadcast data often looks like it, so an
//! identifier is only believed where its address says so, where the user says so, or where it
//! answers a request or is answered; and of those last only the ones that go on to behave so
//! ([`super::conduct`]).

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use lostnode_parsers::isotp::Pdu;
use lostnode_parsers::uds;
use lostnode_parsers::{FrameKind, Id, Timestamp};

use super::address::{Route, by_address, usual_request};
use super::conduct::{Conduct, Requests, begin};
use super::{Carrier, Message, Party};
use crate::capture::{ChannelIndex, Frame};
use crate::fold::j1939::J1939;
use crate::ids::Places;
use crate::settings::{Addressing, Pair};

/// What is known of an identifier.
#[derive(Clone, Copy, Debug)]
enum Standing {
    /// Every frame so far could be a data unit; so many could answer a request.
    Possible { matches: u8, conduct: Conduct },
    /// It carries no diagnosis: a frame was no data unit, or it did not go on to behave like it.
    RuledOut,
    /// It carries the transport, as an exchange has shown.
    Known(Route, Conduct),
    /// A tester asks by it, and nobody answers: it says what the tester asks others.
    Unanswered,
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
const MOST_IDENTIFIERS: usize = 20_000;
/// Identifiers believed for their exchanges; 256 modules and their testers are more than any
/// vehicle has.
const MOST_BY_EXCHANGE: usize = 1024;
/// Different requests of testers that are kept.
const MOST_ASKED: usize = 4096;
/// Different requests that are kept of one tester that nobody answers.
const MOST_IN_VAIN: usize = 64;
/// Different requests that another tester sends too, from which one that nobody answers is known.
const ALIKE: usize = 2;
/// Requests that are remembered at once.
const RECENT: usize = 64;
/// How long a request is remembered, in nanoseconds: the longest wait for an answer is P2*, 5 s
/// (ISO 14229-2:2013, table 4).
const PATIENCE: i64 = 5_000_000_000;

/// The first bytes of a request, and how many they are.
type Request = ([u8; 7], usize);

#[derive(Debug, Default)]
pub(super) struct Endpoints {
    /// Pairs of identifiers that the user named.
    given: Vec<Pair>,
    places: Places,
    standing: Vec<Standing>,
    recent: VecDeque<Asked>,
    requests: Requests,
    /// What testers asked, at the beginning of it.
    asked: BTreeSet<Request>,
    /// What those said that nobody answered yet; `None` for one that is no tester, or says too
    /// much.
    in_vain: BTreeMap<(ChannelIndex, Id), Option<BTreeSet<Request>>>,
    /// The identifiers that only an exchange made known, in order.
    by_exchange: Vec<(ChannelIndex, Id)>,
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
            Some(Standing::Known(route, _)) => {
                let route = *route;
                self.remember(frame, id, data, &route);
                self.watch(frame, id, data, &route);
                Some(route)
            }
            Some(Standing::RuledOut | Standing::Unanswered) => None,
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

    /// Whether an identifier carries the transport, as far as can be said by now.
    pub fn carries(&self, channel: ChannelIndex, id: Id) -> bool {
        self.is_assigned(id)
            || self.stands(channel, id)
            || matches!(self.standing(channel, id), Some(Standing::Unanswered))
    }

    /// Whether the user or a standard says that an identifier carries the transport.
    fn is_assigned(&self, id: Id) -> bool {
        self.given.iter().any(|pair| pair.request == id || pair.response == id)
            || by_address(id, &[0, 0]).is_some()
    }

    /// Whether an identifier that an exchange made known has behaved accordingly since: a module
    /// by its own messages, a tester by those and by its modules.
    fn stands(&self, channel: ChannelIndex, id: Id) -> bool {
        let Some(Standing::Known(route, conduct)) = self.standing(channel, id) else {
            return false;
        };
        if route.from_module {
            return conduct.makes_sense() && conduct.answers();
        }
        let answers = |(other_channel, other): &(ChannelIndex, Id)| {
            let own = matches!(
                self.standing(*other_channel, *other),
                Some(Standing::Known(route, _)) if route.from_module && route.peer == Some(id)
            );
            own && *other_channel == channel && self.stands(channel, *other)
        };
        conduct.makes_sense() && self.by_exchange.iter().any(answers)
    }

    /// Ends the watch: those that did not behave so are broadcast after all, and returned. What
    /// has 29 bits on a channel of SAE J1939 is believed by its address alone.
    pub fn settle(&mut self, j1939: &[J1939]) -> Vec<(ChannelIndex, Id)> {
        let by_address = |channel: ChannelIndex, id: Id| {
            matches!(id, Id::Extended(_)) && j1939.get(usize::from(channel)) == Some(&J1939::Yes)
        };
        let all = std::mem::take(&mut self.by_exchange).into_iter();
        let (banned, rest): (Vec<_>, _) = all.partition(|(channel, id)| by_address(*channel, *id));
        banned.iter().for_each(|(channel, id)| self.set(*channel, *id, Standing::RuledOut));
        self.by_exchange = rest;
        let fallen = |(channel, id): &&(ChannelIndex, Id)| !self.stands(*channel, *id);
        let mut fallen: Vec<_> = self.by_exchange.iter().filter(fallen).copied().collect();
        fallen.iter().for_each(|(channel, id)| self.set(*channel, *id, Standing::RuledOut));
        fallen.extend(banned);
        self.settle_in_vain();
        fallen
    }

    #[inline]
    fn standing(&self, channel: ChannelIndex, id: Id) -> Option<&Standing> {
        self.standing.get(self.places.known(channel, id)?)
    }

    /// Sets what an identifier is; one too many stays unknown.
    fn set(&mut self, channel: ChannelIndex, id: Id, standing: Standing) {
        match self.places.of(channel, id, MOST_IDENTIFIERS) {
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
        if route.from_module {
            return;
        }
        if let Ok(pdu) = Pdu::parse(data, route.prefix) {
            self.requests.push(frame, id, pdu);
        }
        if let Some(heard) = request(frame, id, data, route.prefix, true) {
            if self.asked.len() < MOST_ASKED {
                self.asked.insert((heard.data, heard.length));
            }
            self.keep(heard);
        }
    }

    /// Counts what an identifier does that an exchange made known.
    fn watch(&mut self, frame: &Frame, id: Id, data: &[u8], route: &Route) {
        let pdu = Pdu::parse(data, 0).ok();
        let answer = pdu.and_then(begin).filter(|_| route.from_module);
        let asked = answer.is_some_and(|begin| self.requests.answered(frame, id, begin));
        if let Some(place) = self.places.known(frame.channel, id)
            && let Some(Standing::Known(_, conduct)) = self.standing.get_mut(place)
        {
            conduct.push(pdu, !route.from_module, asked);
        }
    }

    fn keep(&mut self, heard: Asked) {
        if self.recent.len() == RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(heard);
    }

    fn consider(
        &mut self,
        frame: &Frame,
        id: Id,
        data: &[u8],
        deliver: &mut dyn FnMut(&Message<'_>),
    ) -> Option<Route> {
        if self.standing.len() >= MOST_IDENTIFIERS && self.standing(frame.channel, id).is_none() {
            return None;
        }
        let Ok(pdu) = Pdu::parse(data, 0) else {
            self.set(frame.channel, id, Standing::RuledOut);
            return None;
        };
        let begin = begin(pdu)?;
        let (matches, mut conduct) = match self.standing(frame.channel, id) {
            Some(Standing::Possible { matches, conduct }) => (*matches, *conduct),
            _ => (0, Conduct::default()),
        };
        let answer = self.answers(frame, id, begin);
        // Asked twice over, so that the request knows who has answered it or wants more time.
        let asked = self.requests.answered(frame, id, begin) || answer.is_some();
        conduct.push(Some(pdu), false, asked);
        let Some((at, strong)) = answer else {
            self.set(frame.channel, id, Standing::Possible { matches, conduct });
            let heard = request(frame, id, data, 0, false);
            self.note_in_vain(frame.channel, id, heard.as_ref());
            if let Some(heard) = heard {
                self.keep(heard);
            }
            return None;
        };
        if !strong && matches == 0 {
            self.set(frame.channel, id, Standing::Possible { matches: 1, conduct });
            return None;
        }
        let asked = self.recent[at];
        let functional =
            by_address(asked.id, &asked.data).is_some_and(|route| route.to == Party::Everyone);
        let peer = if functional { usual_request(id) } else { Some(asked.id) };
        let route = Route {
            from: Party::Id(id),
            to: Party::Id(asked.id),
            from_module: true,
            prefix: 0,
            peer,
        };
        self.believe(frame.channel, id, route, conduct);
        if let Some(peer) = peer {
            self.believe_tester(frame.channel, peer, id);
        }
        if !asked.delivered {
            self.recent[at].delivered = true;
            deliver(&late(&asked, id));
        }
        Some(route)
    }

    /// Notes what one says that may be a tester whom nobody answers. Makers have modules asked by
    /// 0x700 to 0x7FF (common practice, no source).
    fn note_in_vain(&mut self, channel: ChannelIndex, id: Id, heard: Option<&Asked>) {
        if !matches!(id, Id::Standard(id) if id.as_raw() >= 0x700) {
            return;
        }
        let own = self.in_vain.entry((channel, id)).or_insert_with(|| Some(BTreeSet::new()));
        match (own.as_mut(), heard) {
            (Some(said), Some(heard)) if said.len() < MOST_IN_VAIN => {
                said.insert((heard.data, heard.length));
            }
            _ => *own = None,
        }
    }

    /// Settles which identifiers are those of testers that nobody answered: they asked only what
    /// testers ask others, for a module that is not there is asked like the rest.
    fn settle_in_vain(&mut self) {
        let all = std::mem::take(&mut self.in_vain);
        let mut asked = std::mem::take(&mut self.asked);
        for ((channel, id), said) in &all {
            if self.stands(*channel, *id) {
                asked.extend(said.iter().flatten());
            }
        }
        for ((channel, id), said) in all {
            let open = matches!(self.standing(channel, id), Some(Standing::Possible { .. }));
            let said = said.filter(|said| open && said.len() >= ALIKE && said.is_subset(&asked));
            if said.is_some() {
                self.set(channel, id, Standing::Unanswered);
            }
        }
    }

    fn believe(&mut self, channel: ChannelIndex, id: Id, route: Route, conduct: Conduct) {
        if !self.by_exchange.contains(&(channel, id)) {
            if self.by_exchange.len() >= MOST_BY_EXCHANGE {
                return;
            }
            self.by_exchange.push((channel, id));
        }
        self.set(channel, id, Standing::Known(route, conduct));
    }

    /// The other side of an exchange. What has sent no data unit is no tester, and what answers
    /// is none.
    fn believe_tester(&mut self, channel: ChannelIndex, id: Id, module: Id) {
        if self.is_assigned(id) {
            return;
        }
        let conduct = match self.standing(channel, id) {
            Some(Standing::RuledOut | Standing::Unanswered) => return,
            Some(Standing::Known(route, _)) if route.from_module => return,
            Some(Standing::Known(_, conduct) | Standing::Possible { conduct, .. }) => *conduct,
            None => Conduct::default(),
        };
        let route = Route {
            from: Party::Id(id),
            to: Party::Id(module),
            from_module: false,
            prefix: 0,
            peer: Some(module),
        };
        self.believe(channel, id, route, conduct);
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

/// A request that turns out to be one when this module answers it.
fn late(asked: &Asked, module: Id) -> Message<'_> {
    Message {
        time: asked.time,
        begun: asked.time,
        channel: asked.channel,
        id: asked.id,
        from: Party::Id(asked.id),
        to: Party::Id(module),
        from_module: false,
        carrier: Carrier::IsoTp,
        data: &asked.data[..asked.length],
        length: asked.length as u32,
        incomplete: None,
    }
}

/// The beginning of a request of a known service.
fn request(frame: &Frame, id: Id, data: &[u8], prefix: usize, delivered: bool) -> Option<Asked> {
    let begin = begin(Pdu::parse(data, prefix).ok()?)?;
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
