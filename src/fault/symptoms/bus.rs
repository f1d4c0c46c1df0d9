//! What a whole bus shows, and the recording.

use super::senders::Named;
use super::{Symptom, endless, summed};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{ErrorKind, Fact, Sign};
use crate::analysis::{Analysis, Cause, ErrorEvent, Evidence, Outage, Scope, Series};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::asks_everyone;
use crate::fold::timing::{Nanoseconds, RUSH, Rush, Silence, nanoseconds};
use crate::silence::StopSign;

/// Seconds around a silence of the bus within which an error frame is about it.
const NEAR: f64 = 1.0;
/// Periodic identifiers from which a silence of all is one of the bus. What one or two do is no
/// matter of the bus: a tester alone on it comes and goes.
const A_BUS: usize = 3;
/// Fewest that must have timed out in it, where the bus has more: with most of a bus asleep two or
/// three that pause leave it silent (of 14 such silences of a bad line, invented vehicles of five
/// sets, all had four or more; three of sound vehicles had fewer).
const OF_A_BUS: usize = 4;
/// A silence of the bus lies inside a key-off of so many identifiers or more, or comes to two buses
/// at once, to within so many seconds. Two buses share a battery, a gateway and a recorder, and no
/// wires. (Of nine such silences of invented vehicles seven were of none of a line, of two pairs
/// the line was stated low before: sets of six worlds by others.)
const A_KEY_OFF: usize = 5;
const SAME: f64 = 0.1;
/// From this share of the time a bin of the bus counts as full: then frames of low priority wait
/// long (common practice, no source).
const FULL: f64 = 0.80;
/// Full bins that make a flood.
const FULL_BINS: usize = 3;
/// … or this many where no room is left: what waits on a sound bus is sent within a fraction of a
/// second, and a flood that is short fills the bins at its ends in part only.
const NO_ROOM: f64 = 0.97;
const BINS_WITHOUT_ROOM: usize = 2;
/// Full bins that lie so close are of one flood.
const ONE_FLOOD: usize = 3;
/// A slow bus may be built to be that full all the time. A flood fills it more than usual, by so
/// much, or one identifier has such a share of the frames (common practice, no source),
/// or comes faster than any that is built in.
const RISE: f64 = 0.10;
const BABBLE: f64 = 0.25;
/// What comes so often in some second, and for so many seconds, is sent without end, also where it
/// was not there before: a device that was added babbles too (common practice, no source).
const ENDLESS: u32 = 1000;
const ENDLESS_FOR: f64 = 1.0;
/// … or that makes up such a share of all frames of its bus by a rush (common practice, no source).
const CROWD: f64 = 0.4;
/// Fewer error frames about the bus, outside of its silences, are not worth a word.
const FEW_ERRORS: usize = 3;
/// … and so many a minute are frequent.
const FREQUENT: f64 = 10.0;
/// … where there are so many in all, or the bus stopped: a handful in a short recording may be of
/// any contact. Of 26 invented vehicles with fewer, of which the main line was stated at 0.15 and
/// more and nothing else spoke for it, it was at fault in one (nine sets of three worlds by
/// others).
const ENOUGH: usize = 16;
/// … or so many within [`ErrorKind::BURST`] seconds.
const BURST: usize = 8;

/// The symptoms of a channel.
pub fn of(analysis: &Analysis, channel: ChannelIndex, out: &mut Vec<Symptom>) {
    let periodic = analysis
        .identifiers
        .iter()
        .filter(|id| id.channel == channel && id.rhythm.is_some())
        .count();
    let stops = analysis.outages.iter().filter(|outage| {
        outage.scope == Scope::Bus
            && outage.channel == Some(channel)
            && !outage.benign
            && (periodic >= A_BUS || outage.cause == Cause::BusFault)
    });
    let (slept, silent): (Vec<&Outage>, Vec<&Outage>) =
        stops.partition(|outage| outage.cause == Cause::BusSleep);
    let of_its_wires = |outage: &&Outage| {
        outage.cause == Cause::BusFault
            || is_of_all(outage, periodic) && !is_of_more(analysis, outage, periodic)
    };
    let silent: Vec<&Outage> = silent.into_iter().filter(of_its_wires).collect();
    let subject = || Subject::Channel(channel);
    if !slept.is_empty() {
        out.push(Symptom::new(subject(), Fact::BusSlept(summed(&slept))));
    }
    if !silent.is_empty() {
        let with_errors = silent.iter().filter(|outage| outage.cause == Cause::BusFault).count();
        let sign = Sign::BusEnd { with_errors, times: silent.len() };
        let fact = Fact::BusSilent(summed(&silent));
        out.push(Symptom::new(subject(), fact).with_signs([sign]));
    }
    let named = Named::of(analysis, channel);
    out.extend(named.symptom());
    let throughout = endless::symptom(analysis, channel, &named);
    out.extend(throughout.or_else(|| errors(analysis, channel, &named)));
    out.extend(flood(analysis, channel));
}

