//! The way from the summaries of a capture to its report.

mod diagnosis;
mod expectations;

use crate::analysis::{Analysis, Channel, ErrorEvent, Identifier, Lane, Node, Outage};
use crate::capture::Capture;
use crate::fold::Summary;
use crate::fold::timing::{Key, Nanoseconds, Timing, nanoseconds, seconds};
use crate::network::senders::{self, Clocks};
use crate::network::{self, Roster};
use crate::outage;
use crate::roster_file::RosterFile;
use crate::settings::Settings;
use crate::silence::{self, Losses};
use crate::words::terms::id_label;

/// Draws the report from what was folded. Pure: no file, no clock.
pub fn report(
    captures: Vec<Capture>,
    summary: &Summary,
    settings: &Settings,
    roster: Option<&RosterFile>,
) -> Analysis {
    let timing = &summary.timing;
    let file = roster.map(|file| (file, file.resolve(&summary.channels)));
    let known = file.as_ref().map(|(file, known)| (*file, known));
    let losses =
        silence::find(timing, &summary.diagnostics, known.map(|(_, known)| known), settings);
    let clocks = Clocks::of(timing, |at| losses.expected[at].is_some());
    let roster = network::build(timing, &losses, &clocks, known);
    let found =
        outage::find(timing, &losses, &roster, &clocks, &summary.diagnostics.identities.supply);
    let order = Order::new(timing);
    let mut outages: Vec<Outage> = found.iter().map(|outage| outage_of(outage, &order)).collect();
    let identifiers: Vec<Identifier> =
        order.sorted.iter().map(|at| identifier(*at, timing, &losses, &roster, &clocks)).collect();
    let mut nodes: Vec<Node> = roster.nodes.iter().map(|node| node_of(node, &order)).collect();
    let deviations = known.map_or(Vec::new(), |(file, known)| {
        let diagnostic = |key: &Key| summary.diagnostics.carries(key.channel, key.id);
        let period = |at: usize| timing.ids[at].rhythm().map(|rhythm| rhythm.period);
        expectations::compare(file, known, timing, diagnostic, period, &mut nodes, &mut outages)
    });
    let channels = channels(summary, settings);
    let lanes = lanes(&identifiers, &nodes, &outages);
    let mut notices = notices(&captures, summary, &losses, &roster, settings);
    if let Some((_, known)) = known.filter(|(_, known)| !known.absent_channels.is_empty()) {
        notices.push(format!(
            "the roster has channels that the capture has not: {}",
            known.absent_channels.join(", ")
        ));
    }
    let begin = timing.span.map(|(begin, _)| begin);
    let diagnosis = diagnosis::diagnosis(&summary.diagnostics, &nodes, &outages, begin);
    let span = timing.span;
    Analysis {
        captures,
        span,
        channels,
        identifiers,
        nodes,
        outages,
        deviations,
        lanes,
        diagnosis,
        // Drawn from the analysis itself, where they are asked for (`fault::find`).
        findings: None,
        notices,
    }
}

/// Identifiers in the order of the report: by channel, then as they win arbitration.
struct Order {
    sorted: Vec<usize>,
    position: Vec<usize>,
}

impl Order {
    fn new(timing: &Timing) -> Self {
        let mut sorted: Vec<usize> = (0..timing.ids.len()).collect();
        sorted.sort_by_key(|at| (timing.ids[*at].key.channel, timing.ids[*at].key.id));
        let mut position = vec![0; sorted.len()];
        sorted.iter().enumerate().for_each(|(place, at)| position[*at] = place);
        Order { sorted, position }
    }

    fn map(&self, ids: &[usize]) -> Vec<usize> {
        let mut mapped: Vec<usize> = ids.iter().map(|at| self.position[*at]).collect();
        mapped.sort_unstable();
        mapped
    }
}

fn identifier(
    at: usize,
    timing: &Timing,
    losses: &Losses,
    roster: &Roster,
    clocks: &Clocks,
) -> Identifier {
    let id = &timing.ids[at];
    let expected = losses.expected[at];
    Identifier {
        channel: usize::from(id.key.channel),
        id: id.key.id,
        frames: id.frames,
        rhythm: expected.map(|expected| expected.rhythm),
        drift_ppm: clocks.rates[at]
            .and_then(|rate| Some((senders::drift(rate.period)? * 1e6, rate.error * 1e6))),
        counter: clocks.counters[at].first().copied(),
        timeout: expected.map(|expected| expected.timeout),
        heard: id.heard,
        longest_silence: id.silences.longest().map(seconds),
        node: roster.node_of[at],
    }
}

