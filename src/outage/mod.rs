//! From silences and senders to outages: what was missing, since when, and how far the trouble
//! reaches.

pub mod causes;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::supply::Supply;
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::network::Roster;
use crate::network::senders::Clocks;
use crate::silence::{Loss, Losses, Stop, StopKind};
use causes::{Return, Verdict};

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
pub enum Cause {
    /// The node lost its supply, or was reset.
    LostPower,
    /// The node ran on unheard: its stub, connector or branch was open.
    OpenCircuit,
    /// Error reports about the bus around it.
    BusFault,
    /// An orderly end of traffic.
    BusSleep,
    /// The recording paused.
    CaptureGap,
    /// The capture does not say.
    Unknown,
}

/// An interval in which expected traffic was missing.
#[derive(Clone, Debug)]
pub struct Outage {
    /// How far it reaches.
    pub scope: Scope,
    /// Where; `None` for the whole capture.
    pub channel: Option<ChannelIndex>,
    /// Indexes into [`Roster::nodes`].
    pub nodes: Vec<usize>,
    /// Indexes into [`Timing::ids`].
    pub ids: Vec<usize>,
    /// Last frame before and first after, or the end of the capture.
    pub silence: Silence,
    /// Still silent when the capture ends.
    pub ongoing: bool,
    /// Why it looks so.
    pub cause: Cause,
    /// Sentences with their numbers.
    pub evidence: Vec<String>,
}

/// Nodes whose losses begin within this many seconds of each other, besides their fastest periods,
/// may share a branch.
const BRANCH_START: f64 = 0.1;
/// … and end within this many seconds: control units start up at different speeds (common practice,
/// no source).
const BRANCH_END: f64 = 3.0;

/// Outages in order of time.
pub fn find(
    timing: &Timing,
    losses: &Losses,
    roster: &Roster,
    clocks: &Clocks,
    supply: &Supply,
) -> Vec<Outage> {
    let clusters = clusters(losses, roster);
    let parts: Vec<Outage> =
        clusters.iter().map(|cluster| part(timing, losses, roster, cluster)).collect();
    let mut outages = branches(timing, losses, roster, parts);
    for outage in &mut outages {
        explain(outage, timing, losses, roster, clocks, supply);
    }
    outages.extend(losses.stops.iter().map(|stop| of_stop(stop, roster)));
    for outage in &mut outages {
        note_sleep(outage, &losses.stops);
    }
    outages.sort_by_key(|outage| (outage.silence, outage.channel));
    outages
}

/// Says from the return of whole nodes whether they had run on or started anew.
fn explain(
    outage: &mut Outage,
    timing: &Timing,
    losses: &Losses,
    roster: &Roster,
    clocks: &Clocks,
    supply: &Supply,
) {
    if outage.ongoing || !matches!(outage.scope, Scope::Node | Scope::Branch) {
        return;
    }
    let verdicts: Vec<Verdict> = outage
        .nodes
        .iter()
        .map(|node| {
            causes::judge(timing, losses, clocks, supply, &roster.nodes[*node].ids, outage.silence)
        })
        .collect();
    let all = |wanted: Return| verdicts.iter().all(|verdict| verdict.verdict == wanted);
    outage.cause = match () {
        () if all(Return::CarriedOn) => Cause::OpenCircuit,
        () if all(Return::Restarted) => Cause::LostPower,
        () => Cause::Unknown,
    };
    outage.evidence.extend(verdicts.into_iter().flat_map(|verdict| verdict.evidence));
}

/// Losses of one sender that begin together. Identifiers without a known sender stand alone.
fn clusters(losses: &Losses, roster: &Roster) -> Vec<Vec<Loss>> {
    let mut sorted = losses.losses.clone();
    sorted.sort_by_key(|loss| (loss.silence, loss.id));
    let mut clusters: Vec<Vec<Loss>> = Vec::new();
    for loss in sorted {
        let node = roster.node_of[loss.id];
        let home = clusters.iter_mut().rev().find(|cluster| {
            node.is_some()
                && roster.node_of[cluster[0].id] == node
                && cluster.iter().any(|other| begin_together(losses, other, &loss))
                && cluster.iter().all(|other| other.silence.overlap(&loss.silence) > 0)
        });
        match home {
            Some(cluster) => cluster.push(loss),
            None => clusters.push(vec![loss]),
        }
    }
    clusters
}

fn begin_together(losses: &Losses, a: &Loss, b: &Loss) -> bool {
    let reach =
        |loss: &Loss| losses.expected[loss.id].map_or(0.0, |expected| expected.rhythm.period);
    (a.silence.start - b.silence.start).abs() <= nanoseconds(reach(a) + reach(b) + 0.5)
}

/// The time in which all of a cluster was silent.
fn common(cluster: &[Loss]) -> Silence {
    let start = cluster.iter().map(|loss| loss.silence.start).max().unwrap_or(0);
    let end = cluster.iter().map(|loss| loss.silence.end).min().unwrap_or(start);
    Silence { start, end: end.max(start) }
}

