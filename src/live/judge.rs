//! What the analysis so far makes of silences that were told of, or are under suspicion: a loss, or
//! lawful.

use super::senders::Suspected;
use super::{Event, LATER, Presence, RETURN, Sender, Subject, Watch, What};
use crate::analysis::{Analysis, Cause, Nanoseconds, Outage, Scope, Silence};

/// What became of a silence.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Judged {
    /// The analysis does not have it, or cannot tell yet.
    Open,
    Lost(Cause),
    Lawful {
        doubtful: bool,
    },
    Paused,
}

/// Until so long after a return its next frames may tell how it came back: one that a buffer held
/// back says nothing of it.
const TELLS: Nanoseconds = 1_000_000_000;

/// The place of an outage, whether it is over, its cause, and the silences that it is made of.
type Lost = (usize, bool, Cause, Vec<(usize, Suspected)>);

impl Watch {
    /// Whether the analysis is to be asked, now that it is this late.
    pub fn wants_judging(&self) -> bool {
        self.judging.first().is_some_and(|at| *at <= self.clock)
    }

    /// Holds what is silent against the analysis so far. Where that finds it lawful it is taken
    /// back; where it finds the cause of a silence that is over, that is told with the return.
    pub fn judge(&mut self, analysis: &Analysis) {
        self.judging.retain(|at| *at > self.clock);
        self.judge_jump(analysis);
        for channel in 0..self.channels.len() {
            if let Some(presence) = self.channels[channel].presence {
                self.judge_channel(analysis, channel, presence);
            }
        }
        for sender in 0..self.senders.len() {
            self.judge_sender(analysis, sender);
        }
        self.judge_suspected(analysis);
        self.flush_returns(false);
        self.never_heard(analysis);
    }

    fn judge_sender(&mut self, analysis: &Analysis, sender: usize) {
        let own = &self.senders[sender];
        let presence = own.presence;
        let judge =
            |this: &Watch, start, end| this.judged_of(analysis, sender, Silence { start, end }).0;
        match presence {
            Presence::Silent { since } => match judge(self, since, self.clock) {
                Judged::Lawful { doubtful } => {
                    self.senders[sender].presence = Presence::Asleep { since };
                    self.sender_sleeps(self.clock, sender, since, doubtful);
                }
                // Told as one before anybody judged it, and nobody calls it a loss.
                Judged::Open if self.is_stale(since, None) && self.is_unproven(sender) => {
                    self.senders[sender].presence = Presence::Asleep { since };
                    self.sender_sleeps(self.clock, sender, since, true);
                }
                Judged::Lost(_) => self.prove(sender),
                Judged::Open | Judged::Paused => {}
            },
            Presence::Returning { since, at, slept } if self.over || self.clock >= at + RETURN => {
                match judge(self, since, at) {
                    // What tells how it came back may be a few of its frames away.
                    Judged::Lost(Cause::Unknown) if !self.over && self.clock < at + TELLS => {}
                    Judged::Lost(cause) => self.flush_return(sender, Some(cause)),
                    Judged::Lawful { doubtful } => {
                        if !slept {
                            self.sender_sleeps(at, sender, since, doubtful);
                        }
                        let back = Presence::Returning { since, at, slept: true };
                        self.senders[sender].presence = back;
                        self.flush_return(sender, None);
                    }
                    Judged::Open | Judged::Paused => {}
                }
            }
            Presence::Here | Presence::Asleep { .. } | Presence::Returning { .. } => {}
        }
    }

