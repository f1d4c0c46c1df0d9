//! What really happened in a simulated capture.

use std::collections::BTreeSet;

use lostnode_parsers::Id;
use lostnode_parsers::frame::DisplayId;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::away::{self, Away, Back, Why};
use super::scenario::{Node, Scenario, Trouble, TroubleKind};
use super::sender::Sender;
use super::signal::Signals;
use crate::fold::timing::{nanoseconds, seconds};

/// The ground truth beside a capture, written as JSON.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct Truth {
    /// Title of the scenario.
    pub title: String,
    /// True: no real vehicle is behind it.
    pub invented: bool,
    /// Who sends what.
    pub nodes: Vec<TruthNode>,
    /// What went wrong.
    pub events: Vec<TruthEvent>,
    /// Each silence and what it is. Not written where all are troubles: the events say it then.
    #[serde(default, skip_serializing_if = "all_by_trouble")]
    pub silences: Vec<TruthSilence>,
    /// What switches and consequences did, and where they are carried.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub signals: Vec<TruthSignal>,
    /// What the recorder did, where the scenario has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording: Option<TruthRecording>,
}

/// A switch, or what a node says because of a loss.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct TruthSignal {
    /// Its name.
    pub name: String,
    /// Whether it is because of a loss.
    pub consequence: bool,
    /// When it was 1: beginnings and ends, seconds since the epoch.
    pub on: Vec<(f64, f64)>,
    /// Where it is carried, as `0x1B4:2.5`.
    pub carried: Vec<String>,
}

/// A node as it was simulated.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct TruthNode {
    /// Its name.
    pub name: String,
    /// Its channel.
    pub channel: String,
    /// Its identifiers, as in reports.
    pub ids: Vec<String>,
    /// Its clock.
    pub drift_ppm: f64,
}

/// One trouble as it happened.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct TruthEvent {
    /// Kind as in the scenario.
    pub kind: String,
    /// Nodes that could not be heard.
    pub nodes: Vec<String>,
    /// Channel, where one is concerned.
    pub channel: Option<String>,
    /// Beginning, seconds since the epoch.
    pub start: f64,
    /// End, seconds since the epoch; for nodes that start anew, without their time to start.
    pub end: f64,
}

/// A time in which identifiers were not sent or did not get through.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct TruthSilence {
    /// What it is.
    pub what: What,
    /// For a loss, and for the key-off of a trouble: the kind of trouble.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// Channel.
    pub channel: String,
    /// The node; none where the whole bus sleeps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub node: Option<String>,
    /// Identifiers, as in reports: all of the node, or the one that pauses.
    pub ids: Vec<String>,
    /// From when on nothing was sent, seconds since the epoch.
    pub start: f64,
    /// End, seconds since the epoch, with the time to boot; up to a period before the first frame.
    pub end: f64,
    /// Short wakes within, in which its identifiers were heard.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub wakes: usize,
}

/// What a silence is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// A trouble: its cause says which.
    Loss,
    /// The node was switched off with the key.
    KeyOff,
    /// All of a bus slept, but for short wakes.
    Sleep,
    /// The starter pulled the voltage down.
    Starter,
    /// The identifier is sent in a mode only.
    Mode,
    /// The identifier pauses on a schedule.
    Pause,
    /// Another identifier had its place on their common grid.
    Multiplex,
}

/// What the recorder did to what was on the bus.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TruthRecording {
    /// Names of the effects, as the keys of `[recorder]`.
    pub effects: Vec<String>,
    /// Frames that it could have recorded.
    pub frames_on_bus: usize,
    /// Frames that it wrote.
    pub frames_written: usize,
    /// Times in which it took nothing: beginning and end, seconds since the epoch.
    pub pauses: Vec<(f64, f64)>,
    /// When its clock stepped, in true seconds since the epoch, and by how many seconds.
    pub clock_steps: Vec<(f64, f64)>,
}

/// For serde, which hands over a reference.
fn is_zero(count: &usize) -> bool {
    *count == 0
}

fn all_by_trouble(silences: &[TruthSilence]) -> bool {
    silences.iter().all(|silence| silence.cause.is_some())
}

