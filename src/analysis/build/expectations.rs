//! What a roster file expects and the capture does not show: nodes and identifiers never heard, too
//! slow, too fast, new.

use lostnode_parsers::Id;

use crate::analysis::{Basis, Deviation, Node, Outage};
use crate::fold::timing::{Key, Timing, seconds};
use crate::outage::{Cause, Scope};
use crate::roster_file::{ExpectedMessage, Known, RosterFile};
use crate::words::terms::{duration, id_label};

/// An identifier is too slow or too fast where its period is off by more than this share of the
/// expected one: far beyond any clock, within what operating modes change.
const OFF: f64 = 0.2;

/// Adds what was never heard to the nodes and outages, and tells what is off or new.
pub fn compare(
    file: &RosterFile,
    known: &Known,
    timing: &Timing,
    diagnostic: impl Fn(&Key) -> bool,
    periods: impl Fn(usize) -> Option<f64>,
    nodes: &mut Vec<Node>,
    outages: &mut Vec<Outage>,
) -> Vec<Deviation> {
    let heard = |channel: u16, id: Id| timing.ids.iter().any(|own| own.key == Key { channel, id });
    for known in &known.nodes {
        let node = &file.nodes[known.node];
        let missing: Vec<&ExpectedMessage> =
            node.messages.iter().filter(|message| !heard(known.channel, message.id)).collect();
        let silent = missing.len() == node.messages.len()
            && !node.events.iter().any(|id| heard(known.channel, *id));
        let channel = usize::from(known.channel);
        let place = nodes.iter().position(|own| own.channel == channel && own.name == node.name);
        let place = place.unwrap_or_else(|| {
            nodes.push(Node {
                name: node.name.clone(),
                channel,
                ids: Vec::new(),
                never_heard: Vec::new(),
                basis: vec![Basis::Roster],
                confidence: 1.0,
                heard: !silent,
            });
            nodes.len() - 1
        });
        nodes[place].never_heard = missing.iter().map(|message| message.id).collect();
        // Silence that the capture is too short to show is none.
        let (begin, end) = timing.span.unwrap_or((0, 0));
        let due = |message: &&&ExpectedMessage| {
            seconds(end - begin) > message.timeout.unwrap_or(message.period * 5.0)
        };
        let due: Vec<&&ExpectedMessage> = missing.iter().filter(due).collect();
        if due.is_empty() {
            continue;
        }
        let names: Vec<String> = due.iter().map(|message| id_label(message.id)).collect();
        let fastest = due.iter().map(|message| message.period).fold(f64::INFINITY, f64::min);
        outages.push(Outage {
            scope: if silent { Scope::Node } else { Scope::Identifier },
            channel: Some(channel),
            nodes: vec![place],
            ids: Vec::new(),
            never_heard: due.iter().map(|message| message.id).collect(),
            start: begin,
            end,
            duration: seconds(end - begin),
            cause: Cause::Unknown,
            ongoing: true,
            evidence: vec![format!(
                "never heard in this capture: {}; the roster expects the fastest of {} every {:.0} ms",
                names.join(", "),
                if names.len() == 1 { "it" } else { "them" },
                fastest * 1e3
            )],
        });
    }
    outages.sort_by_key(|outage| (outage.start, outage.end, outage.channel));
    deviations(file, known, timing, diagnostic, periods)
}

fn deviations(
    file: &RosterFile,
    known: &Known,
    timing: &Timing,
    diagnostic: impl Fn(&Key) -> bool,
    periods: impl Fn(usize) -> Option<f64>,
) -> Vec<Deviation> {
    let mut out = Vec::new();
    for (at, id) in timing.ids.iter().enumerate() {
        let label = id_label(id.key.id);
        let channel = usize::from(id.key.channel);
        let mut tell =
            |kind, text: String| out.push(Deviation { channel, id: id.key.id, kind, text });
        match (known.messages.get(&id.key), periods(at)) {
            // A channel that the roster does not speak of is not judged by it.
            (None, _)
                if diagnostic(&id.key)
                    || !known.messages.keys().any(|key| key.channel == id.key.channel) => {}
            (None, _) => tell(
                "new",
                format!("{label} is not in the roster; it was heard {} times", id.frames),
            ),
            (Some((node, Some(message))), Some(period)) => {
                let of =
                    node.map_or(String::new(), |node| format!(" of {}", file.nodes[node].name));
                let text = format!(
                    "{label}{of} comes every {}, the roster expects {}",
                    duration(period),
                    duration(message.period)
                );
                if period > message.period * (1.0 + OFF) {
                    tell("too_slow", text);
                } else if period < message.period * (1.0 - OFF) {
                    tell("too_fast", text);
                }
            }
            _ => {}
        }
    }
    out.sort_by_key(|deviation| (deviation.channel, deviation.id));
    out
}