    /// What the analysis makes of silences of single messages that it was not asked of yet. Those
    /// that it has as one are told as one; what is over is told late, for it was a loss all the
    /// same.
    fn judge_suspected(&mut self, analysis: &Analysis) {
        let mut lost: Vec<Lost> = Vec::new();
        for sender in 0..self.senders.len() {
            for own in std::mem::take(&mut self.senders[sender].suspected) {
                if own.back.is_none() && self.senders[sender].presence != Presence::Here {
                    continue;
                }
                let silence = Silence { start: own.since, end: own.back.unwrap_or(self.clock) };
                let (judged, outage) = self.judged_of(analysis, sender, silence);
                match judged {
                    // What tells how it came back may be a few of its frames away.
                    Judged::Lost(Cause::Unknown) if !self.over && self.returned_just_now(own) => {
                        self.senders[sender].suspected.push(own);
                    }
                    Judged::Lost(cause) => {
                        let of = (outage.unwrap_or(usize::MAX), own.back.is_some());
                        match lost.iter_mut().find(|lost| (lost.0, lost.1) == of) {
                            Some(lost) => lost.3.push((sender, own)),
                            None => lost.push((of.0, of.1, cause, vec![(sender, own)])),
                        }
                    }
                    // It may turn out to be one: until then the questions that are left.
                    Judged::Open if !self.is_stale(own.since, own.back) => {
                        self.senders[sender].suspected.push(own);
                    }
                    Judged::Open | Judged::Lawful { .. } | Judged::Paused => {}
                }
            }
        }
        for (_, _, cause, members) in lost {
            self.lost_together(&members, Some(cause));
        }
    }

    fn returned_just_now(&self, own: Suspected) -> bool {
        own.back.is_some_and(|back| self.clock < back + TELLS)
    }

    /// Whether the last question about a silence has been asked.
    fn is_stale(&self, since: Nanoseconds, back: Option<Nanoseconds>) -> bool {
        let last = back.unwrap_or(since).saturating_add(LATER[LATER.len() - 1]);
        self.clock > last.saturating_add(self.shortest)
    }

    /// What the analysis says of a silence of a sender, and the place of the outage that says it.
    fn judged_of(
        &self,
        analysis: &Analysis,
        sender: usize,
        silence: Silence,
    ) -> (Judged, Option<usize>) {
        let own = &self.senders[sender];
        let places = own.ids.iter().map(|at| (self.ids[*at].channel, self.ids[*at].id));
        let places: Vec<_> = places.collect();
        judged_by(analysis, silence, |outage| {
            outage.channel.is_none_or(|channel| own.channel == channel)
                && (outage.scope >= Scope::Bus
                    || outage.ids.iter().any(|at| {
                        let id = &analysis.identifiers[*at];
                        places.contains(&(id.channel, id.id))
                    }))
        })
    }

    fn sender_sleeps(
        &mut self,
        time: Nanoseconds,
        sender: usize,
        since: Nanoseconds,
        doubtful: bool,
    ) {
        match self.of_company(sender) {
            Some(company) => {
                if let Some((who, since)) = self.company_sleeps(company) {
                    self.sleeps(time, who, since, doubtful);
                }
            }
            None => {
                let who = self.subject(sender);
                self.sleeps(time, who, since, doubtful);
            }
        }
    }

    fn judge_channel(&mut self, analysis: &Analysis, channel: usize, presence: Presence) {
        let judge = |since, until| {
            judged(analysis, Silence { start: since, end: until }, |outage| {
                outage.scope >= Scope::Bus
                    && outage.channel.is_none_or(|own| usize::from(own) == channel)
            })
        };
        match presence {
            Presence::Silent { since } => {
                if let Judged::Lawful { doubtful } = judge(since, self.clock) {
                    self.channels[channel].presence = Some(Presence::Asleep { since });
                    let who = self.channel_subject(channel);
                    self.sleeps(self.clock, who, since, doubtful);
                }
            }
            Presence::Returning { since, at, slept } if self.over || self.clock >= at + RETURN => {
                match judge(since, at) {
                    Judged::Lost(cause) => self.flush_channel(channel, Some(cause)),
                    Judged::Lawful { doubtful } => {
                        if !slept {
                            let who = self.channel_subject(channel);
                            self.sleeps(at, who, since, doubtful);
                        }
                        let back = Presence::Returning { since, at, slept: true };
                        self.channels[channel].presence = Some(back);
                        self.flush_channel(channel, None);
                    }
                    Judged::Paused => {
                        self.channels[channel].presence = Some(Presence::Here);
                        self.events.push(Event { time: at, what: What::Pause { since } });
                    }
                    Judged::Open => {}
                }
            }
            Presence::Here | Presence::Asleep { .. } | Presence::Returning { .. } => {}
        }
    }

