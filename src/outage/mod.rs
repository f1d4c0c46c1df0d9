//! From silences and senders to outages: what was missing, since when, and how far the trouble
//! reaches. docs/outages.md has the rules.

mod branches;
pub mod causes;
mod claims;
pub mod deviations;
mod evidence;
mod facts;
mod late_start;
mod lawful;
mod never_heard;
mod parts;
mod switched;
mod while_off;

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::diagnostics::claims::{Claims, GivenUp};
use crate::fold::diagnostics::supply::Supply;
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::clocks::Clocks;
use crate::network::destroyed::Destroyed;
use crate::network::{Basis, MissingOf, Network};
use crate::silence::{Losses, Stop, StopKind, unrecorded};
use causes::Return;
use facts::ENGINE_RUNS_ON;
use lawful::{Judged, Verdict};

pub use causes::{Division, ReturnSign};
pub use evidence::Evidence;
pub(crate) use facts::{CRANKED_WITHIN, MOST_OF_ONE, STARTS_WITHIN, SURE_ODDS};
pub use lawful::{Doubt, Why};

/// How far an outage reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scope {
    /// Single identifiers, while their sender went on with others or is not known.
    Identifier,
    /// All that one node sends.
    Node,
    /// Several nodes together, while others on the channel went on.
    Branch,
    /// A whole channel.
    Bus,
    /// The recording of every channel.
    Capture,
}

/// Why it looks so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Cause {
    /// The node lost its supply, or was reset.
    LostPower,
    /// The node ran on unheard: its stub, connector or branch was open.
    OpenCircuit,
    /// The unit had to give its address up to another one (SAE J1939-81).
    LostAddress,
    /// Error reports about the bus around it.
    BusFault,
    /// An orderly end of traffic.
    BusSleep,
    /// The recording paused.
    CaptureGap,
    /// The key was turned off, or modules were switched off otherwise, in order.
    SwitchedOff,
    /// The capture does not say.
    Unknown,
}

impl Cause {
    /// Whether traffic ended in order: the key was turned off, or the bus slept.
    pub fn is_orderly(self) -> bool {
        matches!(self, Cause::SwitchedOff | Cause::BusSleep)
    }
}

/// An interval in which expected traffic was missing.
#[derive(Clone, Debug)]
pub struct Outage {
    /// How far it reaches.
    pub scope: Scope,
    /// Where; `None` for the whole capture.
    pub channel: Option<ChannelIndex>,
    /// The nodes that were silent.
    pub nodes: Vec<NodeIndex>,
    /// The identifiers that were silent, ascending.
    pub ids: Vec<IdIndex>,
    /// Identifiers that the roster expects and that were never heard.
    pub never_heard: Vec<Id>,
    /// Last frame before it.
    pub start: Nanoseconds,
    /// First frame after it, or the end of the capture.
    pub end: Nanoseconds,
    /// Of that time the recording paused for so long: who was silent then nobody knows.
    pub unrecorded: Nanoseconds,
    /// Still silent when the capture ends.
    pub ongoing: bool,
    /// Why it looks so.
    pub cause: Cause,
    /// Nobody is to blame: the message or the module pauses by nature, as far as the capture tells.
    pub benign: bool,
    /// Why it may be a loss all the same, where it is benign.
    pub doubt: Option<Doubt>,
    /// Natural logarithm of how many times likelier its return is for nodes that ran on unheard
    /// than for nodes that started anew; 0 where nothing tells.
    pub ran_on: f64,
    /// Whether some of it ran on, and the rest started anew.
    pub divided: Division,
    /// What that rests on.
    pub evidence: Vec<Evidence>,
}

impl Outage {
    /// What lasted so long and reached so far, before anything else is known of it.
    pub(crate) fn of(scope: Scope, silence: Silence) -> Self {
        Self {
            scope,
            channel: None,
            nodes: Vec::new(),
            ids: Vec::new(),
            never_heard: Vec::new(),
            start: silence.start,
            end: silence.end,
            unrecorded: 0,
            ongoing: false,
            cause: Cause::Unknown,
            benign: false,
            doubt: None,
            ran_on: 0.0,
            divided: Division::No,
            evidence: Vec::new(),
        }
    }