fn node_of(node: &network::Node, order: &Order) -> Node {
    Node {
        name: node.name.clone(),
        channel: usize::from(node.channel),
        ids: order.map(&node.ids),
        never_heard: Vec::new(),
        basis: node.basis.clone(),
        confidence: node.confidence,
        heard: true,
    }
}

fn outage_of(outage: &outage::Outage, order: &Order) -> Outage {
    Outage {
        scope: outage.scope,
        channel: outage.channel.map(usize::from),
        nodes: outage.nodes.clone(),
        ids: order.map(&outage.ids),
        never_heard: Vec::new(),
        start: outage.silence.start,
        end: outage.silence.end,
        duration: seconds(outage.silence.length()),
        cause: outage.cause,
        ongoing: outage.ongoing,
        evidence: outage.evidence.clone(),
    }
}

fn channels(summary: &Summary, settings: &Settings) -> Vec<Channel> {
    let channel = |(at, name): (usize, &String)| {
        let timing = summary.timing.channels.get(at).cloned().unwrap_or_default();
        let load = summary.load.channels.get(at);
        let event = |(time, error): &(Nanoseconds, lostnode_parsers::ErrorFrame)| ErrorEvent {
            time: *time,
            class: error.classes().collect::<Vec<_>>().join(" "),
            detail: detail(error),
            about_the_bus: error.is_about_the_bus(),
            bus_off: error.is_bus_off(),
            overflow: error.is_receive_overflow(),
        };
        Channel {
            name: name.clone(),
            frames: timing.frames,
            error_frames: timing.error_frames,
            out_of_order: (timing.out_of_order, seconds(timing.largest_step_back)),
            bit_rate: load
                .map_or(crate::fold::load::BitRate::Unknown, |load| load.bit_rate(settings)),
            load: load.and_then(|load| load.series(settings)),
            errors: timing.errors.iter().map(event).collect(),
        }
    };
    summary.channels.iter().enumerate().map(channel).collect()
}

fn detail(error: &lostnode_parsers::ErrorFrame) -> String {
    let mut parts: Vec<String> = error.details().map(str::to_owned).collect();
    if let Some((transmit, receive)) = error.counters() {
        parts.push(format!("error counters: transmit {transmit}, receive {receive}"));
    }
    parts.join("; ")
}

/// A lane for each node, and one for each periodic identifier without a known sender.
fn lanes(identifiers: &[Identifier], nodes: &[Node], outages: &[Outage]) -> Vec<Lane> {
    let heard = |ids: &[usize]| -> Option<(Nanoseconds, Nanoseconds)> {
        let spans = ids.iter().filter_map(|at| identifiers[*at].heard);
        spans.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    };
    let missed = |ids: &[usize]| -> Vec<usize> {
        let narrow = |outage: &Outage| outage.scope < crate::analysis::Scope::Bus;
        let hit = |outage: &Outage| outage.ids.iter().any(|id| ids.contains(id));
        (0..outages.len()).filter(|at| narrow(&outages[*at]) && hit(&outages[*at])).collect()
    };
    // A node that was never heard has a lane too, with nothing in it but its outage.
    let of_nodes = nodes.iter().enumerate().filter_map(|(at, node)| {
        if !node.heard {
            let own: Vec<usize> =
                (0..outages.len()).filter(|outage| outages[*outage].nodes == [at]).collect();
            let first = outages.get(*own.first()?)?;
            return Some(Lane {
                label: node.name.clone(),
                channel: node.channel,
                heard: (first.start, first.start),
                outages: own,
            });
        }
        Some(Lane {
            label: node.name.clone(),
            channel: node.channel,
            heard: heard(&node.ids)?,
            outages: missed(&node.ids),
        })
    });
    let alone =
        identifiers.iter().enumerate().filter(|(_, id)| id.node.is_none() && id.rhythm.is_some());
    let of_ids = alone.filter_map(|(at, id)| {
        Some(Lane {
            label: id_label(id.id),
            channel: id.channel,
            heard: id.heard?,
            outages: missed(&[at]),
        })
    });
    let mut lanes: Vec<Lane> = of_nodes.chain(of_ids).collect();
    lanes.sort_by_key(|lane| lane.channel);
    lanes
}

