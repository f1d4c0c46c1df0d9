//! Single messages that fall silent at one instant while others go on. Nothing in a vehicle makes
//! messages of several senders pause at one instant; one sender that is lost does. So they are told
//! of at once, and as one, before the analysis knows who sends them.

use lostnode_parsers::Id;

use super::senders::Suspected;
use super::{Event, Presence, Reach, Subject, Watch, What};
use crate::analysis::{Cause, Nanoseconds};
use crate::capture::ChannelIndex;

/// So many that stop at one instant are no chance.
const FEWEST: usize = 3;
/// Silences of a message under suspicion that are kept; of more the oldest go.
const SUSPECTED: usize = 8;
/// Companies that are kept; of more the oldest go.
const COMPANIES: usize = 64;

/// Messages that fell silent at one instant.
#[derive(Clone, Debug)]
pub(super) struct Company {
    channel: ChannelIndex,
    /// Their places in the list of the watch.
    ids: Vec<usize>,
    /// As it was told of: the last frame of any of them then.
    since: Nanoseconds,
    /// The latest time at which they can have stopped: the next frame of one was due.
    until: Nanoseconds,
    /// The analysis has called it a loss.
    proven: bool,
    slept: bool,
    back: bool,
}

impl Watch {
    /// A single message has timed out. Its sender is not known, so it may pause by nature, unless
    /// others stopped with it.
    pub(super) fn suspect(&mut self, sender: usize, since: Nanoseconds) {
        let own = &mut self.senders[sender];
        if own.is_suspected() {
            return;
        }
        own.suspected.push(Suspected { since, back: None });
        if own.suspected.len() > SUSPECTED {
            own.suspected.remove(0);
        }
        let Some((begin, end)) = self.stopped(sender) else { return };
        let channel = self.senders[sender].channel;
        let joins = |own: &Company| {
            own.channel == channel
                && !own.back
                && !own.ids.is_empty()
                && begin <= own.until
                && own.since <= end
        };
        if let Some(at) = self.companies.iter().position(joins) {
            self.join(at, sender);
            return;
        }
        let others: Vec<(usize, (Nanoseconds, Nanoseconds))> = (0..self.senders.len())
            .filter(|at| self.senders[*at].channel == channel)
            .filter(|at| self.senders[*at].is_suspected())
            .filter_map(|at| Some((at, self.stopped(at)?)))
            .collect();
        let of = |instant: Nanoseconds| {
            let holds =
                move |(from, to): (Nanoseconds, Nanoseconds)| from <= instant && instant <= to;
            others.iter().filter(move |(_, own)| holds(*own))
        };
        // The instant at which most of them can have stopped is one at which one of them did.
        let instants =
            others.iter().map(|(_, (from, _))| *from).filter(|at| begin <= *at && *at <= end);
        let Some(instant) = instants.max_by_key(|at| of(*at).count()) else { return };
        let members: Vec<usize> = of(instant).map(|(at, _)| *at).collect();
        let goes_on = |own: &super::Sender| {
            own.channel == channel && own.heard.is_some_and(|heard| heard > end)
        };
        if members.len() >= FEWEST && self.senders.iter().any(goes_on) {
            let members: Vec<_> = members
                .into_iter()
                .filter_map(|at| Some((at, *self.senders[at].suspected.last()?)))
                .collect();
            self.lost_together(&members, None);
        }
    }

    /// Between which times a single message can have stopped: its last frame, and its next one.
    fn stopped(&self, sender: usize) -> Option<(Nanoseconds, Nanoseconds)> {
        let [at] = self.senders[sender].ids[..] else { return None };
        let own = &self.ids[at];
        Some((own.last, own.last.saturating_add(own.expected?.reach)))
    }

    fn join(&mut self, company: usize, sender: usize) {
        let ids = self.senders[sender].ids.clone();
        self.leave_companies(&ids);
        let own = &mut self.senders[sender];
        let Some(suspected) = own.suspected.pop() else { return };
        own.presence = match self.companies[company].slept {
            false => Presence::Silent { since: suspected.since },
            true => Presence::Asleep { since: suspected.since },
        };
        self.companies[company].ids.extend(ids);
    }

