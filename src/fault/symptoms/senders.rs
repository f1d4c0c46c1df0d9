//! Whose frames errors destroyed: those of one sender, or everybody's alike.
//!
//! A fault of the main line strikes whoever is sending, so each sender loses frames as its share of
//! the traffic has it. A bad stub, contact or transceiver spoils what its own node sends.

use std::collections::{BTreeMap, BTreeSet};

use super::behind::{self, Follows};
use super::traffic::{BY_CHANCE, Traffic};
use super::within::Within;
use super::{Symptom, skips};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Sign, Spread};
use crate::analysis::{Analysis, Cause, ErrorEvent, Outage};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Aftermath, Nanoseconds, nanoseconds};
use crate::ids::IdIndex;

/// One sender stands out only with at least so many destroyed frames.
const FEWEST_DESTROYED: usize = 4;
/// At least so many destroyed frames, none of whose senders stands out, are everybody's.
const MANY: usize = 10;
/// Destroyed frames are everybody's only where they are of at least so many senders.
const SENDERS: usize = 3;
/// Beside a sender that stands out, only others with at least so many destroyed frames count. Of 13
/// terminations of invented vehicles 12 had enough such others, of 12 bad contacts none (a set of a
/// world by others).
const EACH: usize = 2;
/// Beside a sender that stands out, the others must have at least one part in so many of all
/// destroyed frames to make them everybody's.
const FRACTION: usize = 5;
/// A sender is struck beyond its share only where at least this part of the destroyed frames is
/// its.
const PART: f64 = 0.2;
/// A sender is struck beyond its share where its part of the destroyed frames is at least so many
/// times its share of the traffic: of 22 terminations of invented vehicles none reached six times,
/// of bad contacts taken for the main line 8 did (three sets of a world by others).
const BEYOND: f64 = 7.5;
/// Errors so many seconds from where a silence begins or ends have to do with it, and tell nothing
/// of who suffers.
const EDGE: f64 = 0.1;
/// A frame is broken in its identifier, where nobody can tell whose it is, less often than behind
/// it: so many nameless errors for each named one of the sender that stands out may be its own.
const NAMELESS: usize = 2;
/// Errors so many seconds from one that destroyed a frame of a sender are of the same contact,
/// where the errors are that sender's.
const WITH_IT: f64 = 0.5;

/// One sender that stands out.
pub struct One {
    /// Who.
    pub subject: Subject,
    /// Destroyed frames of its own.
    frames: usize,
    /// … of so many that are named.
    of: usize,
    /// Its share of the traffic.
    share: f64,
    /// Probability of so many or more by chance, for any of the senders.
    chance: f64,
}

/// One sender whose frames the errors of a channel destroy, by what tells it.
enum Whose {
    /// It is heard behind most of them.
    Follows(Follows),
    /// They lie where its frames are missing, or while it skips some, and nobody else's are.
    Within(Within),
    /// Its frames are those that can be named.
    Named(One),
}

/// How the destroyed frames of a channel are spread over its senders.
#[derive(Default)]
pub struct Named {
    whose: Option<Whose>,
    /// When its errors came, around which others are of the same contact; ascending.
    with_it: Vec<Nanoseconds>,
    /// Errors that name nobody are few beside its own.
    few_nameless: bool,
    /// … and so are those of others, and the bus did not stop.
    few_others: bool,
    /// How many destroyed frames can be named, and of how many senders they are.
    named: (usize, usize),
    /// Most errors are no plugging in, and no want of an acknowledgement.
    of_the_bus: bool,
    spread: Spread,
    /// When nobody acknowledged, which is no fault of the bus; ascending.
    unanswered: Vec<Nanoseconds>,
}

impl Named {
    /// Of a channel.
    pub fn of(analysis: &Analysis, channel: ChannelIndex) -> Named {
        let errors = &analysis.channel(channel).errors;
        let unanswered = unanswered(errors);
        let counted: Vec<&ErrorEvent> = counted(errors, &unanswered).collect();
        let named = counted.iter().filter_map(|event| event.destroyed);
        let named: Vec<Subject> = named.map(|id| sender(analysis, id)).collect();
        let whose = Whose::of(analysis, channel, &counted, &named);
        let is_its = |event: &&ErrorEvent| {
            whose.as_ref().is_some_and(|whose| whose.has_with_it(analysis, event))
        };
        let with_it = errors.iter().filter(is_its).map(|event| event.time).collect();
        let spread = match whose {
            Some(_) => Spread::Untold,
            None => spread(analysis, channel, &counted),
        };
        let nameless = counted.len() - named.len();
        let (few_nameless, few_others) = match &whose {
            Some(Whose::Named(one)) if nameless <= NAMELESS * one.frames => {
                (true, !one.leaves_many(&named) && !stops(analysis, channel))
            }
            _ => (false, false),
        };
        let senders = named.iter().collect::<BTreeSet<&Subject>>().len();
        let of_the_bus = 2 * counted.len() > errors.len();
        let named = (named.len(), senders);
        Named { whose, with_it, few_nameless, few_others, named, of_the_bus, spread, unanswered }
    }