/// The truth of a scenario: silences by node, and senders after they ran.
pub(super) fn of(
    scenario: &Scenario,
    silences: &[Vec<Away>],
    senders: &[Sender<'_>],
    signals: &Signals,
) -> Truth {
    let nodes = scenario.nodes.iter().map(|node| TruthNode {
        name: node.name.clone(),
        channel: node.channel.clone(),
        ids: node_ids(node),
        drift_ppm: node.drift_ppm,
    });
    let mut all = Vec::new();
    for (node, own) in scenario.nodes.iter().zip(silences) {
        all.extend(own.iter().filter_map(|away| of_node(scenario, node, away)));
    }
    for sender in senders {
        all.extend(of_message(scenario, sender));
    }
    for channel in &scenario.channels {
        all.extend(sleeps(scenario, &channel.name, silences));
    }
    all.sort_by(|a, b| a.start.total_cmp(&b.start));
    Truth {
        title: scenario.title.clone(),
        invented: scenario.invented,
        nodes: nodes.collect(),
        events: scenario.troubles.iter().flat_map(|trouble| events(scenario, trouble)).collect(),
        silences: all,
        signals: signals.switches().map(|(name, on)| of_signal(scenario, name, on)).collect(),
        recording: None,
    }
}

fn of_signal(scenario: &Scenario, name: &str, on: &[(f64, f64)]) -> TruthSignal {
    let messages = scenario.nodes.iter().flat_map(|node| &node.messages);
    let carried = messages.flat_map(|message| {
        let own = message.signals.iter().filter(|own| own.signal == name);
        own.map(|own| format!("{}:{}.{}", label(message.id), own.byte, own.bit))
    });
    TruthSignal {
        name: name.to_owned(),
        consequence: scenario.consequences.iter().any(|own| own.name == name),
        on: on.iter().map(|(from, to)| (scenario.start + from, scenario.start + to)).collect(),
        carried: carried.collect(),
    }
}

fn events(scenario: &Scenario, trouble: &Trouble) -> Vec<TruthEvent> {
    let hit = |node: &&Node| match trouble.kind {
        TroubleKind::PowerLoss | TroubleKind::StubOpen => trouble.node.as_ref() == Some(&node.name),
        TroubleKind::BranchOpen => trouble.branch == node.branch,
        TroubleKind::SupplyDip => node.resets_on_dip,
        TroubleKind::BusShort | TroubleKind::KeyOff => {
            trouble.channel.as_ref().is_none_or(|name| *name == node.channel)
        }
        // Nobody falls silent.
        TroubleKind::CapturePause
        | TroubleKind::BusErrors
        | TroubleKind::WeakContact
        | TroubleKind::BadReceiver
        | TroubleKind::BusNoise
        | TroubleKind::LoggerOverflow => false,
    };
    let nodes: Vec<String> =
        scenario.nodes.iter().filter(hit).map(|node| node.name.clone()).collect();
    let event = |(from, to): (f64, f64)| TruthEvent {
        kind: trouble.kind.name().to_owned(),
        nodes: nodes.clone(),
        channel: trouble.channel.clone(),
        start: scenario.start + from,
        end: scenario.start + to,
    };
    trouble.times().map(event).collect()
}

fn label(id: Id) -> String {
    format!("0x{}", DisplayId(id))
}

fn node_ids(node: &Node) -> Vec<String> {
    node.messages.iter().flat_map(|message| message.ids().map(label)).collect()
}

/// A silence of one or more identifiers of a node; `None` where it lies outside of the scenario.
fn silence(
    scenario: &Scenario,
    node: &Node,
    away: &Away,
    ids: Vec<String>,
) -> Option<TruthSilence> {
    let boot = if away.back == Back::Boots { node.boot } else { 0.0 };
    let end = (seconds(away.to) + boot).min(scenario.duration);
    let start = seconds(away.from).max(0.0);
    let (what, cause) = match away.why {
        Why::Trouble(kind @ TroubleKind::KeyOff) => (What::KeyOff, Some(kind)),
        Why::Trouble(kind) => (What::Loss, Some(kind)),
        Why::KeyOff => (What::KeyOff, None),
        Why::Starter => (What::Starter, None),
        Why::Mode => (What::Mode, None),
        Why::Pause => (What::Pause, None),
    };
    (start < end).then(|| TruthSilence {
        what,
        cause: cause.map(|kind| kind.name().to_owned()),
        channel: node.channel.clone(),
        node: Some(node.name.clone()),
        ids,
        start: scenario.start + start,
        end: scenario.start + end,
        wakes: away::wakes(node, away).count(),
    })
}

fn of_node(scenario: &Scenario, node: &Node, away: &Away) -> Option<TruthSilence> {
    silence(scenario, node, away, node_ids(node))
}

/// The silences that one identifier has by nature.
fn of_message(scenario: &Scenario, sender: &Sender<'_>) -> Vec<TruthSilence> {
    let node = &scenario.nodes[sender.node];
    let mut out = Vec::new();
    for away in away::by_nature(scenario, sender.message) {
        let ids = sender.message.ids().map(label).collect();
        out.extend(silence(scenario, node, &away, ids));
    }
    for (id, from, to) in sender.gone(nanoseconds(scenario.duration)) {
        let away = Away { from, to, back: Back::RanOn, why: Why::Pause };
        let others = silence(scenario, node, &away, vec![label(id)]);
        out.extend(others.map(|gone| TruthSilence { what: What::Multiplex, ..gone }));
    }
    out
}

/// When all nodes of a channel were off with the key: the bus slept.
fn sleeps(scenario: &Scenario, channel: &str, silences: &[Vec<Away>]) -> Vec<TruthSilence> {
    let key_off = |why| matches!(why, Why::KeyOff | Why::Trouble(TroubleKind::KeyOff));
    let here = scenario.nodes.iter().zip(silences).filter(|(node, _)| node.channel == channel);
    let mut members = here.map(|(node, own)| {
        let own = own.iter().filter(|away| key_off(away.why));
        own.map(|away| (*away, vec![(node, *away)])).collect::<Vec<_>>()
    });
    let first = members.next().unwrap_or_default();
    let common = members.fold(first, |common, own| {
        let mut both = Vec::new();
        for (a, with) in &common {
            for (b, of_b) in &own {
                let (from, to) = (a.from.max(b.from), a.to.min(b.to));
                if from < to {
                    both.push((Away { from, to, ..*a }, [with.as_slice(), of_b].concat()));
                }
            }
        }
        both
    });
    let sleep = |(away, members): &(Away, Vec<(&Node, Away)>)| {
        // The node that boots first ends the sleep.
        let back = |(node, own): &(&Node, Away)| own.to + nanoseconds(node.boot);
        let to = members.iter().map(back).min().unwrap_or(away.to);
        let away = Away { to, ..*away };
        let wakes: BTreeSet<i64> = members
            .iter()
            .flat_map(|(node, _)| away::wakes(node, &away))
            .map(|(begin, _)| begin)
            .collect();
        let ids = members.iter().flat_map(|(node, _)| node_ids(node)).collect();
        let member = members.first()?.0;
        let slept = silence(scenario, member, &Away { back: Back::RanOn, ..away }, ids)?;
        Some(TruthSilence { what: What::Sleep, node: None, wakes: wakes.len(), ..slept })
    };
    common.iter().filter_map(sleep).collect()
}