    /// A new loss of these messages is not that of which they were told of together before.
    pub(super) fn leave_companies(&mut self, ids: &[usize]) {
        for company in &mut self.companies {
            company.ids.retain(|at| !ids.contains(at));
        }
    }

    /// Messages are lost that were silent at one time: they are told of as one, and what is over as
    /// over. `cause` where the analysis calls it a loss.
    pub(super) fn lost_together(&mut self, members: &[(usize, Suspected)], cause: Option<Cause>) {
        let Some(since) = members.iter().map(|(_, own)| own.since).max() else { return };
        let back = members.iter().filter_map(|(_, own)| own.back).min();
        let channel = self.senders[members[0].0].channel;
        let mut ids = Vec::new();
        for (at, own) in members {
            self.flush_return(*at, None);
            if back.is_none() {
                let own = self.senders[*at].ids.clone();
                self.leave_companies(&own);
            }
            let sender = &mut self.senders[*at];
            ids.extend_from_slice(&sender.ids);
            match back {
                None => {
                    sender.presence = Presence::Silent { since: own.since };
                    sender.suspected.retain(|own| own.back.is_some());
                }
                Some(_) => {
                    sender.losses += 1;
                    sender.last_loss = Some(own.since);
                }
            }
        }
        let until = members.iter().filter_map(|(at, _)| Some(self.stopped(*at)?.1)).min();
        let company = Company {
            channel,
            ids,
            since,
            until: until.unwrap_or(since).max(since),
            proven: cause.is_some(),
            slept: false,
            back: back.is_some(),
        };
        let who = self.company_subject(&company);
        let time = back.unwrap_or(self.clock);
        self.events.push(Event { time, what: What::Silent { who: who.clone(), since } });
        match back {
            Some(at) => {
                self.tell_return(Presence::Returning { since, at, slept: false }, who, cause)
            }
            None => {
                self.companies.push(company);
                if self.companies.len() > COMPANIES {
                    self.companies.remove(0);
                }
                self.ask(since + self.shortest);
            }
        }
    }

    fn company_subject(&self, company: &Company) -> Subject {
        let mut ids: Vec<Id> = company.ids.iter().map(|at| self.ids[*at].id).collect();
        ids.sort_unstable();
        Subject { channel: Some(company.channel), node: None, ids, reach: Reach::Messages }
    }

    /// The company with which a sender was told of, the latest one.
    pub(super) fn of_company(&self, sender: usize) -> Option<usize> {
        let ids = &self.senders[sender].ids;
        self.companies.iter().rposition(|own| own.ids.iter().any(|at| ids.contains(at)))
    }

    /// One of them is back: the first tells of all.
    pub(super) fn company_back(
        &mut self,
        company: usize,
        presence: Presence,
        cause: Option<Cause>,
    ) {
        let Presence::Returning { at, .. } = presence else { return };
        let own = self.companies[company].clone();
        if own.back {
            return;
        }
        self.companies[company].back = true;
        let first =
            self.senders.iter().filter(|sender| sender.ids.iter().any(|at| own.ids.contains(at)));
        let first = first.filter_map(|sender| match sender.presence {
            Presence::Returning { at, .. } => Some(at),
            _ => None,
        });
        let at = first.fold(at, Nanoseconds::min);
        let who = self.company_subject(&own);
        self.tell_return(
            Presence::Returning { since: own.since, at, slept: own.slept },
            who,
            cause,
        );
    }

    /// Their silence was lawful; who they are and since when, unless that was told.
    pub(super) fn company_sleeps(&mut self, company: usize) -> Option<(Subject, Nanoseconds)> {
        let own = &mut self.companies[company];
        if std::mem::replace(&mut own.slept, true) || own.back {
            return None;
        }
        let own = self.companies[company].clone();
        Some((self.company_subject(&own), own.since))
    }

    /// Whether a sender was told of with others, and no analysis has called that a loss.
    pub(super) fn is_unproven(&self, sender: usize) -> bool {
        self.of_company(sender).is_some_and(|at| !self.companies[at].proven)
    }

    /// The analysis calls the silence of a sender a loss.
    pub(super) fn prove(&mut self, sender: usize) {
        if let Some(at) = self.of_company(sender) {
            self.companies[at].proven = true;
        }
    }
}