    /// Whether an error is told by itself, and is no sign of the main line. A bad contact breaks
    /// its frames in their identifier too, and those nobody can name: where one sender stands out
    /// a few of them are no second witness. A controller that gave up is.
    pub fn explains(&self, analysis: &Analysis, event: &ErrorEvent) -> bool {
        let own = match (&self.whose, event.destroyed) {
            _ if self.few_others && !event.frame.is_bus_off() => true,
            (Some(Whose::Named(one)), Some(id)) => sender(analysis, id) == one.subject,
            _ => self.few_nameless && event.destroyed.is_none() && !event.frame.is_bus_off(),
        };
        let with_it = is_near(&self.with_it, event.time, WITH_IT) && !event.frame.is_bus_off();
        own || with_it || event.alone || self.unanswered.binary_search(&event.time).is_ok()
    }

    /// Whether one sender stands out.
    pub fn stands_out(&self) -> bool {
        self.whose.is_some()
    }

    /// Whether most errors are of the bus, and of no one sender.
    pub fn are_of_the_bus(&self) -> bool {
        self.of_the_bus && self.whose.is_none()
    }

    /// The sign of all errors, those at the edges of silences too.
    pub fn sign_of_all(&self) -> Sign {
        let (frames, senders) = self.named;
        Sign::ErrorSpread(everyone(frames, senders))
    }

    /// The sign of the other errors.
    pub fn sign(&self) -> Sign {
        Sign::ErrorSpread(self.spread)
    }

    /// The symptom of the sender that stands out.
    pub fn symptom(&self) -> Option<Symptom> {
        let (subject, fact) = match self.whose.as_ref()? {
            Whose::Follows(Follows { subject, times, of, by_chance }) => {
                let (times, of, by_chance) = (*times, *of, *by_chance);
                (subject.clone(), Fact::SenderFollows { times, of, by_chance })
            }
            Whose::Within(Within { subject, times, of, share, .. }) => {
                let (times, of, share) = (*times, *of, *share);
                (subject.clone(), Fact::SenderLacks { times, of, share })
            }
            Whose::Named(One { subject, frames, of, share, chance }) => {
                let (frames, of, share, chance) = (*frames, *of, *share, *chance);
                (subject.clone(), Fact::SenderErrors { frames, of, share, chance })
            }
        };
        Some(Symptom::new(subject, fact))
    }
}

impl Whose {
    /// Of these errors of a channel, `named` whose frames can be told of them one by one.
    fn of(
        analysis: &Analysis,
        channel: ChannelIndex,
        errors: &[&ErrorEvent],
        named: &[Subject],
    ) -> Option<Whose> {
        let traffic = Traffic::of(analysis, channel);
        let heard = behind::all(analysis, &traffic, errors.iter().copied());
        if let Some(follows) = behind::one(&heard) {
            return Some(Whose::Follows(follows.clone()));
        }
        let within = Within::of(analysis, channel, errors.iter().copied());
        let within = within.or_else(|| skips::of(analysis, channel, errors.iter().copied()));
        if let Some(within) = within {
            return Some(Whose::Within(within));
        }
        let stops = stops(analysis, channel);
        let stands_out = |one: &One| {
            let most = one.stands_out() && !one.leaves_many(named);
            most || one.is_beyond_its_share() && !stops
        };
        let senders: BTreeSet<&Subject> = named.iter().collect();
        let mut all = senders.into_iter().filter_map(|subject| One::of(&traffic, subject, named));
        all.find(stands_out).map(Whose::Named)
    }

    /// Whether errors around this one are of the same contact.
    fn has_with_it(&self, analysis: &Analysis, event: &ErrorEvent) -> bool {
        match self {
            Whose::Follows(own) => own.is_behind(analysis, event),
            Whose::Within(own) => own.has_all() || own.holds(event.time),
            Whose::Named(own) => {
                let named = event.destroyed.map(|id| sender(analysis, id));
                own.is_beyond_its_share() && named.as_ref() == Some(&own.subject)
            }
        }
    }
}

/// Whether the bus stopped, as a main line that fails makes it.
fn stops(analysis: &Analysis, channel: ChannelIndex) -> bool {
    let fault =
        |outage: &Outage| outage.channel == Some(channel) && outage.cause == Cause::BusFault;
    analysis.outages.iter().any(fault)
}

/// Whether errors that are no one sender's are everybody's: by those that have nothing to do with a
/// silence.
fn spread(analysis: &Analysis, channel: ChannelIndex, errors: &[&ErrorEvent]) -> Spread {
    let edges = edges(analysis, channel);
    let apart = errors.iter().filter(|event| !is_near(&edges, event.time, EDGE));
    let named = apart.filter_map(|event| event.destroyed).map(|id| sender(analysis, id));
    let named: Vec<Subject> = named.collect();
    let senders = named.iter().collect::<BTreeSet<&Subject>>().len();
    everyone(named.len(), senders)
}

