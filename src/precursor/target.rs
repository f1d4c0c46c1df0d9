//! Whose losses are looked into, when each began, and when else it could have.

use std::collections::BTreeSet;

use lostnode_parsers::Id;

use super::line::{Line, Micros, Span, without};
use crate::analysis::episodes::group;
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::fold::timing::{nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};

/// The longest stretch before a loss that is looked at.
pub const LONGEST: Micros = 10_000_000;
/// Losses of one node from which they can have something in common.
pub const FEWEST_LOSSES: usize = 3;
/// A loss is compared with the time around it, in blocks of about so many microseconds: what
/// changes more slowly, such as warmth or the kind of road, is the same in all of a block, and so
/// deceives nobody. Twelve times the longest stretch, so that a loss in it is no wonder.
const BLOCK: Micros = 120_000_000;
/// Nodes that are looked into, those lost most often.
const MOST_NODES: usize = 3;
/// Losses of one node that are looked into.
const MOST_EPISODES: usize = 64;
/// Outages that begin within so many microseconds are of one fault.
const TOGETHER: Micros = 200_000;

/// One loss, or a burst of them.
#[derive(Clone, Debug)]
pub struct Episode {
    /// Until when nobody could know of it; what changes later may be because of it.
    pub at: Micros,
    /// When the first frame was due that did not come.
    pub due: Micros,
    /// From the last frame before it to the first after it.
    pub lost: Span,
    /// Place of its block.
    pub block: usize,
}

/// A piece of a drive in which a loss could have begun anywhere.
#[derive(Clone, Debug)]
pub struct Block {
    /// When that is.
    pub parts: Vec<Span>,
    /// How long they are together.
    pub length: Micros,
}

/// What was lost again and again.
#[derive(Clone, Debug)]
pub struct Target {
    /// What it is.
    pub of: Subject,
    /// When.
    pub episodes: Vec<Episode>,
    /// Losses, each by itself.
    pub losses: Vec<Span>,
    /// Its own identifiers.
    pub own: BTreeSet<(ChannelIndex, Id)>,
    /// Where its losses lie, and where they could have.
    pub blocks: Vec<Block>,
    /// When its channel woke.
    pub wakes: Vec<Micros>,
}

/// All that was lost, the most often first.
pub fn all(analysis: &Analysis, line: &Line) -> Vec<Target> {
    let mut targets: Vec<Target> = Vec::new();
    for (of, outages) in subjects(analysis) {
        let Some(target) = target(analysis, line, of, &outages) else { continue };
        // Nodes that are always lost together have one cause.
        match targets.iter_mut().find(|known| known.is_lost_with(&target)) {
            Some(known) => known.join(target),
            None => targets.push(target),
        }
    }
    targets.sort_by_key(|target| std::cmp::Reverse(target.episodes.len()));
    targets.truncate(MOST_NODES);
    targets
}

/// Nodes, lone identifiers and channels with their losses.
fn subjects(analysis: &Analysis) -> Vec<(Subject, Vec<&Outage>)> {
    let lost: Vec<&Outage> = analysis.lost().filter(|outage| !outage.ids.is_empty()).collect();
    let whole = |outage: &&Outage| matches!(outage.scope, Scope::Node | Scope::Branch);
    let mut out: Vec<(Subject, Vec<&Outage>)> = Vec::new();
    for node in (0..analysis.nodes.len()).map(NodeIndex) {
        let own = lost.iter().copied().filter(whole).filter(|own| own.nodes.contains(&node));
        out.push((Subject::Node(node), own.collect()));
    }
    let lone = || lost.iter().copied().filter(|outage| outage.scope == Scope::Identifier);
    let first: BTreeSet<IdIndex> = lone().map(|outage| outage.ids[0]).collect();
    for id in first {
        out.push((Subject::Sender(id), lone().filter(|own| own.ids[0] == id).collect()));
    }
    for channel in (0..analysis.channels.len()).map(|at| at as ChannelIndex) {
        let own = lost.iter().copied().filter(|own| own.scope == Scope::Bus);
        let own = own.filter(|own| own.channel == Some(channel));
        out.push((Subject::Channel(channel), own.collect()));
    }
    out.retain(|(_, outages)| outages.len() >= FEWEST_LOSSES);
    out
}