    fn judge_jump(&mut self, analysis: &Analysis) {
        let Some(jump) = self.jump else { return };
        if self.clock < jump.end + RETURN {
            return;
        }
        let of_channel = |outage: &Outage| outage.scope >= Scope::Bus;
        match judged(analysis, jump, of_channel) {
            Judged::Paused | Judged::Open => self.tell_jump(What::Pause { since: jump.start }),
            judged => {
                // What was silent: a channel each.
                self.jump = None;
                for channel in 0..self.channels.len() {
                    if self.channels[channel].last.is_none() {
                        continue;
                    }
                    let slept = matches!(judged, Judged::Lawful { .. });
                    let cause = if let Judged::Lost(cause) = judged { Some(cause) } else { None };
                    let who = self.channel_subject(channel);
                    let since = jump.start;
                    match judged {
                        Judged::Lawful { doubtful } => self.sleeps(jump.end, who, since, doubtful),
                        _ => {
                            let what = What::Silent { who, since };
                            self.events.push(Event { time: jump.end, what });
                        }
                    }
                    let presence = Presence::Returning { since, at: jump.end, slept };
                    self.channels[channel].presence = Some(presence);
                    self.flush_channel(channel, cause);
                }
            }
        }
    }

    fn sleeps(&mut self, time: Nanoseconds, who: Subject, since: Nanoseconds, doubtful: bool) {
        self.events.push(Event { time, what: What::Sleep { who, since, doubtful } });
    }

    /// Nodes that the roster expects and of which nothing has been heard for long enough.
    fn never_heard(&mut self, analysis: &Analysis) {
        let never = |outage: &&Outage| !outage.never_heard.is_empty() && outage.ids.is_empty();
        for outage in analysis.lost().filter(never) {
            let own = |own: &Sender| {
                Some(own.channel) == outage.channel
                    && outage.never_heard.iter().any(|id| own.never.contains(id))
            };
            let Some(at) = self.senders.iter().position(own) else { continue };
            if self.senders[at].presence == Presence::Here && self.senders[at].ids.is_empty() {
                self.lost(at, outage.start);
            }
        }
    }
}

/// What the outage that covers most of a silence says of it.
fn judged(analysis: &Analysis, silence: Silence, concerns: impl Fn(&Outage) -> bool) -> Judged {
    judged_by(analysis, silence, concerns).0
}

/// The same, and the place of that outage.
fn judged_by(
    analysis: &Analysis,
    silence: Silence,
    concerns: impl Fn(&Outage) -> bool,
) -> (Judged, Option<usize>) {
    let of = analysis.outages.iter().enumerate().filter(|(_, outage)| concerns(outage));
    let covered = |outage: &Outage| outage.silence().overlap(&silence);
    let Some((at, outage)) = of.max_by_key(|(_, outage)| covered(outage)) else {
        return (Judged::Open, None);
    };
    if covered(outage) * 2 < silence.length() {
        return (Judged::Open, None);
    }
    let judged = match (outage.cause, outage.doubt) {
        (Cause::CaptureGap, _) => Judged::Paused,
        _ if outage.is_loss() => Judged::Lost(outage.cause),
        // While it lasts only what is certain takes an alarm back: half of a vehicle on a blown
        // fuse looks like a key-off until it does not come back.
        (Cause::BusSleep | Cause::SwitchedOff, doubt) if doubt.is_none() || !outage.ongoing => {
            Judged::Lawful { doubtful: doubt.is_some() }
        }
        // Too early to tell; and a message that may pause by nature is no loss and no sleep.
        _ => Judged::Open,
    };
    (judged, Some(at))
}