    /// From its start to its end.
    pub fn silence(&self) -> Silence {
        Silence { start: self.start, end: self.end }
    }

    /// Seconds from its start to its end, without those in which the recording paused.
    pub fn duration(&self) -> f64 {
        seconds(self.end - self.start - self.unrecorded)
    }

    /// Whether a part of the vehicle was missing in it: not in a sleep of the bus, nor in a pause
    /// of the recording, nor in what is lawful otherwise.
    pub fn is_loss(&self) -> bool {
        !self.benign && !matches!(self.cause, Cause::BusSleep | Cause::CaptureGap)
    }
}

/// What the capture shows, as far as it has been worked out; outages are drawn from it.
#[derive(Clone, Copy)]
pub struct Observed<'a> {
    /// When identifiers and channels were heard.
    pub timing: &'a Timing,
    /// What was silent for too long.
    pub losses: &'a Losses,
    /// Who sends what.
    pub network: &'a Network,
    /// Which frames errors destroyed.
    pub destroyed: &'a Destroyed,
    /// The clock behind each identifier, and its counters.
    pub clocks: &'a Clocks,
    /// What testers and modules said to each other.
    pub diagnostics: &'a Diagnostics,
    /// Voltage as modules measured it.
    pub supply: &'a Supply,
    /// Address claims of SAE J1939.
    pub claims: &'a Claims,
    /// Addresses that were given up.
    pub given_up: &'a [GivenUp],
    /// When a code of this drive that says that a module is missed was last read.
    pub missed_at: Option<Nanoseconds>,
}

impl Observed<'_> {
    /// Whether a code of this drive says that a module is missed, and was read since a time: what
    /// was read before a loss is not of it.
    fn misses_a_module_since(&self, onset: Nanoseconds) -> bool {
        self.missed_at.is_some_and(|read| read >= onset)
    }

    /// Whether the roster has a module that was never heard: it is the one that codes miss.
    fn lacks_a_module(&self) -> bool {
        self.network.missing.iter().any(|own| own.of != MissingOf::Part)
    }

    /// Whether the engine surely ran for so long after a time that the key was not turned off then.
    fn engine_ran_on(&self, time: Nanoseconds) -> bool {
        let then = time.saturating_add(nanoseconds(ENGINE_RUNS_ON));
        let ran = |running: &Silence| (running.start..=running.end).contains(&then);
        self.losses.running.iter().any(|running| running.start <= time && ran(running))
    }

    /// Whether what fell silent then may be the key's: no key is off while the engine runs on, and
    /// no module misses one that the key has switched off.
    fn may_be_key(&self, onset: Nanoseconds) -> bool {
        !self.engine_ran_on(onset) && !self.misses_a_module_since(onset)
    }
}

/// Outages in order of time; among them what the roster expects and nobody sent.
pub fn find(observed: &Observed<'_>) -> Vec<Outage> {
    let (lost, lawful): (Vec<Judged>, Vec<Judged>) =
        lawful::judge(observed).into_iter().partition(|judged| judged.verdict == Verdict::Lost);
    let lost = lost.iter().flat_map(|judged| {
        judged.events.iter().map(|event| parts::of_event(observed, event, judged.why))
    });
    let mut outages = branches::join(observed, lost.collect());
    for outage in &mut outages {
        explain(outage, observed);
    }
    let lawful: Vec<Outage> =
        lawful.iter().flat_map(|judged| switched::outages(observed, judged)).collect();
    while_off::doubt(observed, &mut outages, &lawful);
    outages.extend(lawful);
    let stops = &observed.losses.stops;
    outages.extend(stops.iter().map(|stop| {
        let outage = of_stop(stop, observed.network);
        match lawful::by_tester(observed, stop) {
            Some(why) => Outage {
                scope: Scope::Bus,
                channel: stop.channel.or(Some(0)),
                benign: true,
                cause: Cause::Unknown,
                evidence: vec![Evidence::Why(why)],
                ..outage
            },
            None => outage,
        }
    }));
    for outage in &mut outages {
        note_stops(outage, stops);
    }
    let mut never_heard = never_heard::find(observed);
    never_heard::leave_open(observed, &outages, &mut never_heard);
    outages.extend(never_heard);
    let late = late_start::find(observed, &outages);
    outages.extend(late);
    outages.sort_by_key(|outage| (outage.silence(), outage.channel));
    outages
}

