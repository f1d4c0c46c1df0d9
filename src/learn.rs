//! A roster from captures of a sound vehicle.

use lostnode_parsers::Id;

use crate::analysis::Analysis;
use crate::roster_file::{ExpectedMessage, ExpectedNode, RosterFile};

/// A roster and what was odd on the way.
#[derive(Clone, Debug, Default)]
pub struct Learned {
    /// The roster.
    pub roster: RosterFile,
    /// Sentences for the user: losses in a capture that should be sound, identifiers that changed
    /// senders.
    pub remarks: Vec<String>,
}

/// Draws a roster from the reports of one or more captures, merged in their order: later ones add
/// nodes and identifiers, and the longest time-out stays.
pub fn learn(reports: &[Analysis]) -> Learned {
    let mut learned = Learned::default();
    for report in reports {
        let name = report.captures.first().map_or("a capture", |capture| capture.path.as_str());
        let lost = report.lost().count();
        if lost > 0 {
            learned.remarks.push(format!(
                "{name}: {lost} outages; learn from captures in which nothing is lost"
            ));
        }
        add(report, &mut learned);
    }
    learned
}

fn add(report: &Analysis, learned: &mut Learned) {
    for (at, id) in report.identifiers.iter().enumerate() {
        let channel = report.channels[id.channel].name.clone();
        let message = id.rhythm.map(|rhythm| ExpectedMessage {
            id: id.id,
            period: rhythm.period,
            timeout: id.timeout,
            counter: id.counter,
        });
        let sender = id.node.map(|node| report.nodes[node].ids.as_slice());
        let Some(ids) = sender else {
            if let Some(message) = message.filter(|_| !learned.knows(&channel, id.id)) {
                learned.roster.lone.push((channel, message));
            }
            continue;
        };
        if learned.update(&channel, id.id, message.as_ref()) {
            continue;
        }
        // The node that another identifier of the same sender is known by; or a new one.
        let others: Vec<Id> = ids
            .iter()
            .filter(|other| **other != at)
            .map(|other| report.identifiers[*other].id)
            .collect();
        let node_name = id.node.map_or(String::new(), |node| report.nodes[node].name.clone());
        let home = learned.roster.nodes.iter_mut().position(|node| {
            node.channel == channel
                && (node.messages.iter().any(|own| others.contains(&own.id))
                    || node.events.iter().any(|own| others.contains(own)))
        });
        let home = home.unwrap_or_else(|| {
            learned.roster.nodes.push(ExpectedNode {
                name: node_name,
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
                        self.remarks.push(format!(
                            "0x{} comes every {:.3} s in one capture and every {:.3} s in another; the first was kept",
                            lostnode_parsers::frame::DisplayId(id),
                            own.period,
                            message.period
                        ));
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
