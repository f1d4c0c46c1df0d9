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
mod scene;
mod tester;
mod with_key;

use std::collections::{BTreeMap, BTreeSet};

use super::{Observed, claims};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::MissingOf;
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
}

/// What tells that a silence is lawful, or that it is none. Times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
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

/// Why a stop of a whole channel is a tester's word; `None` where it is not.
pub(super) fn by_tester(observed: &Observed<'_>, stop: &silence::Stop) -> Option<Why> {
    stop.channel.filter(|_| !stop.ongoing)?;
    let seconds = tester::told(observed, stop.silence, 0.0)?;
    Some(Why::ByTester { seconds })
}

/// Returns with a claim of the address that tell a unit that starts anew (invented vehicles of
/// three authors: of those with two 5 of 5 were lost, of those with one 3 of 12).
const CLAIMS: usize = 2;

/// All events of a capture, judged, in order of time.
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
    other_bus::blame_what_carries(observed, &mut out);
    with_key::judge(observed, &mut out);
    with_key::judge_again(observed, &mut out);
    tester::excuse(observed, &mut out);
    tester::excuse_resets(observed, &mut out);
    blame_again(observed, &mut out);
    blame_by_code(observed, &mut out);
    codes::blame(observed, &mut out);
    blame_by_claim(observed, &mut out);
    blame_by_claims_again(observed, &mut out);
    other_bus::excuse(observed, &mut out);
    other_bus::leave_echoes(observed, &mut out);
    out.sort_by_key(|judged| judged.events.first().map(|event| (event.onset, event.channel)));
    out
}

/// What was lost once is all that a module sends, or hangs on a bad contact: where it falls silent
/// again, and nothing tells why, it is lost again.
fn blame_again(observed: &Observed<'_>, judged: &mut [Judged]) {
    // What left with others, as with the starter, says nothing of a message.
    let by_itself = |judged: &&Judged| {
        let ids = judged.ids();
        let sender = |id: &IdIndex| observed.network.node_of[*id];
        judged.verdict == Verdict::Lost
            && (ids.len() == 1
                || sender(&ids[0]).is_some() && ids.iter().all(|id| sender(id) == sender(&ids[0])))
    };
    let lost: BTreeSet<IdIndex> = judged.iter().filter(by_itself).flat_map(Judged::ids).collect();
    let open = |judged: &&mut Judged| judged.verdict == Verdict::Pauses && judged.may_be_a_module();
    for judged in judged.iter_mut().filter(open) {
        if judged.ids().iter().all(|id| lost.contains(id)) {
            (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::LostBefore);
        }
    }
}

/// A module that is missed sends nothing; where all that fell silent is one identifier of an
/// unknown sender, it is that module's. Two such identifiers would be a guess, and so is one where
/// the roster has a module that was never heard: that is the one that is missed.
fn blame_by_code(observed: &Observed<'_>, judged: &mut [Judged]) {
    let open = |judged: &&mut Judged| judged.may_be_a_module();
    let lost = judged.iter().any(|judged| judged.verdict == Verdict::Lost);
    let mut ids: Vec<_> =
        judged.iter().filter(|judged| judged.may_be_a_module()).flat_map(Judged::ids).collect();
    ids.sort_unstable();
    ids.dedup();
    let never_heard = observed.network.missing.iter().any(|own| own.of != MissingOf::Part);
    let begin = judged.iter_mut().filter(open).map(|judged| judged.onset()).min();
    let missed = begin.is_some_and(|begin| observed.misses_a_module_since(begin));
    if !missed || lost || never_heard || ids.len() != 1 {
        return;
    }
    for judged in judged.iter_mut().filter(open) {
        (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::CodeMisses);
    }
}

/// Who lost its address to another unit was not switched off, though it may end as one that was.
fn blame_by_claim(observed: &Observed<'_>, judged: &mut [Judged]) {
    for judged in judged.iter_mut().filter(|judged| judged.verdict != Verdict::Lost) {
        let ids = judged.ids();
        let onset = judged.onset();
        if claims::given_up(observed, &ids, onset).is_some() {
            (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::GaveUpAddress);
        }
    }
}

/// An address that is silent as a whole, and claims itself again each time that it is back, is a
/// unit that starts anew: no message of a unit that runs has it claim its address. Once may be a
/// unit that was switched on.
fn blame_by_claims_again(observed: &Observed<'_>, judged: &mut [Judged]) {
    let unit = |judged: &Judged| {
        let event = judged.events.first().filter(|_| judged.verdict == Verdict::Pauses)?;
        let node = observed.network.node_of[event.losses.first()?.id]?;
        claims::starts_anew(observed, node, event).then_some(node)
    };
    let units: Vec<Option<NodeIndex>> = judged.iter().map(unit).collect();
    for (judged, own) in judged.iter_mut().zip(&units) {
        if own.is_some() && units.iter().filter(|other| *other == own).count() >= CLAIMS {
            (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::Restarted);
        }
    }
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
        let mut out = self.around_key_offs(out);
        self.blame_the_absent(&mut out);
        if self.chopped {
            let untold = |judged: &&mut Judged| {
                judged.verdict == Verdict::Lost && !self.lasts_between_pauses(&judged.events)
            };
            for judged in out.iter_mut().filter(untold) {
                judged.verdict = Verdict::Pauses;
                judged.doubt = Some(Doubt::RecordingChopped);
            }
        }
        out
    }
}

/// From the first onset to the last return, in seconds.
fn length(events: &[Event]) -> f64 {
    let onset = events.iter().map(|event| event.onset).min().unwrap_or(0);
    let ends = events.iter().flat_map(|event| &event.losses).map(|loss| loss.silence.end);
    seconds(ends.max().unwrap_or(onset) - onset)
}
