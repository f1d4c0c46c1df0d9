//! The way from the summaries of a capture to its report.

mod diagnosis;
mod drives;
mod lanes;
mod notices;
mod signals;

pub use drives::join;

use std::collections::BTreeSet;

use crate::analysis::just_before::JustBefore;
use crate::analysis::names::source_addresses;
use crate::analysis::notice::Notice;
use crate::analysis::{Analysis, BitRate, Channel, ErrorEvent, Identifier};
use crate::capture::Capture;
use crate::fold::Summary;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{Key, Reported, Silence, Timing, nanoseconds, seconds};
use crate::ids::{ChannelIndex, IdIndex};
use crate::network::{
    self,
    clocks::{self, Clocks},
    destroyed::{self, Destroyed},
};
use crate::outage::{self, Observed, deviations};
use crate::roster_file::RosterFile;
use crate::roster_file::channels::Sent;
use crate::settings::Settings;
use crate::silence::{self, Expectation, Losses};

/// What was heard on each channel.
fn heard(summary: &Summary) -> Vec<Sent> {
    let sent = |name: &String| Sent { name: name.clone(), ids: BTreeSet::new() };
    let mut out: Vec<Sent> = summary.channels.iter().map(sent).collect();
    for own in &summary.timing.ids {
        if let Some(sent) = out.get_mut(usize::from(own.key.channel)) {
            sent.ids.insert(own.key.id);
        }
    }
    out
}

/// Draws the report from what was folded. Pure: no file, no clock.
pub fn report(
    captures: Vec<Capture>,
    summary: &Summary,
    settings: &Settings,
    roster: Option<&RosterFile>,
) -> Analysis {
    let (timing, diagnostics) = (&summary.timing, &summary.diagnostics);
    let known = roster.map(|roster| roster.fit(&heard(summary)));
    let of_another = roster
        .zip(known.as_ref())
        .and_then(|(file, known)| silence::of_another(timing, diagnostics, file, known));
    // A roster of another vehicle says nothing of this one.
    let roster = roster.filter(|_| of_another.is_none());
    let known = known.filter(|_| of_another.is_none());
    let losses = silence::find(timing, diagnostics, &summary.engine, known.as_ref(), settings);
    let clocks = Clocks::of(timing, |at| losses.expected[at].is_some());
    let network = network::build(timing, &losses, &clocks, roster.zip(known.as_ref()));
    let bit_rate = |channel| {
        let load = summary.load.channels.get(usize::from(channel));
        load.map_or(settings.bit_rate, |load| load.bit_rate(settings).bits_per_second())
    };
    let destroyed = destroyed::find(timing, &losses, &clocks, bit_rate);
    let supply = &diagnostics.identities.supply;
    let claims = &diagnostics.identities.claims;
    let observed = Observed {
        timing,
        losses: &losses,
        network: &network,
        clocks: &clocks,
        destroyed: &destroyed,
        diagnostics,
        supply,
        claims,
        given_up: &claims.given_up(),
        missed_at: diagnostics.codes.missed_at(),
    };
    let mut outages = outage::find(&observed);
    let deviations = known.as_ref().map_or(Vec::new(), |known| {
        deviations::find(timing, &losses, &network, known, diagnostics)
    });
    let mut notices = notices::notices(&captures, summary, &losses, &network, settings);
    let of_roster = roster.zip(known.as_ref());
    notices.extend(of_another.map(Notice::RosterOfAnother));
    notices.extend(of_roster.map_or(Vec::new(), |(file, known)| notices::of_roster(file, known)));

    let order = Order::new(timing);
    let identifiers: Vec<Identifier> =
        order.sorted.iter().map(|at| identifier(*at, &observed, diagnostics)).collect();
    let mut nodes = network.nodes.clone();
    nodes.iter_mut().for_each(|node| order.renumber(&mut node.ids));
    outages.iter_mut().for_each(|outage| order.renumber(&mut outage.ids));

    let begin = timing.span.map(|(begin, _)| begin);
    let channels = channels(summary, &losses, settings, &destroyed, &order);
    let addresses = source_addresses(&nodes, &identifiers, &channels);
    let diagnosis =
        diagnosis::diagnosis(diagnostics, &nodes, &addresses, (&identifiers, &outages), begin);
    Analysis {
        captures,
        span: timing.span,
        signals: signals::of(&summary.signals, &channels),
        engine_ran: losses.running.iter().map(|ran| (ran.start, ran.end)).collect(),
        channels,
        lanes: lanes::lanes(&identifiers, &nodes, &outages, &|id, least| {
            timing.ids[order.sorted[id.0]].silences.at_least(least).collect()
        }),
        identifiers,
        nodes,
        outages,
        has_roster: roster.is_some(),
        deviations,
        diagnosis,
        marks: Vec::new(),
        // Drawn from the analysis itself, where they are asked for (`fault::find`).
        findings: None,
        notices,
        just_before: JustBefore::default(),
        drives: Vec::new(),
        kept_out: Vec::new(),
    }
}

/// From the order of appearance, by which ties are broken so far, to that of the report: by
/// channel, then as identifiers win arbitration.
struct Order {
    sorted: Vec<IdIndex>,
    /// By place of appearance.
    place: Vec<IdIndex>,
}