/// Says from the return of whole nodes whether they had run on or started anew; and so of lost
/// identifiers whose sender is not known, or only guessed: they may be all that a module sends.
fn explain(outage: &mut Outage, observed: &Observed<'_>) {
    if let Some(given_up) = claims::given_up(observed, &outage.ids, outage.start) {
        let GivenUp { address, time, from, to, .. } = given_up;
        outage.cause = Cause::LostAddress;
        let after = seconds(outage.start - time);
        outage.evidence.push(Evidence::LostAddress { address, from, to, after });
        return;
    }
    if outage.ongoing {
        return;
    }
    let nodes = outage.nodes.iter().map(|node| &observed.network.nodes[*node]);
    let told = nodes.clone().any(|node| Basis::any_is_told(&node.basis));
    let ids: Vec<&[IdIndex]> = match outage.scope {
        Scope::Node | Scope::Branch => nodes.map(|node| node.ids.as_slice()).collect(),
        Scope::Identifier if !told => vec![outage.ids.as_slice()],
        _ => return,
    };
    let judgement = causes::judge(observed, &ids, outage.silence());
    let of_all = causes::division::of(observed, outage, judgement.shows);
    outage.cause = match judgement.shows {
        Return::CarriedOn => Cause::OpenCircuit,
        Return::Restarted => Cause::LostPower,
        Return::Unclear => Cause::Unknown,
    };
    outage.ran_on = judgement.ran_on;
    outage.divided = judgement.divided.max(of_all);
    outage.evidence.extend(judgement.signs.into_iter().map(Evidence::Return));
}

fn of_stop(stop: &Stop, network: &Network) -> Outage {
    let (scope, cause) = match stop.kind {
        StopKind::CapturePause => (Scope::Capture, Cause::CaptureGap),
        StopKind::BusFault => (Scope::Bus, Cause::BusFault),
        StopKind::BusSleep => (Scope::Bus, Cause::BusSleep),
        StopKind::Unknown | StopKind::RecordedInPart => (Scope::Bus, Cause::Unknown),
    };
    // An unclear stop and a channel recorded in part do not show that a part of the vehicle was
    // missing.
    let benign = stop.unclear || stop.kind == StopKind::RecordedInPart;
    let mut nodes: Vec<NodeIndex> = stop.ids.iter().filter_map(|id| network.node_of[*id]).collect();
    nodes.sort_unstable();
    nodes.dedup();
    // A pause of the recording says nothing of any node.
    let blamed = scope == Scope::Bus;
    Outage {
        channel: stop.channel,
        nodes: if blamed { nodes } else { Vec::new() },
        ids: if blamed { stop.ids.clone() } else { Vec::new() },
        ongoing: stop.ongoing,
        cause,
        benign,
        doubt: stop.unclear.then_some(Doubt::PauseOrStop),
        evidence: stop.signs.iter().copied().map(Evidence::Stop).collect(),
        ..Outage::of(scope, stop.silence)
    }
}

/// A node's outage that spans a stop of its channel says so.
fn note_stops(outage: &mut Outage, stops: &[Stop]) {
    let Some(channel) = outage.channel.filter(|_| outage.scope < Scope::Bus) else { return };
    let silence = outage.silence();
    outage.unrecorded = unrecorded(stops, silence);
    let within = stops.iter().filter(|stop| stop.concerns(channel));
    let quiet: Nanoseconds = within.clone().map(|stop| stop.silence.overlap(&silence)).sum();
    let woke =
        within.filter(|stop| stop.silence.overlap(&silence) > 0).map(|stop| stop.silence.end).max();
    if let Some(woke) = woke.filter(|woke| *woke <= silence.end) {
        let seconds = seconds(silence.end - woke);
        outage.evidence.push(match outage.ongoing {
            true => Evidence::SilentAfterWaking { seconds },
            false => Evidence::AnsweredAfterWaking { seconds },
        });
    }
    if quiet > 0 {
        outage.evidence.push(Evidence::ChannelSilent { seconds: seconds(quiet) });
    }
}
