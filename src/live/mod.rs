//! Who is silent now. The same judgement as in a report, on a stream: which messages keep a period,
//! who sends them and after how long they are missed comes from the analysis so far
//! ([`Watch::learn`]); that a time-out has passed is seen here, at once; and whether a silence was
//! lawful is asked of the analysis again ([`Watch::judge`]).
//!
//! No clock is read here: the time of the capture comes with its frames, and while nothing comes
//! from [`Watch::tick`].

mod event;
mod judge;
mod ledger;
mod pace;
mod senders;
mod state;
mod together;

use lostnode_parsers::{FrameKind, Id, Timestamp};

pub use event::{Event, Reach, Subject, What};
pub use ledger::{Entry, Ledger, Quiet};
pub use pace::Pace;
pub use senders::{Presence, Sender, Suspected};
pub use state::{ChannelView, View};

use crate::analysis::{Analysis, Nanoseconds, Silence};
use crate::capture::{Batch, ChannelIndex, Frame};
use crate::fold::timing::{ChannelTiming, MOST_IDENTIFIERS, nanoseconds};
use crate::ids::Places;

/// A stream under watch.
#[derive(Debug)]
pub struct Watch {
    /// The shortest outage: a shorter silence is momentary.
    shortest: Nanoseconds,
    places: Places,
    ids: Vec<Watched>,
    senders: Vec<Sender>,
    channels: Vec<Line>,
    /// First and latest stamp.
    heard: Option<(Nanoseconds, Nanoseconds)>,
    /// How late it is; ahead of the latest stamp while nothing comes.
    clock: Nanoseconds,
    /// Nothing can time out before.
    due: Nanoseconds,
    /// A time in which no channel carried anything, of which nobody has said what it was.
    jump: Option<Silence>,
    /// When the latest loss ended.
    loss_ended: Option<Nanoseconds>,
    frames: u64,
    drops: u64,
    /// Single messages that fell silent at one instant, and are told of as one.
    companies: Vec<together::Company>,
    /// When the analysis is to be asked again.
    judging: Vec<Nanoseconds>,
    /// Nothing more comes.
    over: bool,
    events: Vec<Event>,
}

/// A message under watch.
#[derive(Clone, Debug)]
struct Watched {
    channel: ChannelIndex,
    id: Id,
    /// Its last frame, or the end of a time in which nothing could be heard.
    last: Nanoseconds,
    /// After how long it is missed, and how long after its last frame its sender may have fallen
    /// silent; `None` where nothing is expected of it.
    expected: Option<Expected>,
    /// Place of its sender.
    sender: Option<usize>,
    timed_out: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Expected {
    timeout: Nanoseconds,
    reach: Nanoseconds,
}

/// A channel under watch.
#[derive(Clone, Debug, Default)]
struct Line {
    name: String,
    frames: u64,
    last: Option<Nanoseconds>,
    presence: Option<Presence>,
    /// The shortest time-out of its messages.
    shortest: Option<Nanoseconds>,
    errors: Errors,
    load: state::Load,
}

#[derive(Clone, Copy, Debug, Default)]
struct Errors {
    all: u64,
    untold: u64,
    bus_off: bool,
    told: Option<Nanoseconds>,
}

/// Errors of a channel are told of this often at most.
const TELL_ERRORS: Nanoseconds = 1_000_000_000;
/// Fewer frames than this of a message that was not there from the start may be all of a sequence
/// that is sent once; as in `silence`.
const SETTLED_FRAMES: u64 = 30;
/// A return is judged when all that a sender sends has had time to come, or nothing more comes.
const RETURN: Nanoseconds = 300_000_000;
/// … and when the longer periods have, for a silence that is not explained yet.
const LATER: [Nanoseconds; 3] = [1_000_000_000, 3_000_000_000, 10_000_000_000];

impl Watch {
    /// Before the first frame; a silence below `shortest_outage` seconds is momentary.
    pub fn new(shortest_outage: f64) -> Self {
        Watch {
            shortest: nanoseconds(shortest_outage),
            places: Places::default(),
            ids: Vec::new(),
            senders: Vec::new(),
            channels: Vec::new(),
            heard: None,
            clock: Nanoseconds::MIN,
            due: Nanoseconds::MAX,
            jump: None,
            loss_ended: None,
            frames: 0,
            drops: 0,
            companies: Vec::new(),
            judging: Vec::new(),
            over: false,
            events: Vec::new(),
        }
    }

    /// Takes the next frames.
    pub fn push(&mut self, batch: &Batch) {
        for name in batch.channels.iter().skip(self.channels.len()) {
            self.channels.push(Line { name: name.clone(), ..Line::default() });
        }
        batch.frames.iter().for_each(|frame| self.frame(frame));
        self.tell_errors();
    }