/// Whether so many destroyed frames of so many senders, none of which stands out, are everybody's.
fn everyone(frames: usize, senders: usize) -> Spread {
    match frames >= MANY && senders >= SENDERS {
        true => Spread::Everyone { frames, senders },
        false => Spread::Untold,
    }
}

impl One {
    fn of(traffic: &Traffic, subject: &Subject, named: &[Subject]) -> Option<One> {
        let frames = named.iter().filter(|other| *other == subject).count();
        let share = traffic.share(subject);
        let chance = traffic.chance(share, frames, named.len())?;
        Some(One { subject: subject.clone(), frames, of: named.len(), share, chance })
    }

    /// Whether so many frames of several others are destroyed too that they are everybody's: the
    /// main line strikes those most who are far from its terminations.
    fn leaves_many(&self, named: &[Subject]) -> bool {
        let mut others: BTreeMap<&Subject, usize> = BTreeMap::new();
        for subject in named.iter().filter(|other| **other != self.subject) {
            *others.entry(subject).or_default() += 1;
        }
        let each = others.values().filter(|count| **count >= EACH);
        let (senders, frames) =
            each.fold((0, 0), |(senders, frames), count| (senders + 1, frames + count));
        senders >= SENDERS && frames >= MANY && FRACTION * frames >= named.len()
    }

    /// Whether its frames are destroyed so much more often than those of others that the others are
    /// struck with it: a bad contact that disturbs the bus breaks its own frames most.
    fn is_beyond_its_share(&self) -> bool {
        let part = self.frames as f64 / self.of.max(1) as f64;
        self.frames >= MANY
            && part >= PART
            && part >= BEYOND * self.share
            && self.chance <= BY_CHANCE
    }

    /// More than half of all, more than chance has it.
    fn stands_out(&self) -> bool {
        self.frames >= FEWEST_DESTROYED && 2 * self.frames > self.of && self.chance <= BY_CHANCE
    }
}

/// Errors of a channel that destroyed a frame of a known sender, each with that: without those of
/// plugging in and those of which nobody is to blame.
pub(crate) fn struck(analysis: &Analysis, channel: ChannelIndex) -> Vec<(&ErrorEvent, Subject)> {
    let errors = &analysis.channel(channel).errors;
    let unanswered = unanswered(errors);
    let named = counted(errors, &unanswered);
    named.filter_map(|event| Some((event, sender(analysis, event.destroyed?)))).collect()
}

fn counted<'a, 'b>(
    errors: &'a [ErrorEvent],
    unanswered: &'b [Nanoseconds],
) -> impl Iterator<Item = &'a ErrorEvent> + use<'a, 'b> {
    errors.iter().filter(move |event| {
        let told = event.plugging_in || event.alone;
        // Of one that stands for many nobody knows whose frames they were.
        !told && event.times == 1 && unanswered.binary_search(&event.time).is_err()
    })
}

/// Where losses of a channel begin and end, ascending.
fn edges(analysis: &Analysis, channel: ChannelIndex) -> Vec<Nanoseconds> {
    let here = analysis.lost().filter(|outage| outage.channel == Some(channel));
    let mut edges: Vec<Nanoseconds> = here.flat_map(|outage| [outage.start, outage.end]).collect();
    edges.sort_unstable();
    edges
}

/// Whether a time lies within so many seconds of one of these, which ascend.
fn is_near(times: &[Nanoseconds], time: Nanoseconds, within: f64) -> bool {
    let near = nanoseconds(within);
    let from = times.partition_point(|other| other + near < time);
    times.get(from).is_some_and(|other| other - near <= time)
}

/// Who sends an identifier.
pub(crate) fn sender(analysis: &Analysis, id: IdIndex) -> Subject {
    analysis.identifiers[id].node.map_or(Subject::Sender(id), Subject::Node)
}

/// When errors struck one and the same frame again and again, as where all others are asleep;
/// ascending.
fn unanswered(errors: &[ErrorEvent]) -> Vec<Nanoseconds> {
    let again = |a: &ErrorEvent, b: &ErrorEvent| {
        a.destroyed.is_some()
            && a.destroyed == b.destroyed
            && b.time - a.time <= nanoseconds(Aftermath::AGAIN)
            && [a, b].iter().all(|event| event.frame.is_unacknowledged())
    };
    let runs = errors.chunk_by(again).filter(|run| run.len() >= Aftermath::RUNNING);
    let mut times: Vec<Nanoseconds> = runs.flatten().map(|event| event.time).collect();
    // Time stamps may step back.
    times.sort_unstable();
    times
}