/// Whether so many identifiers of a bus timed out in a silence of it that they speak for all.
fn is_of_all(outage: &Outage, periodic: usize) -> bool {
    let timed_out = outage.evidence.iter().find_map(|evidence| match evidence {
        Evidence::Stop(
            StopSign::AllSentUntil { identifiers }
            | StopSign::SomeStoppedBefore { identifiers, .. },
        ) => Some(*identifiers),
        _ => None,
    });
    timed_out.is_none_or(|timed_out| timed_out >= OF_A_BUS.min(periodic))
}

/// Whether a silence of a bus without errors is of more than its wires: it lies inside a key-off,
/// it comes to another bus at the same instants, or most of the bus had not spoken yet.
fn is_of_more(analysis: &Analysis, stop: &Outage, periodic: usize) -> bool {
    let near = nanoseconds(SAME);
    let switched_off = |other: &Outage| {
        other.cause == Cause::SwitchedOff
            && other.ids.len() >= A_KEY_OFF
            && other.start <= stop.start + near
            && (other.ongoing || other.end >= stop.end - near)
    };
    let of_two = |other: &Outage| {
        other.scope == Scope::Bus
            && other.channel != stop.channel
            && (other.start - stop.start).abs() <= near
            && (other.end - stop.end).abs() <= near
    };
    let spoken = analysis.identifiers.iter().filter(|id| {
        Some(id.channel) == stop.channel
            && id.rhythm.is_some()
            && id.heard.is_some_and(|(first, _)| first < stop.start)
    });
    analysis.outages.iter().any(|other| switched_off(other) || of_two(other))
        || 2 * spoken.count() < periodic
}

fn errors(analysis: &Analysis, channel: ChannelIndex, named: &Named) -> Option<Symptom> {
    let margin = nanoseconds(NEAR);
    let of_all = |outage: &&Outage| outage.scope == Scope::Bus && outage.channel == Some(channel);
    let stops: Vec<&Outage> = analysis.outages.iter().filter(of_all).collect();
    let nodes = analysis.nodes.iter().filter(|own| own.heard && own.channel == channel).count();
    let around = |at: Nanoseconds| at - margin..=at + margin;
    // At the losses of a node they are that node's, and a sign of its symptom; at the first moment
    // the instrument was plugged in.
    let explained = |event: &ErrorEvent| {
        let time = event.time;
        let in_silence =
            |outage: &&Outage| (outage.start - margin..=outage.end + margin).contains(&time);
        // While a branch is open what is left has lost an end, and errors throughout; what is gone
        // for most of the recording tells nothing of errors.
        let at_a_loss = |outage: &Outage| {
            let edges = around(outage.start).contains(&time) || around(outage.end).contains(&time);
            let branch = outage.scope == Scope::Branch
                && 2 * outage.nodes.len() < nodes
                && outage.cause != Cause::LostPower
                && 2.0 * outage.duration() <= analysis.length();
            outage.scope < Scope::Bus
                && outage.channel == Some(channel)
                && (edges || branch && in_silence(&outage))
        };
        // Who wakes first finds nobody to acknowledge: a sleep has its error frames too.
        stops.iter().any(in_silence) || analysis.lost().any(at_a_loss) || event.plugging_in
    };
    let errors = analysis.channel(channel).errors.iter();
    let loose: Vec<_> =
        errors.filter(|event| event.frame.is_about_the_bus() && !explained(event)).collect();
    let loose: Vec<_> =
        loose.into_iter().filter(|event| !named.explains(analysis, event)).collect();
    if loose.len() < FEW_ERRORS {
        return None;
    }
    let rate = loose.len() as f64 / analysis.length().max(1.0) * 60.0;
    let burst = nanoseconds(ErrorKind::BURST);
    let within = |at: usize| {
        loose[at..].partition_point(|event| event.time <= loose[at].time.saturating_add(burst))
    };
    let densest = (0..loose.len()).map(within).max().unwrap_or(0);
    let stopped = stops.iter().any(|outage| !outage.benign);
    let enough = loose.len() >= ENOUGH || stopped;
    let kind = match loose.iter().filter(|event| event.frame.is_bus_off()).count() {
        0 if rate >= FREQUENT && enough => ErrorKind::Frequent(rate),
        0 if densest >= BURST && !named.stands_out() && enough => ErrorKind::Burst(densest),
        0 => ErrorKind::Few(rate),
        times => ErrorKind::BusOff(times),
    };
    let second = |event: &&ErrorEvent| (event.time / nanoseconds(1.0)) as usize;
    let mut seconds: Vec<usize> = loose.iter().map(second).collect();
    seconds.dedup();
    let fact =
        Fact::BusErrors { count: loose.len(), seconds: seconds.len(), first: loose[0].frame };
    let signs = [Sign::ErrorKind(kind), named.sign()];
    Some(Symptom::new(Subject::Channel(channel), fact).with_signs(signs))
}

fn flood(analysis: &Analysis, channel: ChannelIndex) -> Option<Symptom> {
    // Without a clock nothing comes too often.
    if analysis.length() <= 0.0 {
        return None;
    }
    let full = Full::of(analysis, channel).map(|full| full.symptom(channel));
    let babble = |(id, rush): (usize, Rush)| {
        let fact = Fact::Babble { id, per_second: f64::from(rush.most) };
        Symptom::new(Subject::Channel(channel), fact)
    };
    full.or_else(|| babbling(analysis, channel).map(babble))
}

