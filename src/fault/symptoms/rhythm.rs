//! The steps in which something is lost, and whether the starter may be behind it.

use crate::analysis::symptom::Rhythm;
use crate::analysis::{Analysis, Cause, Evidence, Identifier, Outage, Scope, Why};
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, scatter, seconds};
use crate::ids::{ChannelIndex, NodeIndex};
use crate::outage::CRANKED_WITHIN;

/// Steps from which their length can be called even: of fewer, some are alike by chance.
const EVEN_STEPS: usize = 4;
/// Share of the mean step within which steps are even: a watchdog keeps its time far better, the
/// road does not.
const EVEN_SPREAD: f64 = 0.15;
/// … and within which so few are: five to seven losses at random scatter by 0.11 to 0.12 now and
/// then (invented vehicles).
const FEW_STEPS: usize = 6;
const EVEN_SPREAD_OF_FEW: f64 = 0.10;

/// Seconds of one silence that cranking can be behind: an engine turns over for half a second to
/// three, and a module that the starter pulled down takes up to some seconds to be there again
/// (common practice, no source).
const BRIEF: f64 = 5.0;
/// … and an engine that starts badly is cranked for longer, where the key was turned just before.
const HARD_START: f64 = 10.0;
/// Where other nodes are lost briefly at so many other times, the first time is as likely one more
/// of these as a start.
const STARTS: usize = 6;
/// A channel that is awake as the recording begins shows what it sends more often than every so
/// many seconds within so many; where this share, and so many, are first heard later, it slept. A
/// battery that is charged keeps half awake. Of losses of 5 to 10 s soon after that 4 were lawful
/// and 1 true (three worlds by others).
const OFTEN: f64 = 0.6;
const AWAKE_WITHIN: f64 = 0.9;
const ASLEEP: f64 = 0.75;
const FEWEST_PAUSES: usize = 3;
/// An engine that ran so many seconds before a loss and throughout was not cranked for it: what is
/// heard last of a module may lie a second or two before the starter took its supply.
const RAN_BEFORE: f64 = 2.0;

/// A starter that turns takes a module away for so many seconds; what the engine sends had stood
/// still for so many, and begins again at most so many after it (common practice, no source).
const STARTER: (f64, f64) = (0.2, 2.5);
const STOOD: f64 = 3.0;
const RESUMES: f64 = 0.3;

/// Steps of equal length are those of a watchdog.
pub(super) fn of(analysis: &Analysis, outages: &[&Outage]) -> Rhythm {
    // From one drive to the next is no step.
    let pairs = outages.windows(2).filter(|pair| of_one_drive(analysis, pair[0], pair[1]));
    let steps: Vec<f64> = pairs.map(|pair| seconds(pair[1].start - pair[0].start)).collect();
    if steps.is_empty() {
        // One in each drive may be its start.
        let brief = outages
            .iter()
            .all(|outage| may_be_a_start(analysis, outage) && is_of_one_start(analysis, outage))
            && !outages.iter().any(|outage| is_lost_again(analysis, outage));
        return match outages.len() {
            0 | 1 if brief => Rhythm::Brief,
            0 | 1 => Rhythm::Single,
            times if brief => Rhythm::BriefInDrives(times),
            times => Rhythm::Uneven(times),
        };
    }
    if at_starts(analysis, outages) || at_restarts(analysis, outages) {
        return Rhythm::Starts(outages.len());
    }
    let awake = steps_awake(analysis, outages);
    let steps = match awake.len() >= EVEN_STEPS {
        true => awake,
        false => steps,
    };
    let mean = steps.iter().sum::<f64>() / steps.len() as f64;
    let scatter = scatter(&steps);
    let within = if steps.len() <= FEW_STEPS { EVEN_SPREAD_OF_FEW } else { EVEN_SPREAD };
    let even = scatter < within || are_boots(outages);
    match steps.len() >= EVEN_STEPS && even {
        true => Rhythm::Even { step: mean, spread: scatter * mean },
        false => Rhythm::Uneven(outages.len()),
    }
}

