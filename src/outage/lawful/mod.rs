//! Which silences are lawful: the key, a sleep, a mode. A supply or wire that fails takes all
//! behind it away at one instant, and when a wire heals, senders that ran on come back on their own
//! grid. A key-off is carried out by software, module by module: at several instants within
//! seconds. docs/outages.md, "Lawful silence", has the rules in their order.

mod again;
mod alone;
mod boots;
mod codes;
mod episodes;
mod held_up;
mod key_offs;
mod large_part;
mod other_bus;
mod passes;
mod scene;
mod tester;
mod with_key;

use std::collections::BTreeMap;

use super::Observed;
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::silence::{self, Event};
use scene::Scene;

/// What an event, or several that are one story, is taken for.
#[derive(Clone, Debug)]
pub(super) struct Judged {
    /// The events, in order of their onset.
    pub events: Vec<Event>,
    /// What they are.
    pub verdict: Verdict,
    /// Why that is not certain.
    pub doubt: Option<Doubt>,
    /// What it rests on.
    pub why: Why,
}

impl Judged {
    /// The identifiers that were silent, one entry for each loss.
    fn ids(&self) -> Vec<IdIndex> {
        self.events.iter().flat_map(|event| &event.losses).map(|loss| loss.id).collect()
    }

    /// A message that may be all of a module. What pauses alike is as a rule none, though nothing
    /// proves it: a code is of something else then (of invented vehicles by two authors 3 of 5).
    fn may_be_a_module(&self) -> bool {
        let regular = matches!(self.why, Why::PausesAgain { regular: true, .. });
        self.doubt == Some(Doubt::SenderUnknown) && !regular
    }

    /// When the first of its events began.
    fn onset(&self) -> Nanoseconds {
        self.events.iter().map(|event| event.onset).min().unwrap_or(0)
    }
}

/// What a silence is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// A part of the vehicle was missing.
    Lost,
    /// The key, or whatever else switches modules off in order.
    SwitchedOff,
    /// The message itself pauses.
    Pauses,
}

/// Why a lawful silence may be a loss all the same: nobody is blamed, and nothing is said to be
/// sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Doubt {
    /// A single identifier, which may be all that its sender sends.
    SenderUnknown,
    /// The key was turned off, or the common supply failed.
    KeyOrSupply,
    /// The capture ends too soon after it.
    NearTheEnd,
    /// The recording pauses so often that losses between cannot be told.
    RecordingChopped,
    /// Nothing tells whether the bus stopped or the recording.
    PauseOrStop,
    /// It fell silent as the engine was started, and no other sender did.
    EngineStart,
    /// It came only some time after the recording began, and was not lost again.
    CameLate,
    /// Another drive heard it all along, and this one never: a mode may send it.
    InAnotherDrive,
}

/// What tells that a silence is lawful, or that it is none. Times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Why {
    /// The senders ran on: so many of so many identifiers came back on their own grid.
    PhaseKept {
        /// How many.
        kept: usize,
        /// Of how many that can be told.
        testable: usize,
    },
    /// All of a known sender.
    WholeSender,
    /// It came back with the signs of a start.
    Restarted,
    /// Its module boots again and again: so often, for as long each time, at steps that scatter.
    Boots {
        /// How often.
        times: usize,
    },
    /// Errors destroyed its own frames where it fell silent or came back.
    OwnErrors {
        /// How many.
        count: usize,
    },
    /// So many identifiers at one instant, and nothing that speaks for the key.
    OneInstant {
        /// How many.
        identifiers: usize,
    },
    /// Modules left over so short a time as their supplies hold them up, and were back soon.
    HeldUp {
        /// Identifiers.
        identifiers: usize,
        /// From the first to the last.
        over: f64,
    },
    /// The engine stood.
    EngineStood,
    /// The channel itself ends.
    ChannelEnds,
    /// The bus slept.
    BusSlept,
    /// Modules left one after another.
    Staged {
        /// At how many instants.
        waves: usize,
        /// From the first to the last.
        over: f64,
        /// How many identifiers left.
        identifiers: usize,
        /// Of how many that were there.
        of: usize,
    },
    /// Modules left in the same order as another time.
    SameOrderAgain,
    /// It came back so much later than all that left with it.
    LateReturn {
        /// By how much.
        seconds: f64,
    },
    /// The engine ran again for so many seconds, and it was not back.
    EngineRanAgain {
        /// How many.
        seconds: f64,
    },
    /// It left so many seconds before all others were switched off, and no sooner came back.
    BeforeTheOthers {
        /// How many.
        seconds: f64,
    },
    /// Another bus was switched off so many seconds before, and so it was another time.
    AfterOthers {
        /// How many.
        seconds: f64,
    },
    /// So many identifiers were switched off meanwhile.
    WhileOthersOff {
        /// How many.
        identifiers: usize,
    },
    /// Another bus had gone to sleep so many seconds before, for good.
    AfterSleep {
        /// How many.
        seconds: f64,
    },
    /// The starter turned, as far as its time tells.
    StarterTurned,
    /// It had never paused, and was gone for so many seconds to the end.
    Gone {
        /// How many.
        seconds: f64,
    },
    /// It was lost another time.
    LostBefore,
    /// A code misses a module, and this is the only silence that could be its.
    CodeMisses,
    /// So many modules that stayed awake began to miss one meanwhile.
    CodesBegan {
        /// How many.
        modules: usize,
    },
    /// Another unit claimed its address.
    GaveUpAddress,
    /// Half of the known senders or more left at one instant, for good.
    HalfOfSenders,
    /// So many identifiers of those that were there left at one instant, and came back anew.
    LargePart {
        /// How many left.
        identifiers: usize,
        /// Of how many.
        of: usize,
    },
    /// A large part left within a second, shortly before the end.
    BeforeTheEnd {
        /// How long before.
        seconds: f64,
        /// How many identifiers.
        identifiers: usize,
    },
    /// A large part was not there any more after a pause of the recording.
    InAPause {
        /// How many identifiers.
        identifiers: usize,
    },
    /// It was sent for a short while only.
    SentForAWhile,
    /// The modules were still starting.
    StartUp,
    /// It pauses again and again.
    PausesAgain {
        /// How often.
        times: usize,
        /// Alike, on a schedule, or on its own grid.
        regular: bool,
    },
    /// Its sender went on with other identifiers.
    SenderWentOn,
    /// It paused for up to so many seconds in the recordings that its roster is from.
    PausedWhenLearned {
        /// How many.
        seconds: f64,
    },
    /// A single identifier whose sender is not known.
    SenderUnknown,
    /// It is too near the end of the capture.
    NearTheEnd,
    /// A tester ended its messages, or had it start anew, so many seconds before.
    ByTester {
        /// How many.
        seconds: f64,
    },
    /// Another bus stopped just then, and it was carried over from there.
    OtherBusStopped,
    /// So many of its messages went on on another bus.
    WentOnElsewhere {
        /// How many.
        messages: usize,
        /// Of how many that were lost.
        of: usize,
    },
    /// The same message stopped on another bus, from which it was carried over.
    CarriedOver,
}