/// Whether an identifier, periodic or not, was not heard in `silence`, but for `slack` at its ends.
fn was_silent(timing: &Timing, id: usize, silence: Silence, slack: Nanoseconds) -> bool {
    let slack = slack.min(silence.length() / 3);
    let (from, to) = (silence.start + slack, silence.end - slack);
    let timing = &timing.ids[id];
    let Some((first, last)) = timing.heard else { return true };
    last <= from
        || first >= to
        || timing.silences.at_least(to - from).iter().any(|own| own.start <= from && own.end >= to)
}

/// The silence of a whole node: its last frame may have been one of an identifier that did not time
/// out.
fn of_node(timing: &Timing, ids: &[usize], silence: Silence, slack: Nanoseconds) -> Silence {
    let middle = silence.start + silence.length() / 2;
    let mut out = silence;
    for id in ids.iter().map(|id| &timing.ids[*id]) {
        let Some((first, last)) = id.heard else { continue };
        let around = id.silences.around(middle);
        let start = around.map_or(last, |own| own.start);
        let end = around.map_or(first, |own| own.end);
        if start <= silence.start + slack {
            out.start = out.start.max(start);
        }
        if end >= silence.end - slack {
            out.end = out.end.min(end);
        }
    }
    out
}

/// One cluster: the whole node, or some of its identifiers while it went on.
fn part(timing: &Timing, losses: &Losses, roster: &Roster, cluster: &[Loss]) -> Outage {
    let mut silence = common(cluster);
    let node = roster.node_of[cluster[0].id];
    let mut ids: Vec<usize> = cluster.iter().map(|loss| loss.id).collect();
    ids.sort_unstable();
    let fastest = fastest(losses, &ids);
    // The node stopped and returned within a period of its fastest identifier.
    let slack = nanoseconds(fastest + 0.02);
    let going_on: Vec<usize> = node.map_or(Vec::new(), |node| {
        roster.nodes[node]
            .ids
            .iter()
            .copied()
            .filter(|id| !was_silent(timing, *id, silence, slack))
            .collect()
    });
    let whole = node.is_some() && going_on.is_empty();
    if let Some(node) = node.filter(|_| whole) {
        silence = of_node(timing, &roster.nodes[node].ids, silence, slack);
    }
    let mut evidence = vec![format!(
        "{} periodic identifier{} missed {} frames or more each; the fastest of them comes every {:.0} ms",
        ids.len(),
        if ids.len() == 1 { "" } else { "s" },
        missed(losses, cluster),
        fastest * 1e3,
    )];
    match node {
        Some(node) if whole => {
            let rest = roster.nodes[node].ids.len() - ids.len();
            if rest > 0 {
                evidence.push(format!(
                    "its other identifiers ({rest}) were not heard in that time either"
                ));
            }
        }
        Some(node) => evidence.push(format!(
            "{} went on with {} other identifier{}, such as {}",
            roster.nodes[node].name,
            going_on.len(),
            if going_on.len() == 1 { "" } else { "s" },
            id_name(timing, going_on[0]),
        )),
        None => evidence.push("its sender is not known from this capture".to_owned()),
    }
    let back =
        cluster.iter().map(|loss| loss.silence.end).max().unwrap_or(silence.end) - silence.end;
    if back > nanoseconds(0.5) && !cluster[0].ongoing {
        evidence.push(format!("its identifiers came back over {:.2} s", seconds(back)));
    }
    let channel = Some(timing.ids[cluster[0].id].key.channel);
    if let Some(note) = errors_note(timing, channel, silence) {
        evidence.push(note);
    }
    Outage {
        scope: if whole { Scope::Node } else { Scope::Identifier },
        channel,
        nodes: node.into_iter().collect(),
        ids,
        silence,
        ongoing: cluster.iter().all(|loss| loss.ongoing),
        cause: Cause::Unknown,
        evidence,
    }
}

fn fastest(losses: &Losses, ids: &[usize]) -> f64 {
    ids.iter()
        .filter_map(|id| losses.expected[*id])
        .map(|expected| expected.rhythm.period)
        .fold(f64::INFINITY, f64::min)
}

/// Fewest frames that any of the cluster missed.
fn missed(losses: &Losses, cluster: &[Loss]) -> i64 {
    let of = |loss: &Loss| {
        let period =
            losses.expected[loss.id].map_or(f64::INFINITY, |expected| expected.rhythm.period);
        (seconds(loss.silence.length()) / period).round() as i64 - i64::from(!loss.ongoing)
    };
    cluster.iter().map(of).min().unwrap_or(0)
}

fn errors_note(timing: &Timing, channel: Option<ChannelIndex>, silence: Silence) -> Option<String> {
    let near = nanoseconds(1.0);
    let errors = &timing.channels[usize::from(channel?)].errors;
    let within = |time: Nanoseconds| time >= silence.start - near && time <= silence.start + near;
    let count =
        errors.iter().filter(|(time, error)| within(*time) && error.is_about_the_bus()).count();
    (count > 0).then(|| format!("{count} error reports about the bus within 1 s of its start"))
}

