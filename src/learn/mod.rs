//! A roster from captures of a sound vehicle (docs/roster.md).

mod lesson;
mod senders;
pub mod unplugged;

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;

use crate::analysis::{Analysis, Channel, Nanoseconds};
use crate::compare::captures::{self, Fitted};
use crate::fold::timing::seconds;
use crate::ids::IdIndex;
use crate::roster_file::{LearnedFrom, RosterFile};
use lesson::{Edges, Lesson};
use senders::Senders;

/// A roster and what was odd on the way.
#[derive(Clone, Debug, Default)]
pub struct Learned {
    /// The roster.
    pub roster: RosterFile,
    /// What the user should look at.
    pub remarks: Vec<Remark>,
}

/// Something that the reader of a learned roster should know.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Remark {
    /// Something was lost in a capture.
    Losses {
        /// Its path.
        capture: String,
        /// How many outages.
        outages: usize,
    },
    /// A capture is too short for slow identifiers.
    Short {
        /// Its path.
        capture: String,
        /// Seconds in which it carried traffic.
        awake: f64,
    },
    /// The logger kept only some frames of a capture.
    Thinned {
        /// Its path.
        capture: String,
    },
    /// The key was off in a part of a capture.
    KeyOff {
        /// Its path.
        capture: String,
        /// When, in seconds from its beginning.
        at: f64,
    },
    /// Few of the identifiers of a capture are in those before it, or the other way round.
    LittleInCommon {
        /// Its path.
        capture: String,
        /// How many it shares at the most with one of them.
        both: usize,
        /// How many the smaller of the two has.
        smaller: usize,
    },
    /// A channel of a capture carries what another one carries in the first capture.
    ChannelMoved {
        /// Its path.
        capture: String,
        /// The name of the channel in it.
        is: String,
        /// The name in the first capture, that the roster has.
        was: String,
    },
    /// There was one capture only.
    OneCapture,
    /// No identifier shows a period.
    NoPeriods,
    /// An identifier has another period in another capture.
    TwoPeriods {
        /// Which.
        id: Id,
        /// Seconds between frames, as kept: the longest.
        kept: f64,
        /// The shortest.
        other: f64,
    },
}

/// Traffic for less than this many seconds shows an identifier that is sent once a second fewer
/// than ten times.
const SHORT: f64 = 10.0;
/// Periods further apart than this share are worth a word.
const APART: f64 = 0.1;

/// Draws a roster from the analyses of one or more captures: what each identifier did in all of
/// them together, and who sends it as far as the captures tell.
pub fn learn(analyses: &[Analysis]) -> Learned {
    let mut fitted: Vec<Fitted<'_>> = Vec::new();
    for own in analyses {
        let own = captures::clearly_fitted(&analyses[0], own);
        fitted.push(own);
    }
    let class = Class { analyses: fitted.iter().map(|own| &*own.analysis).collect() };
    let mut lessons: BTreeMap<Key, Lesson> = BTreeMap::new();
    let mut senders = Senders::default();
    for (capture, analysis) in class.analyses.iter().copied().enumerate() {
        let edges = Edges::of(analysis);
        for (at, id) in analysis.identifiers.iter().enumerate().filter(|(_, id)| !id.diagnostic) {
            let key = (class.name(analysis.channel(id.channel)), id.id);
            let lesson = lessons.entry(key).or_default();
            lesson.attend(capture, analysis, &edges, IdIndex(at));
        }
        senders.attend(analysis, &class);
    }
    let keyed = keyed(&class, &lessons);
    let messages = lessons.iter().map(|(key, lesson)| {
        let message = lesson.message(&class, key, keyed.contains(key).then_some(&keyed));
        (key.clone(), message)
    });
    let mut roster = senders.roster(messages.collect());
    roster.learned = analyses.iter().map(learned_from).collect();
    let mut remarks = remarks(&class, &lessons, &roster);
    remarks.extend(not_of_one(analyses, &fitted));
    Learned { roster, remarks }
}

/// Name of the channel, and the identifier.
type Key = (String, Id);

/// All captures that are learned from.
struct Class<'a> {
    analyses: Vec<&'a Analysis>,
}

impl<'a> Class<'a> {
    /// The name that a channel has in the roster. Captures of one channel each are all of the same,
    /// whatever each calls it.
    fn name(&self, channel: &Channel) -> String {
        let sole = self.analyses.iter().all(|analysis| analysis.channels.len() <= 1);
        let first = || self.analyses.iter().find_map(|analysis| analysis.channels.first());
        if sole { first().unwrap_or(channel) } else { channel }.name.clone()
    }

