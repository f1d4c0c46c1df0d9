//! What a roster expects of a channel, held against what was heard there: the identifiers that
//! never spoke. docs/roster.md says when one counts as missing.

use std::collections::HashMap;

use lostnode_parsers::Id;

use super::key::{KeyOff, presences};
use super::occasional::Occasional;
use super::packets::came_in_packets;
use super::thinned::{HowThinned, Thinned};
use super::twins::Twins;
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{
    ChannelTiming, IdTiming, Key, Nanoseconds, Silence, Timing, nanoseconds, seconds,
};
use crate::ids::RosterIndex;
use crate::roster_file::{ExpectedMessage, Known};

/// What became of a roster's identifiers on one channel.
#[derive(Clone, Debug, Default)]
pub struct Roll {
    /// Identifiers that were never heard, ascending.
    pub missing: Vec<Missing>,
    /// How many were never heard besides, of which that proves nothing: too many frames are missing
    /// from the recording.
    pub unproven: usize,
    /// How many identifiers are expected.
    pub expected: usize,
    /// How many of the expected identifiers were heard.
    pub heard: usize,
    /// What the roster's knowledge of the key tells.
    pub key: KeyState,
    /// Share of what the identifiers heard would have sent that is there; `None` where the roster
    /// knows the period of none of them.
    pub kept: Option<f64>,
}

/// Whether the key was on, by the identifiers that only speak then.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum KeyState {
    /// The roster knows no such identifiers.
    #[default]
    NotKnown,
    /// Some were heard.
    On,
    /// None was heard, or for moments only.
    Off,
}

/// An identifier that is expected and was never heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Missing {
    /// Which.
    pub id: Id,
    /// Its sender in the roster, where it names one.
    pub node: Option<RosterIndex>,
    /// Frames of it that would have come.
    pub due: f64,
    /// A sound vehicle does not send it all the time.
    pub sometimes: bool,
}

/// Fewer frames due may fail to come by chance.
const ENOUGH: f64 = 3.0;
/// Where frames are missing from the recording, so many must be due of one identifier at least: a
/// logger gives some identifiers a tenth of their share (measured on an open capture of a car).
const ENOUGH_THINNED: f64 = 30.0;
/// With less than this share of what was due, a recording is taken for a thinned one.
const HALF: f64 = 0.5;
/// With the key on for less than this, in seconds, hardly anything that needs it can be missed.
const MOMENT: f64 = 2.0;
/// Identifiers that were there for this share of the channel's time show how much was kept.
const THROUGHOUT: f64 = 0.8;

/// One channel, the roster's messages on it, and what was heard of them.
pub(super) struct Call<'a> {
    at: ChannelIndex,
    channel: &'a ChannelTiming,
    timing: &'a Timing,
    diagnostics: &'a Diagnostics,
    /// Which identifiers come on an occasion only.
    occasional: &'a Occasional,
    /// Which are one message under several priorities.
    twins: &'a Twins<'a>,
    /// In order of identifier.
    messages: Vec<(Id, Option<RosterIndex>, &'a ExpectedMessage)>,
    heard: HashMap<Id, &'a IdTiming>,
    /// Seconds in which some identifier spoke that needs the key; `None` where none is known.
    key_on: Option<f64>,
    /// Seconds in which the capture itself shows the key off, where the roster does not know what
    /// needs it: then nothing is due.
    shown_off: f64,
}

impl<'a> Call<'a> {
    pub(super) fn new(
        timing: &'a Timing,
        (diagnostics, occasional, twins): (&'a Diagnostics, &'a Occasional, &'a Twins<'a>),
        known: &'a Known,
        at: ChannelIndex,
        key: &KeyOff,
    ) -> Self {
        let of_channel = known.messages.iter().filter(|(key, _)| key.channel == at);
        let mut messages: Vec<_> = of_channel
            .filter_map(|(key, known)| Some((key.id, known.node, known.timed.as_ref()?)))
            .collect();
        messages.sort_unstable_by_key(|(id, ..)| *id);
        let heard: HashMap<Id, &IdTiming> =
            timing.ids.iter().filter(|id| id.key.channel == at).map(|id| (id.key.id, id)).collect();
        let mut keyed = messages.iter().filter(|(.., message)| message.key).peekable();
        let key_on = keyed.peek().is_some().then_some(()).map(|()| {
            let of = |(id, _, message): &(Id, _, &ExpectedMessage)| {
                // Its sender was there for a gap before its first frame and after its last.
                let gap = nanoseconds(message.per_second().map_or(0.0, |rate| 1.0 / rate));
                let around = move |own: Silence| Silence {
                    start: own.start.saturating_sub(gap),
                    end: own.end.saturating_add(gap),
                };
                heard.get(id).map(|id| presences(id).into_iter().map(around))
            };
            let present = super::merged(keyed.filter_map(of).flatten().collect());
            seconds(present.iter().map(Silence::length).sum())
        });
        let shown_off = match key_on {
            None => key.stretches.iter().map(|off| seconds(off.length())).sum(),
            Some(_) => 0.0,
        };
        let channel = &timing.channels[usize::from(at)];
        Call {
            at,
            channel,
            timing,
            diagnostics,
            occasional,
            twins,
            messages,
            heard,
            key_on,
            shown_off,
        }
    }