impl Order {
    fn new(timing: &Timing) -> Self {
        let mut sorted: Vec<IdIndex> = (0..timing.ids.len()).map(IdIndex).collect();
        sorted.sort_by_key(|at| (timing.ids[*at].key.channel, timing.ids[*at].key.id));
        let mut place = vec![IdIndex(0); sorted.len()];
        sorted.iter().enumerate().for_each(|(now, before)| place[*before] = IdIndex(now));
        Order { sorted, place }
    }

    /// The error frames of a channel, with what each destroyed.
    fn errors(
        &self,
        timing: &Timing,
        channel: ChannelIndex,
        destroyed: Option<&Vec<Option<IdIndex>>>,
    ) -> Vec<ErrorEvent> {
        let Some(errors) = timing.channels.get(usize::from(channel)).map(|own| &own.errors) else {
            return Vec::new();
        };
        let shown = |id: Option<IdIndex>| id.map(|id| self.place[id]);
        let alone = errors.alone();
        let plugging_in = errors.plugging_in(timing.begin());
        let behind = |error: &Reported| {
            let mut own = errors.behind(error).map(|id| timing.place(Key { channel, id }));
            std::array::from_fn(|_| own.next().and_then(shown))
        };
        let event = |(at, error): (usize, &Reported)| ErrorEvent {
            time: error.time,
            times: error.times,
            frame: error.frame,
            destroyed: destroyed.and_then(|own| shown(*own.get(at)?)),
            behind: behind(error),
            alone: alone[at],
            plugging_in: plugging_in[at],
        };
        errors.reported.iter().enumerate().map(event).collect()
    }

    fn renumber(&self, ids: &mut [IdIndex]) {
        ids.iter_mut().for_each(|id| *id = self.place[*id]);
        ids.sort_unstable();
    }
}

fn identifier(at: IdIndex, observed: &Observed<'_>, diagnostics: &Diagnostics) -> Identifier {
    let id = &observed.timing.ids[at];
    let expected = observed.losses.expected[at];
    let key = &observed.losses.channels[usize::from(id.key.channel)].key;
    Identifier {
        channel: id.key.channel,
        id: id.key.id,
        frames: id.frames,
        rhythm: expected.map(|expected| expected.rhythm),
        skew_ppm: observed.clocks.rates[at]
            .and_then(|rate| Some((clocks::skew(rate.period)? * 1e6, rate.error * 1e6))),
        counter: observed.clocks.counters[at].first().copied(),
        timeout: expected.map(|expected| expected.timeout),
        heard: id.heard,
        longest_silence: id.silences.longest().map(seconds),
        node: observed.network.node_of[at],
        pace: id.pace(),
        occasions: id.occasions(),
        rush: id.rush(),
        only_with_key: key.only_on.binary_search(&at).is_ok(),
        diagnostic: diagnostics.carries(id.key.channel, id.key.id),
        silent: observed.losses.of(at).iter().map(|loss| loss.silence).collect(),
        gaps: gaps(at, observed),
        skips: skips(at, observed),
    }
}

/// A frame of an identifier is missing where the next comes after so many periods: what is only
/// late comes before (common practice, no source).
const MISSING: f64 = 1.6;

fn gaps(at: IdIndex, observed: &Observed<'_>) -> Vec<Silence> {
    let id = &observed.timing.ids[at];
    let channels = &observed.timing.channels;
    let asked = channels[usize::from(id.key.channel)].error_frames > 0 || channels.len() > 1;
    let expected = observed.losses.expected[at].filter(|_| asked);
    let of = |expected: Expectation| {
        id.silences.at_least(nanoseconds(MISSING * expected.rhythm.period)).collect()
    };
    expected.map_or(Vec::new(), of)
}

fn skips(at: IdIndex, observed: &Observed<'_>) -> Vec<Silence> {
    let Some(expected) = observed.losses.expected[at] else { return Vec::new() };
    let least = nanoseconds(MISSING * expected.rhythm.period);
    let skips = observed.timing.ids[at].skips.iter().copied();
    skips.filter(|skip| skip.length() >= least).collect()
}

fn channels(
    summary: &Summary,
    losses: &Losses,
    settings: &Settings,
    destroyed: &Destroyed,
    order: &Order,
) -> Vec<Channel> {
    let speaks = crate::fold::j1939::of(&summary.timing);
    let channel = |(at, name): (usize, &String)| {
        let timing = summary.timing.channels.get(at).cloned().unwrap_or_default();
        let shown = losses.channels.get(at).cloned().unwrap_or_default();
        // Of a thinned channel, bits and their spacing mean nothing.
        let load = summary.load.channels.get(at).filter(|_| shown.thinned.is_none());
        Channel {
            name: name.clone(),
            j1939: speaks.get(at).copied().unwrap_or_default(),
            frames: timing.frames,
            error_frames: timing.error_frames,
            out_of_order: (timing.out_of_order, seconds(timing.largest_step_back)),
            bit_rate: load.map_or_else(
                || settings.bit_rate.map_or(BitRate::Unknown, BitRate::Given),
                |load| load.bit_rate(settings),
            ),
            load: load.and_then(|load| load.series(settings)),
            errors: order.errors(&summary.timing, at as ChannelIndex, destroyed.get(at)),
            tally: timing.errors.tally,
            awake: seconds(timing.awake),
            thinned: shown.thinned,
            key_off: shown.key.stretches,
            key: shown.roll.key,
            unproven: shown.roll.unproven,
        }
    };
    summary.channels.iter().enumerate().map(channel).collect()
}
