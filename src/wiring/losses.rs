//! What was lost at one time, and what demonstrably was not.

use std::collections::BTreeSet;

use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Cause, Doubt, Nanoseconds, Outage, Scope};
use crate::fold::timing::nanoseconds;
use crate::ids::{IdIndex, NodeIndex};

/// Seconds between the beginnings of silences that one cause may have. A silence begins with the
/// last frame before it, which of a slow message lies up to its period before the cause: seldom
/// more than a second.
const TOGETHER: f64 = 1.5;
/// Seconds by which a loss has to outlast the time-out of a node for its silence to be noticed: a
/// module of the same feed may be back sooner, for some boot faster (common practice, no source).
const MARGIN: f64 = 0.5;

/// A loss, with all that was lost at the same time.
#[derive(Clone, Debug)]
pub struct Loss {
    start: Nanoseconds,
    end: Nanoseconds,
    /// It lasts to the end of the recording, or nothing was heard at all.
    pub lasting: bool,
    /// It may be lawful: the key was turned off, or a common supply failed.
    pub doubtful: bool,
    /// Why it looks so.
    pub cause: Cause,
    /// What the outage itself is about.
    pub own: BTreeSet<Subject>,
    /// What was lost at that time, this included.
    pub lost: BTreeSet<Subject>,
}

impl Loss {
    /// The same loss, of some of what was lost; how these came back is not said.
    pub fn of(&self, own: BTreeSet<Subject>) -> Loss {
        Loss { own, cause: Cause::Unknown, ..self.clone() }
    }
}

/// All losses of whole nodes and of lone identifiers, in order of time; with those that may be
/// lawful.
pub fn all(analysis: &Analysis) -> Vec<Loss> {
    let is_loss = |outage: &&Outage| {
        let key_or_supply = outage.benign && outage.doubt == Some(Doubt::KeyOrSupply);
        outage.is_loss() || (key_or_supply && outage.scope <= Scope::Branch)
    };
    let about: Vec<(&Outage, BTreeSet<Subject>)> = analysis
        .outages
        .iter()
        .filter(is_loss)
        .map(|outage| (outage, subjects(analysis, outage)))
        .filter(|(_, own)| !own.is_empty())
        .collect();
    let near = |one: &Outage, other: &Outage| {
        (one.start - other.start).abs() <= nanoseconds(TOGETHER)
            // What was never heard has no beginning.
            || (!one.never_heard.is_empty() && !other.never_heard.is_empty())
    };
    let loss = |(outage, own): &(&Outage, BTreeSet<Subject>)| Loss {
        start: outage.start,
        end: outage.end,
        doubtful: outage.benign,
        cause: outage.cause,
        lasting: outage.ongoing || !outage.never_heard.is_empty(),
        own: own.clone(),
        lost: about
            .iter()
            .filter(|(other, _)| near(outage, other))
            .flat_map(|(_, lost)| lost.iter().cloned())
            .collect(),
    };
    about.iter().map(loss).collect()
}

/// The whole nodes and lone identifiers that an outage is of.
fn subjects(analysis: &Analysis, outage: &Outage) -> BTreeSet<Subject> {
    let nodes = || outage.nodes.iter().map(|node| Subject::Node(*node));
    match outage.scope {
        Scope::Identifier if outage.nodes.is_empty() => {
            outage.ids.iter().map(|id| Subject::Sender(*id)).collect()
        }
        // Of a node that was never heard, a single identifier may be all that is expected.
        Scope::Identifier if outage.ids.is_empty() => {
            let heard =
                |node: &Subject| matches!(node, Subject::Node(at) if analysis.nodes[*at].heard);
            nodes().filter(|node| !heard(node)).collect()
        }
        Scope::Identifier => BTreeSet::new(),
        Scope::Node | Scope::Branch => nodes().collect(),
        Scope::Bus | Scope::Capture => {
            let here = |at: &NodeIndex| {
                outage.channel.is_none_or(|own| analysis.nodes[*at].channel == own)
            };
            let all = (0..analysis.nodes.len()).map(NodeIndex);
            all.filter(|at| analysis.nodes[*at].heard && here(at)).map(Subject::Node).collect()
        }
    }
}

/// Whether something demonstrably kept sending while a loss lasted: it would have been missed, and
/// was not.
pub fn kept_sending(analysis: &Analysis, subject: &Subject, loss: &Loss) -> bool {
    let ids: Vec<IdIndex> = match subject {
        Subject::Node(node) => analysis.nodes[*node].ids.clone(),
        Subject::Sender(id) => vec![*id],
        _ => return false,
    };
    if loss.lost.contains(subject) {
        return false;
    }
    // What was silent for a reason of its own neither kept sending nor was lost with the others.
    let silent = |outage: &Outage| {
        let own = match subject {
            Subject::Node(node) => outage.nodes.contains(node),
            _ => outage.ids.iter().any(|id| ids.contains(id)),
        };
        let whole = outage.channel.is_none() || outage.scope >= Scope::Bus;
        (own || whole) && outage.start < loss.end && loss.start < outage.end
    };
    if analysis.outages.iter().any(silent) {
        return false;
    }
    ids.iter().any(|id| {
        let id = &analysis.identifiers[*id];
        let (Some(timeout), Some((first, last))) = (id.timeout, id.heard) else { return false };
        let noticed = loss.start + nanoseconds(timeout + MARGIN);
        id.rhythm.is_some() && noticed < loss.end && first <= loss.start && last >= noticed
    })
}