fn target(analysis: &Analysis, line: &Line, of: Subject, outages: &[&Outage]) -> Option<Target> {
    let channel = outages.first()?.channel?;
    let of_bus = matches!(of, Subject::Channel(_));
    let mut losses: Vec<(Micros, Micros, Span)> = outages
        .iter()
        .map(|outage| {
            let lost = Span { from: line.micros(outage.start), to: line.micros(outage.end) };
            let (due, known) = known(analysis, outage);
            (line.micros(known), line.micros(due), lost)
        })
        .collect();
    losses.sort_unstable();
    let awake = match of_bus {
        true => stretches_of_bus(analysis, line, channel, &losses),
        false => line.awake(analysis, channel),
    };
    let watched: Micros = awake.iter().map(|span| span.length()).sum();
    let times: Vec<f64> = losses.iter().map(|(at, ..)| *at as f64 / 1e6).collect();
    let (_, gap) = group(&times, watched as f64 / 1e6);
    // The stretches before two losses must not overlap: then they are no two witnesses. What begins
    // later than that after the first of a burst is one of its own, even where `compare`, which
    // asks how often it is lost, would join it.
    let gap = ((gap * 1e6) as Micros).min(LONGEST);
    let mut episodes: Vec<Episode> = Vec::new();
    for (at, due, lost) in &losses {
        match episodes.last_mut() {
            Some(last) if at.saturating_sub(last.at) <= gap || *at <= last.lost.to => {
                last.lost.to = last.lost.to.max(lost.to);
            }
            _ => episodes.push(Episode { at: *at, due: *due, lost: *lost, block: 0 }),
        }
    }
    episodes.truncate(MOST_EPISODES);
    if episodes.len() < FEWEST_LOSSES {
        return None;
    }
    let blocks = place(&awake, &mut episodes);
    let own = outages.iter().flat_map(|outage| &outage.ids).map(|id| {
        let identifier = &analysis.identifiers[*id];
        (identifier.channel, identifier.id)
    });
    Some(Target {
        of,
        losses: losses.iter().map(|(.., lost)| *lost).collect(),
        own: own.collect(),
        wakes: awake.iter().map(|span| span.from).collect(),
        episodes,
        blocks,
    })
}

/// When the first frame was due that did not come, and when the second was: what changes until then
/// cannot be because of the loss, for nobody knew of it. A single frame is late or spoilt often
/// enough, so monitors wait for two and more.
fn known(analysis: &Analysis, outage: &Outage) -> (i64, i64) {
    let of_id = outage.ids.iter().filter_map(|at| {
        let id = &analysis.identifiers[*at];
        let period = nanoseconds(id.rhythm?.period);
        // Those whose last frame before it is known.
        let silent = id.silent.iter().filter(|silent| silent.end > outage.start);
        let last = silent.map(|silent| silent.start).find(|start| *start <= outage.start)?;
        let due = last.saturating_add(period);
        Some((due, due.saturating_add(period)))
    });
    let (due, known): (Vec<i64>, Vec<i64>) = of_id.unzip();
    let first = |times: Vec<i64>| times.into_iter().min().unwrap_or(0).max(outage.start);
    (first(due), first(known))
}

/// Of a channel its own losses are no sleep; the first seconds of each count as if it had run on.
fn stretches_of_bus(
    analysis: &Analysis,
    line: &Line,
    channel: ChannelIndex,
    losses: &[(Micros, Micros, Span)],
) -> Vec<Span> {
    let mut awake = line.awake(analysis, channel);
    for span in &mut awake {
        if losses.iter().any(|(.., lost)| lost.from == span.to) {
            span.to = span.to.saturating_add(LONGEST);
        }
    }
    awake
}

/// Cuts the awake time into blocks, and puts each loss into its own.
fn place(awake: &[Span], episodes: &mut [Episode]) -> Vec<Block> {
    // While it is lost it cannot be lost again. What lies within the longest stretch behind a loss
    // counts all the same: it would have been free, had the loss come elsewhere.
    let gone = episodes
        .iter()
        .map(|episode| Span { from: episode.at.saturating_add(LONGEST), to: episode.lost.to });
    let gone: Vec<Span> = gone.filter(|span| span.length() > 0).collect();
    let mut blocks: Vec<(Span, Block)> = Vec::new();
    for stretch in awake {
        let count = (stretch.length() / BLOCK).max(1);
        for at in 0..count {
            let edge = |at: Micros| stretch.from + stretch.length() / count * at;
            let whole = Span {
                from: edge(at),
                to: if at + 1 == count { stretch.to } else { edge(at + 1) },
            };
            let parts = without(whole, &gone);
            let length = parts.iter().map(|part| part.length()).sum();
            blocks.push((whole, Block { parts, length }));
        }
    }
    let apart = |whole: &Span, at: Micros| (whole.from - at).max(at - whole.to).max(0);
    for episode in episodes.iter_mut() {
        let near = (0..blocks.len()).min_by_key(|block| apart(&blocks[*block].0, episode.at));
        episode.block = near.unwrap_or(0);
    }
    blocks.into_iter().map(|(_, block)| block).collect()
}

impl Target {
    fn is_lost_with(&self, other: &Target) -> bool {
        let near = |(a, b): (&Episode, &Episode)| a.at.abs_diff(b.at) <= TOGETHER as u64;
        self.episodes.len() == other.episodes.len()
            && self.episodes.iter().zip(&other.episodes).all(near)
    }

    fn join(&mut self, other: Target) {
        let mut nodes: Vec<NodeIndex> = self.of.nodes().to_vec();
        nodes.extend(other.of.nodes());
        nodes.sort_unstable();
        nodes.dedup();
        if nodes.len() > 1 {
            self.of = Subject::Nodes(nodes);
        }
        self.own.extend(other.own);
        for (own, other) in self.episodes.iter_mut().zip(other.episodes) {
            own.at = own.at.min(other.at);
            own.due = own.due.min(other.due);
        }
    }

    /// Seconds that lie in all blocks.
    pub fn watched(&self) -> f64 {
        self.blocks.iter().map(|block| block.length as f64 / 1e6).sum()
    }

    /// Seconds of the longest loss.
    pub fn longest(&self) -> f64 {
        let longest = self.losses.iter().map(|lost| lost.length()).max();
        seconds(longest.unwrap_or(0).saturating_mul(1000))
    }
}
