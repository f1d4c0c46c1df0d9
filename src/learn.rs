//! A roster from captures of a sound vehicle (docs/roster.md).

use lostnode_parsers::Id;

use crate::analysis::Analysis;
use crate::roster_file::{ExpectedMessage, ExpectedNode, RosterFile};

/// A roster and what was odd on the way.
#[derive(Clone, Debug, Default)]
pub struct Learned {
    /// The roster.
    pub roster: RosterFile,
    /// What the user should look at.
    pub remarks: Vec<Remark>,
}

/// Something that a sound vehicle does not show.
#[derive(Clone, Debug, PartialEq)]
pub enum Remark {
    /// Something was lost in a capture.
    Losses {
        /// Its path.
        capture: Option<String>,
        /// How many outages.
        outages: usize,
    },
    /// An identifier has another period in a later capture.
    TwoPeriods {
        /// Which.
        id: Id,
        /// Seconds between frames, as kept.
        kept: f64,
        /// Seconds between frames in the later capture.
        other: f64,
    },
}

/// Draws a roster from the reports of one or more captures, merged in their order: later ones add
/// nodes and identifiers, and the longest time-out stays.
pub fn learn(reports: &[Analysis]) -> Learned {
    let mut learned = Learned::default();
    for report in reports {
        let outages = report.lost().count();
        if outages > 0 {
            let capture = report.captures.first().map(|capture| capture.path.clone());
            learned.remarks.push(Remark::Losses { capture, outages });
        }
        add(report, &mut learned);
    }
    learned
}

fn add(report: &Analysis, learned: &mut Learned) {
    for (at, id) in report.identifiers.iter().enumerate() {
        let channel = report.channel(id.channel).name.clone();
        let message = id.rhythm.map(|rhythm| ExpectedMessage {
            id: id.id,
            period: rhythm.period,
            timeout: id.timeout,
            counter: id.counter,
        });
        let Some(sender) = id.node.map(|node| &report.nodes[node]) else {
            if let Some(message) = message.filter(|_| !learned.knows(&channel, id.id)) {
                learned.roster.lone.push((channel, message));
            }
            continue;
        };
        if learned.update(&channel, id.id, message.as_ref()) {
            continue;
        }
        // The node that another identifier of the same sender is known by; or a new one.
        let others: Vec<Id> = sender
            .ids
            .iter()
            .filter(|other| other.0 != at)
            .map(|other| report.identifiers[*other].id)
            .collect();
        let home = learned.roster.nodes.iter_mut().position(|node| {
            node.channel == channel
                && (node.messages.iter().any(|own| others.contains(&own.id))
                    || node.events.iter().any(|own| others.contains(own)))
        });
        let home = home.unwrap_or_else(|| {
            learned.roster.nodes.push(ExpectedNode {
                name: sender.name.clone(),
                channel: channel.clone(),
                ..ExpectedNode::default()
            });
            learned.roster.nodes.len() - 1
        });
        let node = &mut learned.roster.nodes[home];
        match message {
            Some(message) => node.messages.push(message),
            None => node.events.push(id.id),
        }
        // What an earlier capture had no sender for has one now.
        learned.roster.lone.retain(|(own, message)| own != &channel || message.id != id.id);
    }
}

impl Learned {
    fn knows(&self, channel: &str, id: Id) -> bool {
        let of_node = |node: &ExpectedNode| {
            node.channel == channel
                && (node.messages.iter().any(|own| own.id == id) || node.events.contains(&id))
        };
        self.roster.nodes.iter().any(of_node)
            || self.roster.lone.iter().any(|(own, message)| own == channel && message.id == id)
    }

    /// Takes a further capture's view of a message that is known already; `false` where it is not.
    fn update(&mut self, channel: &str, id: Id, message: Option<&ExpectedMessage>) -> bool {
        for node in self.roster.nodes.iter_mut().filter(|node| node.channel == channel) {
            if let Some(own) = node.messages.iter_mut().find(|own| own.id == id) {
                if let Some(message) = message {
                    own.timeout = own.timeout.zip(message.timeout).map(|(a, b)| a.max(b));
                    own.counter = own.counter.or(message.counter);
                    if (message.period / own.period - 1.0).abs() > 0.1 {
                        let (kept, other) = (own.period, message.period);
                        self.remarks.push(Remark::TwoPeriods { id, kept, other });
                    }
                }
                return true;
            }
            if node.events.contains(&id) {
                if let Some(message) = message {
                    node.events.retain(|own| *own != id);
                    node.messages.push(message.clone());
                }
                return true;
            }
        }
        false
    }
}
