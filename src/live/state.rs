//! What changes as frames are heard and as time passes without them, and how all that stands now.

use super::{
    Errors, Event, Line, Presence, RETURN, Reach, Sender, Subject, TELL_ERRORS, Watch, What,
};
use crate::analysis::{Cause, Nanoseconds, Silence};
use crate::capture::ChannelIndex;
use crate::fold::timing::seconds;

/// A return that the analysis has not explained after this is told without a cause.
const UNEXPLAINED: Nanoseconds = 1_500_000_000;

/// Bits on a channel, over the last whole second.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Load {
    /// Bits per second of the bus, where known.
    pub bit_rate: Option<f64>,
    begin: Option<Nanoseconds>,
    bits: u64,
    per_second: Option<f64>,
}

impl Load {
    pub fn push(&mut self, time: Nanoseconds, bits: u16) {
        let begin = *self.begin.get_or_insert(time);
        let passed = time - begin;
        if passed >= 1_000_000_000 {
            self.per_second = Some(self.bits as f64 / seconds(passed));
            (self.begin, self.bits) = (Some(time), 0);
        }
        self.bits += u64::from(bits);
    }
}

/// A channel as it stands.
#[derive(Clone, Debug)]
pub struct ChannelView<'w> {
    /// What it is called.
    pub name: &'w str,
    /// Data and remote frames so far.
    pub frames: u64,
    /// Error reports so far.
    pub errors: u64,
    /// Share of the time in which the bus was busy, over the last second, where the bit rate is
    /// known.
    pub load: Option<f64>,
    /// Whether it is heard.
    pub presence: Presence,
}

/// How all stands now.
#[derive(Clone, Debug)]
pub struct View<'w> {
    /// How late it is in the capture; `None` before the first frame.
    pub clock: Option<Nanoseconds>,
    /// First stamp.
    pub begin: Option<Nanoseconds>,
    /// Who is watched.
    pub senders: &'w [Sender],
    /// Where.
    pub channels: Vec<ChannelView<'w>>,
    /// Frames so far.
    pub frames: u64,
    /// Frames thrown away before they came here.
    pub drops: u64,
}