    fn frame(&mut self, frame: &Frame) {
        self.frames += 1;
        let Some(time) = frame.time.map(Timestamp::nanoseconds) else { return };
        if let FrameKind::Error(error) = &frame.kind {
            let errors = &mut self.channels[usize::from(frame.channel)].errors;
            errors.all += 1;
            errors.untold += u64::from(error.is_about_the_bus());
            errors.bus_off |= error.is_bus_off();
            return;
        }
        let (_, latest) = *self.heard.get_or_insert((time, time));
        self.heard = self.heard.map(|(first, latest)| (first, latest.max(time)));
        let unheard = self.clock <= latest;
        if unheard && time - latest > ChannelTiming::BREAK && latest != time {
            self.jumped(Silence { start: latest, end: time });
        }
        // Where less time has passed than was thought, the frames are right.
        self.clock = latest.max(time);
        if self.clock >= self.due {
            self.scan();
        }
        self.channel_heard(frame.channel, time);
        let line = &mut self.channels[usize::from(frame.channel)];
        line.frames += 1;
        line.load.push(time, frame.length.bits());
        let Some(id) = frame.kind.id() else { return };
        let Some(at) = self.places.of(frame.channel, id, MOST_IDENTIFIERS) else { return };
        if at == self.ids.len() {
            let channel = frame.channel;
            let (expected, sender) = (None, None);
            let (last, timed_out) = (time, false);
            self.ids.push(Watched { channel, id, last, expected, sender, timed_out });
        }
        let own = &mut self.ids[at];
        own.last = own.last.max(time);
        if std::mem::take(&mut own.timed_out)
            && let Some(expected) = own.expected
        {
            self.due = self.due.min(time.saturating_add(expected.timeout));
        }
        if let Some(sender) = own.sender {
            self.sender_heard(sender, time);
        }
    }

    /// It is this late in the capture, and nothing has come.
    pub fn tick(&mut self, now: Nanoseconds) {
        if self.heard.is_none() {
            return;
        }
        self.clock = self.clock.max(now);
        if self.clock >= self.due {
            self.scan();
        }
        self.tell_errors();
    }

    /// How late it is in the capture; `None` before the first frame.
    pub fn clock(&self) -> Option<Nanoseconds> {
        self.heard.map(|_| self.clock)
    }

    /// When the next time-out can pass at the earliest.
    pub fn due(&self) -> Nanoseconds {
        self.due
    }

    /// Frames that were thrown away before they came here, in all.
    pub fn dropped(&mut self, drops: u64) {
        self.drops = drops;
    }

    /// Somebody said what is being done now.
    pub fn mark(&mut self, time: Nanoseconds, text: String) {
        self.events.push(Event { time, what: What::Mark { text } });
    }

    /// Whether there is a silence, or a return, of which nobody has said what it was.
    pub fn is_unexplained(&self) -> bool {
        let returning = |presence| matches!(presence, Presence::Returning { .. });
        self.channels.iter().filter_map(|own| own.presence).any(returning)
            || self.senders.iter().any(|own| returning(own.presence) || !own.suspected.is_empty())
    }

    /// Nothing more comes. `analysis` is of all that came, if [`Watch::is_unexplained`].
    pub fn end(&mut self, analysis: Option<&Analysis>) {
        self.over = true;
        if let Some(analysis) = analysis {
            self.judge(analysis);
        }
        let (frames, drops) = (self.frames, self.drops);
        let time = self.clock().unwrap_or_default();
        self.flush_returns(true);
        self.events.push(Event { time, what: What::End { frames, drops } });
    }

    /// What has happened since it was asked last.
    pub fn events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    /// A channel as it is called.
    pub fn channel_name(&self, channel: ChannelIndex) -> &str {
        self.channels.get(usize::from(channel)).map_or("", |line| line.name.as_str())
    }

    /// Learns from the analysis so far who sends what, and after how long it is missed.
    pub fn learn(&mut self, analysis: &Analysis) {
        let begin = self.heard.map_or(0, |(first, _)| first);
        for id in &analysis.identifiers {
            let Some(at) = self.places.known(id.channel, id.id) else { continue };
            let expected = id.timeout.zip(id.rhythm).map(|(timeout, rhythm)| Expected {
                timeout: nanoseconds(timeout),
                reach: nanoseconds(1.5 * rhythm.period + 5.0 * rhythm.jitter + 0.005)
                    .min(Nanoseconds::MAX / 8),
            });
            let early =
                |own: &Expected| id.heard.is_some_and(|(first, _)| first - begin <= 2 * own.reach);
            let settled =
                |own: &Expected| analysis.has_roster || id.frames >= SETTLED_FRAMES || early(own);
            self.ids[at].expected = expected.filter(settled);
        }
        let places = &self.places;
        self.senders =
            senders::of(analysis, &self.senders, |channel, id| places.known(channel, id));
        self.ids.iter_mut().for_each(|own| own.sender = None);
        for (sender, own) in self.senders.iter().enumerate() {
            own.ids.iter().for_each(|at| self.ids[*at].sender = Some(sender));
        }
        for (channel, line) in self.channels.iter_mut().enumerate() {
            let own = self.ids.iter().filter(|id| usize::from(id.channel) == channel);
            line.shortest = own.filter_map(|id| Some(id.expected?.timeout)).min();
            let rate = analysis.channels.get(channel);
            line.load.bit_rate = rate.and_then(|own| own.bit_rate.bits_per_second());
        }
        self.scan();
    }