impl Why {
    /// Whether a loss that rests on this may be the key's after all: it left at one moment and came
    /// back anew, as both a key and a supply have it. What ran on, started anew by itself, or was
    /// missed has a cause of its own.
    fn may_be_key(self) -> bool {
        matches!(self, Why::OneInstant { .. } | Why::HeldUp { .. } | Why::WholeSender)
    }
}

/// Why a stop of a whole channel is a tester's word; `None` where it is not.
pub(super) fn by_tester(observed: &Observed<'_>, stop: &silence::Stop) -> Option<Why> {
    // What all units were told together ends and begins as if the recording had paused. Where there
    // is but one channel, its frames say what it was.
    let told = |channel| tester::told(observed, stop.silence, 0.0, Some(channel));
    let seconds = match stop.channel {
        _ if stop.ongoing => None,
        Some(channel) => told(channel),
        None if observed.timing.channels.len() == 1 => tester::stopped(observed, stop.silence),
        None => None,
    };
    Some(Why::ByTester { seconds: seconds? })
}

pub(super) fn judge(observed: &Observed<'_>) -> Vec<Judged> {
    let events = silence::together(observed.timing, observed.losses);
    let mut out = Vec::new();
    for channel in 0..observed.timing.channels.len() {
        let own: Vec<Event> =
            events.iter().filter(|event| usize::from(event.channel) == channel).cloned().collect();
        if let Some(scene) = Scene::of(observed, channel) {
            let own = scene.join_senders(own);
            out.extend(scene.judge(own));
        }
    }
    passes::over_all(observed, &mut out);
    out.sort_by_key(|judged| judged.events.first().map(|event| (event.onset, event.channel)));
    out
}

/// Messages of one sender may stop and return so many seconds apart, besides their periods.
const OF_ONE_SENDER: f64 = 0.5;

impl Scene<'_> {
    /// Puts events of one known sender together, which need not stop all it sends at one instant.
    fn join_senders(&self, events: Vec<Event>) -> Vec<Event> {
        let mut out: Vec<Event> = Vec::new();
        let mut of_sender: BTreeMap<NodeIndex, Vec<usize>> = BTreeMap::new();
        for event in events {
            let Some(sender) = self.sole_sender(&event) else {
                out.push(event);
                continue;
            };
            let near = |other: &Event| {
                let periods = |event: &Event| {
                    event.losses.iter().map(|loss| self.period(loss.id)).fold(0.0, f64::max)
                };
                let slack = nanoseconds(periods(other) + periods(&event) + OF_ONE_SENDER);
                other.ongoing == event.ongoing
                    && (other.onset - event.onset).abs() <= slack
                    && other.onset.max(event.onset) < other.back.min(event.back)
            };
            let own = of_sender.entry(sender).or_default();
            match own.iter().rev().copied().find(|at| near(&out[*at])) {
                Some(at) => out[at].join(event, self.observed.losses),
                None => {
                    own.push(out.len());
                    out.push(event);
                }
            }
        }
        out
    }

    /// Each event by itself where that decides, the others as episodes.
    fn judge(&self, events: Vec<Event>) -> Vec<Judged> {
        let (mut out, mut free) = (Vec::new(), Vec::new());
        for event in events {
            match self.booted(&event).or_else(|| self.alone(&event)) {
                Some((verdict, doubt, why)) => {
                    out.push(Judged { events: vec![event], verdict, doubt, why });
                }
                None => free.push(event),
            }
        }
        out.extend(episodes::of(free).into_iter().flat_map(|events| self.episode(events)));
        passes::over_a_channel(self, out)
    }
}

/// From the first onset to the last return, in seconds.
fn length(events: &[Event]) -> f64 {
    let onset = events.iter().map(|event| event.onset).min().unwrap_or(0);
    let ends = events.iter().flat_map(|event| &event.losses).map(|loss| loss.silence.end);
    seconds(ends.max().unwrap_or(onset) - onset)
}