impl Watch {
    /// How all stands now.
    pub fn view(&self) -> View<'_> {
        let view = |line| channel_view(line, self.clock);
        View {
            clock: self.clock(),
            begin: self.heard.map(|(first, _)| first),
            senders: &self.senders,
            channels: self.channels.iter().map(view).collect(),
            frames: self.frames,
            drops: self.drops,
        }
    }

    /// The first identifier of a sender, which stands for the name of one that has none.
    pub fn first_id(&self, sender: &Sender) -> Option<lostnode_parsers::Id> {
        sender.ids.iter().map(|at| self.ids[*at].id).min()
    }

    /// Since when a sender is not heard, be it alone or with its channel.
    pub fn silent_since(&self, sender: &Sender) -> Option<Nanoseconds> {
        let line = self.channels.get(usize::from(sender.channel));
        let of_channel = || line?.presence?.since();
        sender.presence.since().or_else(of_channel)
    }

    /// When the latest loss ended, or the time now while one lasts; `None` where nothing was lost.
    pub fn last_loss(&self) -> Option<Nanoseconds> {
        let lost = |presence: Presence| matches!(presence, Presence::Silent { .. });
        let channels = self.channels.iter().filter_map(|line| line.presence);
        let mut now = channels.chain(self.senders.iter().map(|own| own.presence));
        if now.any(lost) { Some(self.clock) } else { self.loss_ended }
    }

    /// Whether that is lawful.
    pub fn is_asleep(&self, sender: &Sender) -> bool {
        let line = self.channels.get(usize::from(sender.channel));
        let of_channel = line.and_then(|line| line.presence);
        let asleep = |presence: Presence| matches!(presence, Presence::Asleep { .. });
        asleep(sender.presence) || of_channel.is_some_and(asleep)
    }

    pub(super) fn sender_heard(&mut self, sender: usize, time: Nanoseconds) {
        let own = &mut self.senders[sender];
        own.heard = Some(time);
        let (since, slept) = match own.presence {
            Presence::Here if own.is_suspected() => {
                if let Some(suspected) = own.suspected.last_mut() {
                    suspected.back = Some(time);
                }
                self.ask(time + RETURN);
                return;
            }
            Presence::Here | Presence::Returning { .. } => return,
            Presence::Silent { since } => (since, false),
            Presence::Asleep { since } => (since, true),
        };
        own.presence = Presence::Returning { since, at: time, slept };
        for at in own.ids.clone() {
            self.expect_again(at, time);
        }
        self.ask(time + RETURN);
    }

    /// What did not come while nothing could is due anew.
    fn expect_again(&mut self, at: usize, time: Nanoseconds) {
        let own = &mut self.ids[at];
        own.last = own.last.max(time);
        own.timed_out = false;
        if let Some(expected) = own.expected {
            self.due = self.due.min(time.saturating_add(expected.timeout).saturating_add(1));
        }
    }

    pub(super) fn channel_heard(&mut self, channel: ChannelIndex, time: Nanoseconds) {
        let line = &mut self.channels[usize::from(channel)];
        line.last = Some(line.last.map_or(time, |last| last.max(time)));
        let (since, slept) = match line.presence {
            None | Some(Presence::Here | Presence::Returning { .. }) => return,
            Some(Presence::Silent { since }) => (since, false),
            Some(Presence::Asleep { since }) => (since, true),
        };
        line.presence = Some(Presence::Returning { since, at: time, slept });
        let of_channel = |at: &usize| self.ids[*at].channel == channel;
        for at in (0..self.ids.len()).filter(of_channel).collect::<Vec<_>>() {
            self.expect_again(at, time);
        }
        self.ask(time + RETURN);
    }

    pub(super) fn channel_silent(&mut self, channel: usize) {
        let line = &mut self.channels[channel];
        let Some(since) = line.last else { return };
        if matches!(line.presence, Some(Presence::Silent { .. } | Presence::Asleep { .. })) {
            return;
        }
        self.flush_channel(channel, None);
        self.channels[channel].presence = Some(Presence::Silent { since });
        let who = self.channel_subject(channel);
        self.events.push(Event { time: self.clock, what: What::Silent { who, since } });
        self.ask(since + self.shortest);
    }

    pub(super) fn channel_subject(&self, channel: usize) -> Subject {
        let own =
            |id: &&super::Watched| usize::from(id.channel) == channel && id.expected.is_some();
        let mut ids: Vec<_> = self.ids.iter().filter(own).map(|id| id.id).collect();
        ids.sort_unstable();
        let channel = Some(channel as ChannelIndex);
        Subject { channel, node: None, ids, reach: Reach::Channel }
    }

    /// No channel carried anything, and traffic has gone on already: nobody is called lost before
    /// it is known what that was.
    pub(super) fn jumped(&mut self, silence: Silence) {
        self.tell_jump(What::Pause { since: silence.start });
        self.jump = Some(silence);
        for at in 0..self.ids.len() {
            self.expect_again(at, silence.end);
        }
        self.ask(silence.end + RETURN);
    }

    /// Says what the last jump was.
    pub(super) fn tell_jump(&mut self, what: What) {
        if let Some(jump) = self.jump.take() {
            self.events.push(Event { time: jump.end, what });
        }
    }

    pub(super) fn tell_errors(&mut self) {
        let now = self.clock;
        for (channel, line) in self.channels.iter_mut().enumerate() {
            let Errors { untold: count @ 1.., bus_off, told, .. } = line.errors else { continue };
            if told.is_some_and(|told| now.saturating_sub(told) < TELL_ERRORS) {
                continue;
            }
            (line.errors.untold, line.errors.bus_off) = (0, false);
            line.errors.told = Some(now);
            let channel = channel as ChannelIndex;
            let time = self.heard.map_or(0, |_| now);
            self.events.push(Event { time, what: What::Errors { channel, count, bus_off } });
        }
    }

    /// Tells of returns that nobody has explained for long enough, or of all.
    pub(super) fn flush_returns(&mut self, all: bool) {
        let now = self.clock;
        let over = |presence: Option<Presence>| match presence {
            Some(Presence::Returning { at, .. }) => all || now - at > UNEXPLAINED,
            _ => false,
        };
        for at in 0..self.channels.len() {
            if over(self.channels[at].presence) {
                self.flush_channel(at, None);
            }
        }
        for at in 0..self.senders.len() {
            if over(Some(self.senders[at].presence)) {
                self.flush_return(at, None);
            }
        }
    }

    /// Tells of the return of a sender, where it is under way.
    pub(super) fn flush_return(&mut self, sender: usize, cause: Option<Cause>) {
        let presence = self.senders[sender].presence;
        let Presence::Returning { since, at, .. } = presence else { return };
        self.senders[sender].presence = Presence::Here;
        match self.of_company(sender) {
            Some(company) => self.company_back(company, presence, cause),
            None => {
                let who = self.subject(sender);
                self.tell_return(presence, who, cause);
            }
        }
        let own = &mut self.senders[sender];
        if !matches!(presence, Presence::Returning { slept: true, .. })
            && at - since >= self.shortest
        {
            own.losses += 1;
            own.last_loss = Some(since);
        }
    }

    /// The same for a channel.
    pub(super) fn flush_channel(&mut self, channel: usize, cause: Option<Cause>) {
        let Some(presence @ Presence::Returning { .. }) = self.channels[channel].presence else {
            return;
        };
        let who = self.channel_subject(channel);
        self.channels[channel].presence = Some(Presence::Here);
        self.tell_return(presence, who, cause);
    }

    pub(super) fn tell_return(&mut self, presence: Presence, who: Subject, cause: Option<Cause>) {
        let Presence::Returning { since, at, slept } = presence else { return };
        let momentary = at - since < self.shortest;
        if !slept && !momentary {
            self.loss_ended = self.loss_ended.max(Some(at));
        }
        let cause = cause.unwrap_or(Cause::Unknown);
        let what = match slept {
            true => What::Wake { who, since },
            false => What::Back { who, since, cause, momentary },
        };
        self.events.push(Event { time: at, what });
    }
}

fn channel_view(line: &Line, clock: Nanoseconds) -> ChannelView<'_> {
    let quiet = line.last.is_none_or(|last| clock.saturating_sub(last) > 1_000_000_000);
    let load = line.load.bit_rate.and_then(|rate| Some(line.load.per_second? / rate));
    ChannelView {
        name: &line.name,
        frames: line.frames,
        errors: line.errors.all,
        load: if quiet { load.map(|_| 0.0) } else { load },
        presence: line.presence.unwrap_or(Presence::Here),
    }
}