fn notices(
    captures: &[Capture],
    summary: &Summary,
    losses: &Losses,
    roster: &Roster,
    settings: &Settings,
) -> Vec<String> {
    let mut out = Vec::new();
    let timing = &summary.timing;
    for capture in captures {
        if let Some(why) = &capture.cut_short {
            out.push(format!(
                "{}: reading stopped before the end of the file: {why}",
                capture.path
            ));
        }
        if capture.span.is_none() {
            out.push(format!(
                "{}: its frames carry no time stamps, so nothing can be said of periods, outages or load; record with \
                 absolute time stamps",
                capture.path
            ));
        }
    }
    for (at, channel) in timing.channels.iter().enumerate() {
        let name = &summary.channels[at];
        if channel.out_of_order > 0 {
            out.push(format!(
                "{name}: {} frames lie before the one before them in time, by up to {:.6} s; their gaps were left out",
                channel.out_of_order,
                seconds(channel.largest_step_back)
            ));
        }
        let overflows =
            channel.errors.iter().filter(|(_, error)| error.is_receive_overflow()).count();
        if overflows > 0 {
            out.push(format!(
                "{name}: the logger reported {overflows} receive overflows: frames are missing that were on the bus"
            ));
        }
        if summary.load.channels[at].exceeds(settings) {
            out.push(format!("{name}: more bits than the bit rate allows in some bins; the rate or the time stamps are wrong"));
        }
    }
    let paused: f64 = losses
        .stops
        .iter()
        .filter(|stop| stop.channel.is_none())
        .map(|stop| seconds(stop.silence.length()))
        .sum();
    if paused > 0.0 {
        out.push(format!(
            "the recording paused for {paused:.1} s in all: mean loads are too low by as much"
        ));
    }
    if timing.folded_frames > 0 {
        out.push(format!(
            "more than {} identifiers; {} frames of further ones were only counted",
            crate::fold::timing::MOST_IDENTIFIERS,
            timing.folded_frames
        ));
    }
    if !losses.incomplete.is_empty() {
        out.push(format!(
            "{} identifiers timed out more than {} times; only their longest silences are listed",
            losses.incomplete.len(),
            crate::fold::timing::Longest::KEPT
        ));
    }
    if !losses.momentary.is_empty() {
        out.push(momentary(timing, losses, settings));
    }
    if !roster.undecided.is_empty() {
        let mut needed: Vec<f64> = roster.undecided.iter().map(|(_, seconds)| *seconds).collect();
        needed.sort_by(f64::total_cmp);
        out.push(format!(
            "who sends {} identifiers cannot be told from their clocks yet; a capture of about {} would likely do for half of them",
            needed.len(),
            crate::words::terms::duration(needed[needed.len() / 2])
        ));
    }
    if let Some((start, end)) = timing.span
        && end - start < nanoseconds(10.0)
    {
        out.push("the capture is shorter than 10 s: slow identifiers show no period yet; record a minute or more".to_owned());
    }
    out
}

fn momentary(timing: &Timing, losses: &Losses, settings: &Settings) -> String {
    let mut ids: Vec<usize> = losses.momentary.iter().map(|loss| loss.id).collect();
    ids.sort_unstable();
    ids.dedup();
    let longest = losses.momentary.iter().max_by_key(|loss| loss.silence.length());
    let longest = longest.map_or(String::new(), |loss| {
        let start = timing.span.map_or(0.0, |(begin, _)| seconds(loss.silence.start - begin));
        let name = outage::id_name(timing, loss.id);
        format!(
            "; the longest {:.0} ms, {name} at {start:.2} s",
            seconds(loss.silence.length()) * 1e3
        )
    });
    format!(
        "{} momentary losses of {} identifiers, timed out but back within {:.0} ms{longest}; not counted as outages",
        losses.momentary.len(),
        ids.len(),
        settings.shortest_outage * 1e3
    )
}