    /// Frames of a message that would have come, by its period or rate.
    fn due(&self, message: &ExpectedMessage) -> Option<f64> {
        let awake = (seconds(self.channel.awake) - self.shown_off).max(0.0);
        let awake = match self.key_on {
            Some(key_on) if message.key => awake.min(key_on),
            _ => awake,
        };
        Some(awake * message.per_second()?)
    }

    /// Share of what the identifiers heard would have sent that is there. What keeps no period does
    /// not count: its rate may be one of bursts, and each of those is several frames.
    pub(super) fn kept(&self) -> Option<f64> {
        let span = |(first, last): (Nanoseconds, Nanoseconds)| (last - first) as f64;
        let all = span(self.channel.heard?);
        let counts = |message: &ExpectedMessage| message.expected && message.period.is_some();
        let (mut got, mut due) = (0.0, 0.0);
        for (id, _, message) in self.messages.iter().filter(|(.., message)| counts(message)) {
            let Some(timing) = self.heard.get(id) else { continue };
            if timing.heard.map_or(0.0, span) >= THROUGHOUT * all
                && let Some(own) = self.due(message)
            {
                got += timing.frames as f64;
                due += own;
            }
        }
        (due > 0.0).then(|| (got / due).min(1.0))
    }

    /// Calls the roll.
    pub(super) fn roll(&self, thinned: Option<&Thinned>) -> Roll {
        let expected = self.messages.iter().filter(|(.., message)| message.expected);
        let heard = expected.clone().filter(|(id, ..)| self.heard.contains_key(id)).count();
        let kept = self.kept();
        let (missing, unproven) = self.missing(thinned, kept);
        Roll {
            missing,
            unproven,
            expected: expected.count(),
            heard,
            key: match self.key_on {
                None => KeyState::NotKnown,
                Some(seconds) if seconds >= MOMENT => KeyState::On,
                Some(_) => KeyState::Off,
            },
            kept,
        }
    }

    /// What is missing, and how many more may be.
    fn missing(&self, thinned: Option<&Thinned>, kept: Option<f64>) -> (Vec<Missing>, usize) {
        // Of what always falls into the logger's dead time, nothing is known.
        let by_ticks = thinned.is_some_and(|thinned| matches!(thinned.how, HowThinned::Ticks(_)));
        if by_ticks && !self.channel.deliveries.slide() {
            return (Vec::new(), 0);
        }
        let rates = self.messages.iter().any(|(.., message)| message.per_second().is_some());
        let by_share = thinned.is_some() || !rates;
        let scale = self.scale();
        let due = |message: &ExpectedMessage| match by_share {
            _ if message.key && self.key_on == Some(0.0) => None,
            true => Some(self.weight(message)? * scale),
            false => Some(self.due(message)? * kept.unwrap_or(1.0)),
        };
        let missing: Vec<Missing> = self
            .messages
            .iter()
            .filter(|(id, _, message)| message.expected && !self.heard.contains_key(id))
            // What always came in packets has no frame of its own identifier.
            .filter(|(id, ..)| {
                let key = Key { channel: self.at, id: *id };
                !came_in_packets(self.timing, self.diagnostics, key)
            })
            .filter(|(id, ..)| !self.occasional.has(self.at, *id))
            .filter(|(id, ..)| !self.twins.heard(self.at, *id))
            .filter_map(|(id, node, message)| {
                let (due, sometimes) = (due(message)?, message.sometimes);
                Some(Missing { id: *id, node: *node, due, sometimes })
            })
            .filter(|missing| missing.due >= ENOUGH)
            .collect();
        let uncertain = by_share || kept.is_some_and(|kept| kept < HALF);
        if uncertain && !missing.iter().any(|missing| missing.due >= ENOUGH_THINNED) {
            return (Vec::new(), missing.len());
        }
        (missing, 0)
    }

    /// How much of the traffic a message is, next to the others of the roster.
    fn weight(&self, message: &ExpectedMessage) -> Option<f64> {
        if self.has_shares() { message.share } else { message.per_second() }
    }

    /// Whether the roster knows the share of each of its messages.
    fn has_shares(&self) -> bool {
        self.messages.iter().all(|(.., message)| message.share.is_some())
    }

    /// Frames of the channel for each weight of the identifiers heard: a share is one of frames; a
    /// rate may be one of bursts, and only a period is surely one of frames.
    fn scale(&self) -> f64 {
        let shares = self.has_shares();
        let counts = |message: &ExpectedMessage| shares || message.period.is_some();
        let heard = self
            .messages
            .iter()
            .filter(|(id, _, message)| counts(message) && self.heard.contains_key(id));
        let (mut weight, mut frames) = (0.0, 0);
        for (id, _, message) in heard {
            if let Some(own) = self.weight(message) {
                weight += own;
                frames += self.heard[id].frames;
            }
        }
        if weight > 0.0 { frames as f64 / weight } else { 0.0 }
    }
}