    /// Looks for messages whose time-out has passed.
    fn scan(&mut self) {
        let now = self.clock;
        let mut due = Nanoseconds::MAX;
        for at in 0..self.ids.len() {
            let own = &self.ids[at];
            let (Some(expected), false, Some(sender)) = (own.expected, own.timed_out, own.sender)
            else {
                continue;
            };
            if self.is_away(sender) {
                continue;
            }
            let end = own.last.saturating_add(expected.timeout);
            if now <= end {
                due = due.min(end.saturating_add(1));
                continue;
            }
            // What its sender sent last may have been another message, a moment later.
            let latest = self.latest(sender).filter(|at| *at <= own.last + expected.reach);
            let end = latest.unwrap_or(own.last).max(own.last).saturating_add(expected.timeout);
            if now <= end {
                due = due.min(end.saturating_add(1));
                continue;
            }
            // A channel that has carried nothing for half of that is about to time out as a whole.
            match self.whole_channel(own.channel, now) {
                Some(later) if now < later => due = due.min(later),
                Some(_) => self.channel_silent(usize::from(self.ids[at].channel)),
                None => {
                    self.ids[at].timed_out = true;
                    self.timed_out(at, sender);
                }
            }
        }
        self.due = due;
    }

    /// The last frame of a sender.
    fn latest(&self, sender: usize) -> Option<Nanoseconds> {
        self.senders[sender].ids.iter().map(|at| self.ids[*at].last).max()
    }

    /// Whether its silence has been told of, or is that of its channel.
    fn is_away(&self, sender: usize) -> bool {
        let own = &self.senders[sender];
        let of_channel = self.channels[usize::from(own.channel)].presence;
        let gone = |presence: Presence| presence.since().is_some();
        gone(own.presence) || of_channel.is_some_and(gone)
    }

    /// When a channel on which nobody speaks has timed out; `None` where somebody does, and where
    /// there is one sender only.
    fn whole_channel(&self, channel: ChannelIndex, now: Nanoseconds) -> Option<Nanoseconds> {
        let line = &self.channels[usize::from(channel)];
        let (last, shortest) = (line.last?, line.shortest?);
        let senders =
            self.senders.iter().filter(|own| own.channel == channel && !own.ids.is_empty());
        (senders.count() > 1 && now - last > shortest / 2)
            .then_some(last.saturating_add(shortest).saturating_add(1))
    }

    fn timed_out(&mut self, at: usize, sender: usize) {
        let Some(expected) = self.ids[at].expected else { return };
        let own = &self.senders[sender];
        let members = || own.ids.iter().map(|at| &self.ids[*at]);
        let Some(since) = self.latest(sender) else { return };
        let mut due = members().filter(|id| id.expected.is_some());
        if since > self.ids[at].last.saturating_add(expected.reach) && !due.all(|id| id.timed_out) {
            // Its sender went on without it. Whether that means anything the report tells.
            return;
        }
        match own.name {
            Some(_) => self.lost(sender, since),
            None => {
                self.suspect(sender, since);
                self.ask(since + self.shortest.max(expected.timeout));
            }
        }
    }

    /// Has the analysis asked once it is later than that, and again afterwards.
    fn ask(&mut self, from: Nanoseconds) {
        let from = from.max(self.clock).saturating_add(1_000_000);
        self.judging.push(from);
        self.judging.extend(LATER.iter().map(|later| from.saturating_add(*later)));
        self.judging.sort_unstable();
        self.judging.dedup();
        // Nothing is gained by asking for each of many that fell silent at one time.
        self.judging.truncate(32);
    }

    fn lost(&mut self, sender: usize, since: Nanoseconds) {
        self.flush_return(sender, None);
        let who = self.subject(sender);
        let own = &mut self.senders[sender];
        own.presence = Presence::Silent { since };
        own.suspected.retain(|own| own.back.is_some());
        let ids = own.ids.clone();
        self.leave_companies(&ids);
        self.events.push(Event { time: self.clock, what: What::Silent { who, since } });
        self.ask(since + self.shortest);
    }

    fn subject(&self, sender: usize) -> Subject {
        let own = &self.senders[sender];
        let mut ids: Vec<Id> = own.ids.iter().map(|at| self.ids[*at].id).collect();
        if ids.is_empty() {
            ids.clone_from(&own.never);
        }
        ids.sort_unstable();
        own.subject(ids)
    }
}