/// When the bus was flooded: the time of what babbles, or the times that are full.
pub fn floods(analysis: &Analysis, channel: ChannelIndex) -> Vec<Silence> {
    if let Some(full) = Full::of(analysis, channel) {
        return full.times();
    }
    let span = |(_, rush): (usize, Rush)| Silence { start: rush.span.0, end: rush.span.1 };
    babbling(analysis, channel).map(span).into_iter().collect()
}

/// One message comes faster than any that is built in, be it for a second, however full that makes
/// the bus: where the bit rate is not known, the load is not either. What a tester asks for, and
/// what is put together of several frames, is sent as fast as the bus allows. Gives the message,
/// and when.
fn babbling(analysis: &Analysis, channel: ChannelIndex) -> Option<(usize, Rush)> {
    let rush = |at: usize| {
        let id = &analysis.identifiers[at];
        let rush = id.rush.filter(|_| id.channel == channel)?;
        // By its rush it may have lost the period that it has otherwise.
        let built_in = id.timeout.is_some() || 2.0 * id.occasions as f64 >= analysis.length();
        let lasts = rush.span.1 - rush.span.0 >= nanoseconds(ENDLESS_FOR);
        let crowds = id.frames as f64 >= CROWD * analysis.channel(channel).frames as f64;
        let endless = lasts && (rush.most >= ENDLESS || crowds);
        let parts = analysis.is_transport(id);
        let asked_for = id.diagnostic && !asks_everyone(id.id);
        ((built_in || endless) && !asked_for && !parts).then_some((at, rush))
    };
    let all = (0..analysis.identifiers.len()).filter_map(rush);
    all.max_by_key(|(_, rush)| rush.most)
}

/// Bins of a bus that is full at times, and not so by design.
struct Full<'a> {
    load: &'a Series,
    /// The full ones.
    bins: Vec<usize>,
    /// The identifier with most frames.
    busiest: Option<usize>,
}

impl<'a> Full<'a> {
    fn of(analysis: &'a Analysis, channel: ChannelIndex) -> Option<Full<'a>> {
        let load = analysis.channel(channel).load.as_ref()?;
        let here = || {
            (0..analysis.identifiers.len())
                .filter(|id| analysis.identifiers[*id].channel == channel)
        };
        let frames = |id: &usize| analysis.identifiers[*id].frames;
        let busiest = here().max_by_key(frames);
        let all: u64 = here().map(|id| frames(&id)).sum();
        let span = analysis.length().max(1.0);
        let babbles = busiest.is_some_and(|id| {
            let own = frames(&id) as f64;
            own >= BABBLE * all as f64 || own >= f64::from(RUSH) * span
        });
        let mut sorted = load.load.clone();
        sorted.sort_by(f64::total_cmp);
        let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let full = |load: f64| load >= FULL && (babbles || load >= usual + RISE);
        let bins: Vec<usize> = (0..load.load.len()).filter(|bin| full(load.load[*bin])).collect();
        let no_room = load.load.iter().filter(|load| **load >= NO_ROOM.max(usual + RISE)).count();
        let flooded = bins.len() >= FULL_BINS || no_room >= BINS_WITHOUT_ROOM;
        let parts = |id: usize| analysis.is_transport(&analysis.identifiers[id]);
        let flooded = flooded && !busiest.is_some_and(parts);
        flooded.then_some(Full { load, bins, busiest })
    }

    fn symptom(&self, channel: ChannelIndex) -> Symptom {
        let fact = Fact::Flood {
            above: FULL,
            bins: self.bins.len(),
            bin: self.load.bin,
            peak: self.load.peak().map_or(0.0, |(peak, _)| peak),
            busiest: self.busiest,
        };
        Symptom::new(Subject::Channel(channel), fact)
    }

    /// Its times; one that is interrupted for a bin or two goes on.
    fn times(&self) -> Vec<Silence> {
        let load = self.load;
        let begin = |bin: usize| load.start.saturating_add(nanoseconds(bin as f64 * load.bin));
        let runs = self.bins.chunk_by(|one, next| next - one <= ONE_FLOOD);
        let time = |run: &[usize]| {
            Some(Silence { start: begin(*run.first()?), end: begin(run.last()? + 1) })
        };
        runs.filter_map(time).collect()
    }
}

/// Pauses of the recording, and times the logger ran over.
pub fn recording(analysis: &Analysis) -> Option<Symptom> {
    let gaps: Vec<&Outage> =
        analysis.outages.iter().filter(|outage| outage.cause == Cause::CaptureGap).collect();
    let errors = analysis.channels.iter().flat_map(|channel| &channel.errors);
    let overflows = errors.filter(|event| event.frame.is_receive_overflow()).count();
    let pauses = (!gaps.is_empty()).then(|| summed(&gaps));
    let fact = Fact::RecordingGap { pauses, overflows };
    (pauses.is_some() || overflows > 0).then(|| Symptom::new(Subject::Vehicle, fact))
}