/// Whether most are boots of a module that starts anew again and again, which is no watchdog of
/// equal steps, but as much its own doing.
fn are_boots(outages: &[&Outage]) -> bool {
    let boot = |evidence: &Evidence| matches!(evidence, Evidence::Why(Why::Boots { .. }));
    let boots = outages.iter().filter(|outage| outage.evidence.iter().any(boot));
    2 * boots.count() > outages.len()
}

/// The steps of one drive in which neither the key was off nor the bus slept: a watchdog does not
/// run meanwhile.
fn steps_awake(analysis: &Analysis, outages: &[&Outage]) -> Vec<f64> {
    let offs: Vec<&Outage> =
        analysis.outages.iter().filter(|other| other.cause.is_orderly()).collect();
    let off = |pair: &[&Outage]| {
        let step = Silence { start: pair[0].start, end: pair[1].start };
        let mut of_it = offs.iter().filter(|other| other.channel == pair[0].channel);
        of_it.any(|other| other.silence().overlap(&step) > 0)
    };
    let pairs = outages.windows(2).filter(|pair| of_one_drive(analysis, pair[0], pair[1]));
    pairs.filter(|pair| !off(pair)).map(|pair| seconds(pair[1].start - pair[0].start)).collect()
}

fn of_one_drive(analysis: &Analysis, one: &Outage, other: &Outage) -> bool {
    analysis.drive_of(one.start) == analysis.drive_of(other.start)
}

/// Whether cranking can be behind its length. A silence is counted from the last frame, and the
/// next one was due a period later: so much of it is no silence yet. Of several modules at once the
/// fastest does not tell when the others were due.
fn is_brief(analysis: &Analysis, outage: &Outage) -> bool {
    let of_one = outage.scope != Scope::Branch;
    let due_after = analysis.fastest(&outage.ids).filter(|_| of_one).unwrap_or(0.0);
    let lasted = outage.duration() - due_after;
    let soon = || turned(&key_ons(analysis), outage.start).is_some();
    !outage.ongoing && (lasted <= BRIEF || lasted <= HARD_START && soon())
}

/// Whether each of its nodes is lost at other times of the drive too, in whatever company: what is
/// behind those is behind this one.
fn is_lost_again(analysis: &Analysis, outage: &Outage) -> bool {
    let again = |node: &NodeIndex| {
        analysis.lost().any(|other| {
            matches!(other.scope, Scope::Node | Scope::Branch)
                && !other.ids.is_empty()
                && other.nodes.contains(node)
                && other.silence().overlap(&outage.silence()) <= 0
                && of_one_drive(analysis, other, outage)
        })
    };
    !outage.nodes.is_empty() && outage.nodes.iter().all(again)
}

/// Nobody cranks an engine that runs: a loss under way, however brief, is no start.
fn may_be_a_start(analysis: &Analysis, outage: &Outage) -> bool {
    let before = outage.start - nanoseconds(RAN_BEFORE);
    is_brief(analysis, outage) && !analysis.engine_ran_through(before, outage.end)
}

/// When the key was turned on, in order of time: whatever slept or was switched off came back, on
/// any channel, for all have one key; or a channel woke in the recording.
pub(super) fn key_ons(analysis: &Analysis) -> Vec<Nanoseconds> {
    let off = |other: &&Outage| other.cause.is_orderly() && !other.ongoing;
    let back = analysis.outages.iter().filter(off).map(|off| off.end);
    let channels = 0..analysis.channels.len() as ChannelIndex;
    let mut out: Vec<Nanoseconds> =
        back.chain(channels.filter_map(|channel| woke(analysis, channel))).collect();
    out.sort_unstable();
    out
}

/// When a channel woke that was asleep as the recording began: half of what was late was there.
fn woke(analysis: &Analysis, channel: ChannelIndex) -> Option<Nanoseconds> {
    let begin = analysis.span?.0.saturating_add(nanoseconds(AWAKE_WITHIN));
    let often = |id: &&Identifier| {
        id.channel == channel && id.rhythm.is_some_and(|rhythm| rhythm.period < OFTEN)
    };
    let ids = analysis.identifiers.iter().filter(often);
    let heard: Vec<Nanoseconds> = ids.filter_map(|id| Some(id.heard?.0)).collect();
    let mut late: Vec<Nanoseconds> = heard.iter().copied().filter(|own| *own > begin).collect();
    late.sort_unstable();
    let asleep = late.len() >= FEWEST_PAUSES && late.len() as f64 >= ASLEEP * heard.len() as f64;
    asleep.then(|| late[late.len() / 2])
}

