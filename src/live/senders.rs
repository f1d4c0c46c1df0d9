//! Who is watched: nodes, and messages whose sender is not known, as far as the analysis so far
//! tells. What was learned of them before goes on where the analysis changes its mind.

use lostnode_parsers::Id;

use super::{Reach, Subject};
use crate::analysis::{Analysis, Nanoseconds};
use crate::capture::ChannelIndex;

/// What is known of the sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Presence {
    /// Heard, or not yet due.
    Here,
    /// Its messages have timed out.
    Silent {
        /// Its last frame.
        since: Nanoseconds,
    },
    /// Silent, and lawfully.
    Asleep {
        /// Its last frame.
        since: Nanoseconds,
    },
    /// Heard again, a moment ago.
    Returning {
        /// Its last frame before.
        since: Nanoseconds,
        /// Its first frame after.
        at: Nanoseconds,
        /// It had been found asleep.
        slept: bool,
    },
}

impl Presence {
    /// Since when it has not been heard, where that is so.
    pub fn since(self) -> Option<Nanoseconds> {
        match self {
            Presence::Silent { since } | Presence::Asleep { since } => Some(since),
            Presence::Here | Presence::Returning { .. } => None,
        }
    }
}

/// A silence of which nobody has said yet what it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Suspected {
    /// The last frame before it.
    pub since: Nanoseconds,
    /// The first frame after it; `None` while it lasts.
    pub back: Option<Nanoseconds>,
}

/// A node, or a message whose sender is not known.
#[derive(Clone, Debug)]
pub struct Sender {
    /// The name of the node; `None` for a message whose sender is not known.
    pub name: Option<String>,
    /// Its channel.
    pub channel: ChannelIndex,
    /// Its identifiers, by their place in the list of the watch.
    pub ids: Vec<usize>,
    /// Whether it is here.
    pub presence: Presence,
    /// How often it was lost and came back.
    pub losses: u32,
    /// When it was lost last.
    pub last_loss: Option<Nanoseconds>,
    /// When it was heard last.
    pub heard: Option<Nanoseconds>,
    /// A single message of unknown sender is called lost when the analysis calls it so: some pause
    /// by nature. Until then its silences are under suspicion, those that are over too.
    pub suspected: Vec<Suspected>,
    /// Identifiers that are expected of it and were never heard.
    pub never: Vec<Id>,
}

impl Sender {
    /// How often it was lost, with the loss that lasts.
    pub fn losses_so_far(&self) -> u32 {
        self.losses + u32::from(matches!(self.presence, Presence::Silent { .. }))
    }

    fn new(name: Option<String>, channel: ChannelIndex, ids: Vec<usize>) -> Self {
        Sender {
            name,
            channel,
            ids,
            presence: Presence::Here,
            losses: 0,
            last_loss: None,
            heard: None,
            suspected: Vec::new(),
            never: Vec::new(),
        }
    }

    /// Whether its last silence is under suspicion and lasts.
    pub(super) fn is_suspected(&self) -> bool {
        self.suspected.last().is_some_and(|own| own.back.is_none())
    }

    /// As an event names it.
    pub fn subject(&self, ids: Vec<Id>) -> Subject {
        let reach = if self.name.is_some() { Reach::Node } else { Reach::Messages };
        Subject { channel: Some(self.channel), node: self.name.clone(), ids, reach }
    }
}

/// The senders that an analysis knows, with what was known of them before. `place` gives the place
/// of an identifier in the list of the watch.
pub fn of(
    analysis: &Analysis,
    before: &[Sender],
    mut place: impl FnMut(ChannelIndex, Id) -> Option<usize>,
) -> Vec<Sender> {
    let mut out: Vec<Sender> = Vec::with_capacity(before.len());
    for node in &analysis.nodes {
        let ids = node.ids.iter().map(|at| &analysis.identifiers[*at]);
        let expected = ids.clone().any(|id| id.timeout.is_some());
        let places: Vec<usize> = ids.filter_map(|id| place(id.channel, id.id)).collect();
        if expected || (!node.heard && !node.never_heard.is_empty()) {
            let mut sender = Sender::new(Some(node.name.clone()), node.channel, places);
            sender.never.clone_from(&node.never_heard);
            out.push(sender);
        }
    }
    for id in analysis.identifiers.iter().filter(|id| id.node.is_none() && id.timeout.is_some()) {
        let places = place(id.channel, id.id).into_iter().collect();
        out.push(Sender::new(None, id.channel, places));
    }
    for sender in &mut out {
        let shared = |own: &&Sender| {
            let never = |id: &&Id| own.channel == sender.channel && sender.never.contains(id);
            own.ids.iter().filter(|at| sender.ids.contains(at)).count()
                + own.never.iter().filter(never).count()
        };
        // Of messages that are one node now the one that is away tells more.
        let most = |own: &&Sender| (shared(own), own.presence != Presence::Here);
        let Some(own) = before.iter().filter(|own| shared(own) > 0).max_by_key(most) else {
            continue;
        };
        sender.presence = own.presence;
        (sender.losses, sender.last_loss) = (own.losses, own.last_loss);
        (sender.heard, sender.suspected) = (own.heard, own.suspected.clone());
    }
    out
}