/// An identifier as people write it.
pub fn id_name(timing: &Timing, id: usize) -> String {
    format!("0x{}", lostnode_parsers::frame::DisplayId(timing.ids[id].key.id))
}

/// Whole nodes of one channel that fall silent and return together are one outage of a branch.
fn branches(timing: &Timing, losses: &Losses, roster: &Roster, parts: Vec<Outage>) -> Vec<Outage> {
    let mut out: Vec<Outage> = Vec::new();
    let mut groups: Vec<Vec<Outage>> = Vec::new();
    for part in parts {
        if part.scope != Scope::Node {
            out.push(part);
            continue;
        }
        let together = |other: &Outage| {
            let slack = fastest(losses, &part.ids) + fastest(losses, &other.ids) + BRANCH_START;
            other.channel == part.channel
                && other.nodes != part.nodes
                && other.ongoing == part.ongoing
                && (other.silence.start - part.silence.start).abs() <= nanoseconds(slack)
                && (other.silence.end - part.silence.end).abs() <= nanoseconds(BRANCH_END)
                // Two short losses a moment apart are not one.
                && other.silence.overlap(&part.silence) * 2 > part.silence.length()
        };
        match groups.iter_mut().find(|group| group.iter().all(together)) {
            Some(group) => group.push(part),
            None => groups.push(vec![part]),
        }
    }
    for mut group in groups {
        if group.len() == 1 {
            out.append(&mut group);
        } else {
            out.push(branch(timing, roster, &group));
        }
    }
    out
}

fn branch(timing: &Timing, roster: &Roster, group: &[Outage]) -> Outage {
    let first = &group[0];
    let start = group.iter().map(|part| part.silence.start).max().unwrap_or(first.silence.start);
    let end = group.iter().map(|part| part.silence.end).min().unwrap_or(first.silence.end);
    let spread = |pick: fn(&Silence) -> Nanoseconds| {
        let times = group.iter().map(|part| pick(&part.silence));
        seconds(times.clone().max().unwrap_or(0) - times.min().unwrap_or(0))
    };
    let mut ids: Vec<usize> = group.iter().flat_map(|part| part.ids.iter().copied()).collect();
    ids.sort_unstable();
    let nodes: Vec<usize> = group.iter().flat_map(|part| part.nodes.iter().copied()).collect();
    let on_channel = |node: &&crate::network::Node| Some(node.channel) == first.channel;
    let others = roster.nodes.iter().filter(on_channel).count() - nodes.len();
    let mut evidence = vec![format!(
        "{} nodes fell silent within {:.2} s of each other while {others} others on the channel went on",
        group.len(),
        spread(|silence| silence.start),
    )];
    if !first.ongoing {
        evidence.push(format!(
            "they came back within {:.2} s of each other",
            spread(|silence| silence.end)
        ));
    }
    let silence = Silence { start, end: end.max(start) };
    evidence.extend(errors_note(timing, first.channel, silence));
    Outage { scope: Scope::Branch, nodes, ids, silence, evidence, ..first.clone() }
}

fn of_stop(stop: &Stop, roster: &Roster) -> Outage {
    let (scope, cause) = match stop.kind {
        StopKind::CapturePause => (Scope::Capture, Cause::CaptureGap),
        StopKind::BusFault => (Scope::Bus, Cause::BusFault),
        StopKind::BusSleep => (Scope::Bus, Cause::BusSleep),
        StopKind::Unknown => (Scope::Bus, Cause::Unknown),
    };
    let mut nodes: Vec<usize> = stop.ids.iter().filter_map(|id| roster.node_of[*id]).collect();
    nodes.sort_unstable();
    nodes.dedup();
    let blamed = scope == Scope::Bus;
    Outage {
        scope,
        channel: stop.channel,
        nodes: if blamed { nodes } else { Vec::new() },
        ids: if blamed { stop.ids.clone() } else { Vec::new() },
        silence: stop.silence,
        ongoing: stop.ongoing,
        cause,
        evidence: stop.evidence.clone(),
    }
}

/// A node's outage that spans a stop of its channel says so.
fn note_sleep(outage: &mut Outage, stops: &[Stop]) {
    let Some(channel) = outage.channel.filter(|_| outage.scope < Scope::Bus) else { return };
    let within = stops.iter().filter(|stop| stop.concerns(channel));
    let quiet: Nanoseconds = within.clone().map(|stop| stop.silence.overlap(&outage.silence)).sum();
    let woke = within
        .filter(|stop| stop.silence.overlap(&outage.silence) > 0)
        .map(|stop| stop.silence.end)
        .max();
    if let Some(woke) = woke.filter(|woke| *woke <= outage.silence.end) {
        let late = seconds(outage.silence.end - woke);
        outage.evidence.push(match outage.ongoing {
            true => format!("it did not answer in the {late:.2} s after the channel woke"),
            false => format!("it answered {late:.2} s after the channel woke"),
        });
    }
    if quiet > 0 {
        outage
            .evidence
            .push(format!("for {:.2} s of it the whole channel was silent", seconds(quiet)));
    }
}