    /// Captures that have a channel, with their places.
    fn with(&self, name: &str) -> impl Iterator<Item = (usize, &'a Analysis, &'a Channel)> {
        let find = |(at, analysis): (usize, &'a Analysis)| {
            let own = analysis.channels.iter().find(|channel| self.name(channel) == name)?;
            Some((at, analysis, own))
        };
        self.analyses.iter().copied().enumerate().filter_map(find).collect::<Vec<_>>().into_iter()
    }
}

/// What is only sent with the key on: silent while the key was off in some capture, and spoken then
/// in none.
fn keyed(class: &Class<'_>, lessons: &BTreeMap<Key, Lesson>) -> BTreeSet<Key> {
    let agrees = |(key, lesson): &(&Key, &Lesson)| {
        let off: Vec<usize> = class
            .with(&key.0)
            .filter(|(.., channel)| !channel.key_off.is_empty())
            .map(|(at, ..)| at)
            .collect();
        lesson.was_keyed() && lesson.is_keyed_in(&off)
    };
    lessons.iter().filter(agrees).map(|(key, _)| key.clone()).collect()
}

fn learned_from(analysis: &Analysis) -> LearnedFrom {
    let path = analysis.captures.first().map_or("", |capture| capture.path.as_str());
    let name = std::path::Path::new(path).file_name();
    LearnedFrom {
        path: name.map_or(String::new(), |name| name.to_string_lossy().into_owned()),
        awake: awake(analysis),
        thinned: analysis.channels.iter().any(|channel| channel.thinned.is_some()),
        key_off: analysis.channels.iter().any(|channel| !channel.key_off.is_empty()),
    }
}

fn awake(analysis: &Analysis) -> f64 {
    analysis.channels.iter().map(|channel| channel.awake).fold(0.0, f64::max)
}

fn remarks(class: &Class<'_>, lessons: &BTreeMap<Key, Lesson>, roster: &RosterFile) -> Vec<Remark> {
    let mut out: Vec<Remark> = class.analyses.iter().copied().flat_map(of_capture).collect();
    if class.analyses.len() == 1 {
        out.push(Remark::OneCapture);
    }
    let of_nodes = roster.nodes.iter().flat_map(|node| &node.messages);
    let mut messages = of_nodes.chain(roster.lone.iter().map(|(_, message)| message));
    if !messages.any(|message| message.period.is_some()) {
        out.push(Remark::NoPeriods);
    }
    out.extend(lessons.iter().filter_map(|((_, id), lesson)| {
        let (other, kept) = lesson.periods()?;
        (kept > other * (1.0 + APART)).then_some(Remark::TwoPeriods { id: *id, kept, other })
    }));
    out
}

/// What speaks against captures being of one vehicle at one connector, and channels that have
/// another name in one of them.
fn not_of_one(analyses: &[Analysis], fitted: &[Fitted<'_>]) -> Vec<Remark> {
    let mut out = Vec::new();
    for (at, own) in fitted.iter().enumerate() {
        let moved = own.moved.iter().cloned();
        out.extend(moved.map(|(is, was)| Remark::ChannelMoved { capture: path(own), is, was }));
        let earlier: Option<Vec<(usize, usize)>> = analyses[..at]
            .iter()
            .map(|other| captures::little_in_common(other, &own.analysis))
            .collect();
        let most = earlier.unwrap_or_default().into_iter().max();
        out.extend(most.map(|(both, smaller)| Remark::LittleInCommon {
            capture: path(own),
            both,
            smaller,
        }));
    }
    out
}

fn path(own: &Fitted<'_>) -> String {
    own.analysis.captures.first().map_or(String::new(), |capture| capture.path.clone())
}

fn of_capture(analysis: &Analysis) -> Vec<Remark> {
    let path = || analysis.captures.first().map_or(String::new(), |capture| capture.path.clone());
    let mut out = Vec::new();
    let outages = analysis.lost().count();
    if outages > 0 {
        out.push(Remark::Losses { capture: path(), outages });
    }
    if awake(analysis) < SHORT {
        out.push(Remark::Short { capture: path(), awake: awake(analysis) });
    }
    if analysis.channels.iter().any(|channel| channel.thinned.is_some()) {
        out.push(Remark::Thinned { capture: path() });
    }
    let begin = analysis.span.map_or(0, |(begin, _)| begin);
    let off = analysis.channels.iter().flat_map(|channel| &channel.key_off);
    let first: Option<Nanoseconds> = off.map(|stretch| stretch.start).min();
    out.extend(first.map(|at| Remark::KeyOff { capture: path(), at: seconds(at - begin) }));
    out
}