/// The place of the last of them, where it is so short before a time that the engine may be cranked
/// for it.
fn turned(key_ons: &[Nanoseconds], time: Nanoseconds) -> Option<usize> {
    let before = key_ons.partition_point(|on| *on <= time).checked_sub(1)?;
    (time - key_ons[before] <= nanoseconds(CRANKED_WITHIN)).then_some(before)
}

/// Whether each loss is brief and soon after the end of another sleep or key-off: the engine is
/// cranked as often as the key is turned.
fn at_starts(analysis: &Analysis, outages: &[&Outage]) -> bool {
    let key_ons = key_ons(analysis);
    let turned = |outage: &&Outage| turned(&key_ons, outage.start);
    let mut own: Vec<Option<usize>> = outages.iter().map(turned).collect();
    own.sort_unstable();
    own.dedup();
    own.len() == outages.len()
        && own.iter().all(Option::is_some)
        && outages.iter().all(|outage| may_be_a_start(analysis, outage))
}

/// Whether each loss, of two or more, is brief and holds the end of a long pause of one and the
/// same message of somebody else: what the engine sends only while it runs begins again as it
/// starts, in start-stop without any turn of the key. Of six such cases of invented vehicles none
/// was of a supply or a wire (sets of six worlds by others).
fn at_restarts(analysis: &Analysis, outages: &[&Outage]) -> bool {
    let resumes = |id: &Identifier, outage: &Outage| {
        let within = outage.start..=outage.end.saturating_add(nanoseconds(RESUMES));
        let mut pauses = id.gaps.iter().chain(&id.silent);
        pauses.any(|gap| gap.length() >= nanoseconds(STOOD) && within.contains(&gap.end))
    };
    let of_another = |id: &Identifier| {
        let own = |outage: &&Outage| {
            let ids = outage.ids.iter().map(|at| &analysis.identifiers[*at]);
            let node = |at: &NodeIndex| id.node == Some(*at);
            outage.nodes.iter().any(node) || ids.into_iter().any(|own| own.id == id.id)
        };
        !outages.iter().any(own)
    };
    let brief = |outage: &&Outage| {
        (STARTER.0..=STARTER.1).contains(&outage.duration()) && may_be_a_start(analysis, outage)
    };
    outages.len() >= 2
        && outages.iter().all(brief)
        && analysis
            .identifiers
            .iter()
            .any(|id| of_another(id) && outages.iter().all(|outage| resumes(id, outage)))
}

/// An engine is started once for each turn of the key. Of brief losses at several times those may
/// be of the start that come soon after the key, else the first.
fn is_of_one_start(analysis: &Analysis, outage: &Outage) -> bool {
    let brief: Vec<&Outage> = analysis
        .lost()
        .filter(|other| {
            matches!(other.scope, Scope::Node | Scope::Branch)
                && other.channel == outage.channel
                && is_brief(analysis, other)
                && of_one_drive(analysis, other, outage)
                && (other.start - outage.start).abs() > nanoseconds(2.0 * BRIEF)
        })
        .collect();
    let of_others = |other: &&&Outage| other.nodes.iter().all(|node| !outage.nodes.contains(node));
    // One bad contact that fails time and again says nothing of another module.
    let others: Vec<&&Outage> = brief.iter().filter(of_others).collect();
    let several = others.iter().any(|other| other.nodes != others[0].nodes);
    if others.len() >= STARTS && several {
        return false;
    }
    let key_ons = key_ons(analysis);
    let after_key = |own: &Outage| turned(&key_ons, own.start).is_some();
    let mut starts = brief.iter().filter(|other| other.cause != Cause::OpenCircuit);
    after_key(outage) || starts.all(|other| !after_key(other) && outage.start < other.start)
}
