//! What stands in a roster under two modules: which of them it is of, nobody can tell, so it is
//! neither's, and the rest of the roster still serves.

use std::fmt;

use lostnode_parsers::Id;

use super::{Answering, ExpectedMessage, ExpectedNode, RosterFile};
use crate::fold::diagnostics::Party;

/// What stands twice in a roster file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Twice {
    /// What: an identifier, what a module answers by, or what codes call it.
    pub what: String,
    /// The names of the two, the first first; `None` where no module is named.
    pub of: (Option<String>, Option<String>),
    /// The lines.
    pub lines: (usize, usize),
    /// It stands under one module both times, or under one and under no module's: it is that one's.
    pub kept: bool,
}

impl fmt::Display for Twice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Twice { what, of: (first, second), lines: (before, line), kept } = self;
        let of = |name: &Option<String>| match name {
            Some(name) => format!("`{name}`"),
            None => "no module".to_owned(),
        };
        let (first, second) = (of(first), of(second));
        write!(
            f,
            "line {line}: `{what}` stands under {second}, and on line {before} under {first}"
        )?;
        match kept {
            true => f.write_str("; it is taken once"),
            false => f.write_str("; which of them it is of cannot be told, so it is neither's"),
        }
    }
}

/// Which node something stands under, by its place; `None` for what no module is named for.
pub(super) type Place = Option<usize>;

/// Whether two places leave open whose it is.
pub(super) fn leaves_open(first: Place, second: Place) -> bool {
    first.zip(second).is_some_and(|(first, second)| first != second)
}

impl RosterFile {
    /// Takes an identifier that stands twice from all nodes but its own, where it has one.
    pub(super) fn settle_id(&mut self, channel: &str, id: Id) {
        let here =
            |own: &&mut ExpectedNode| own.channel == channel && own.ids().any(|own| own == id);
        let owners = self.nodes.iter_mut().filter(here).count();
        let mut found: Option<ExpectedMessage> = None;
        let mut taken = false;
        for node in self.nodes.iter_mut().filter(here) {
            let keep = owners == 1;
            let first = node.messages.iter().position(|own| own.id == id);
            found = found.or(first.map(|at| node.messages[at].clone()));
            let mut at = 0;
            node.messages.retain(|own| {
                at += 1;
                own.id != id || keep && first == Some(at - 1)
            });
            let mut event = first.is_some();
            node.events.retain(|own| *own != id || keep && !std::mem::replace(&mut event, true));
            taken = true;
        }
        let mut lone = taken;
        let is_it = |(own, message): &(String, ExpectedMessage)| own == channel && message.id == id;
        self.lone.retain(|own| !is_it(own) || !std::mem::replace(&mut lone, true));
        if owners > 1 {
            let message = found.unwrap_or_else(|| ExpectedMessage::remembered(id));
            self.lone.push((channel.to_owned(), message));
        }
    }

    /// The same of what modules answer by.
    pub(super) fn settle_answer(&mut self, channel: &str, party: Party) {
        let is_it = |of: &str, own: &Answering| {
            own.party == party && own.channel.as_deref().unwrap_or(of) == channel
        };
        let has = |node: &ExpectedNode| node.answers.iter().any(|own| is_it(&node.channel, own));
        let mut kept = self.nodes.iter().filter(|node| has(node)).count() > 1;
        for node in &mut self.nodes {
            let of = node.channel.clone();
            node.answers.retain(|own| !is_it(&of, own) || !std::mem::replace(&mut kept, true));
        }
    }

    /// The same of what codes call them.
    pub(super) fn settle_name(&mut self, name: &str) {
        let has = |node: &&ExpectedNode| node.missed_as.iter().any(|own| own == name);
        let mut kept = self.nodes.iter().filter(has).count() > 1;
        for node in &mut self.nodes {
            node.missed_as.retain(|own| own != name || !std::mem::replace(&mut kept, true));
        }
    }
}
