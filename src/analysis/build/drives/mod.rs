//! Several drives of one vehicle, joined: who sends what over all of them, what was lost in any,
//! and what modules told in the order of time.

mod absent;
mod diagnosis;
mod network;

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use self::network::Places;
use crate::analysis::drives::Drive;
use crate::analysis::names::source_addresses;
use crate::analysis::{
    Analysis, BitRate, Channel, Deviation, ErrorEvent, Identifier, J1939, KeyState, Nanoseconds,
    Outage, Scope, Series, Silence,
};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Rush, Tally, nanoseconds};
use crate::ids::IdIndex;

/// Seconds between two drives on the time line of all, at least. Nothing that is told by its
/// nearness in time looks so far.
const APART: f64 = 60.0;

/// One answer over several drives of one vehicle, which are in order of time.
pub fn join(drives: Vec<Analysis>) -> Analysis {
    let names = channel_names(&drives);
    let mut drives = on_one_line(drives, &names);
    absent::note(&mut drives);
    let trusted = by_length(&drives);
    let (keys, ids) = identifiers(&drives);
    let places = Places::of(&drives, &trusted, &ids, &keys);
    let mut identifiers: Vec<Identifier> = keys.iter().map(|own| whole(&drives, own)).collect();
    for (at, identifier) in identifiers.iter_mut().enumerate() {
        identifier.node = places.node_of.get(&IdIndex(at)).copied();
    }
    // A node has one name in all of them.
    for (at, drive) in drives.iter_mut().enumerate() {
        for (place, node) in drive.analysis.nodes.iter_mut().enumerate() {
            node.name.clone_from(&places.nodes[places.of_nodes[at][place]].name);
        }
    }
    let (outages, moved) = outages(&drives, &places);
    let channels = channels(names, &drives, &trusted, &places);
    let addresses = source_addresses(&places.nodes, &identifiers, &channels);
    let diagnosis =
        diagnosis::join(&drives, (&places.nodes, &addresses), (&identifiers, &outages), &moved);
    let begin = drives.iter().filter_map(|drive| drive.span).map(|(begin, _)| begin).min();
    let end = drives.iter().filter_map(|drive| drive.span).map(|(_, end)| end).max();
    Analysis {
        captures: drives.iter().flat_map(|drive| drive.analysis.captures.clone()).collect(),
        span: begin.zip(end),
        channels,
        identifiers,
        nodes: places.nodes,
        outages,
        deviations: deviations(&drives),
        diagnosis,
        has_roster: drives.iter().any(|drive| drive.analysis.has_roster),
        drives,
        ..Analysis::default()
    }
}

/// Names of the channels of all drives, in order of appearance.
fn channel_names(drives: &[Analysis]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for channel in drives.iter().flat_map(|drive| &drive.channels) {
        if !names.contains(&channel.name) {
            names.push(channel.name.clone());
        }
    }
    names
}

fn on_one_line(drives: Vec<Analysis>, names: &[String]) -> Vec<Drive> {
    let (mut files, mut free) = (0, Nanoseconds::MIN);
    let place = |analysis: Analysis| {
        let shift = analysis.span.map_or(0, |(begin, _)| free.saturating_sub(begin).max(0));
        let line = |time: Nanoseconds| time.saturating_add(shift);
        let span = analysis.span.map(|(begin, end)| (line(begin), line(end)));
        free = span.map_or(free, |(_, end)| end.saturating_add(nanoseconds(APART)));
        let captures = files..files + analysis.captures.len();
        files = captures.end;
        let own = |name: &String| names.iter().position(|known| known == name).unwrap_or(0);
        let channels =
            analysis.channels.iter().map(|channel| own(&channel.name) as ChannelIndex).collect();
        Drive { captures, shift, span, channels, analysis }
    };
    drives.into_iter().map(place).collect()
}

/// Places of the drives, the longest first: clocks show best there, and most of what is sent was.
fn by_length(drives: &[Drive]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..drives.len()).collect();
    let length = |at: usize| drives[at].analysis.length();
    order.sort_by(|a, b| length(*b).total_cmp(&length(*a)));
    order
}

/// An identifier in the drives that heard it: the drive, and its place there; the longest first.
type Heard = Vec<(usize, IdIndex)>;

/// All identifiers in the order of a report, and the place of each drive's own among them.
fn identifiers(drives: &[Drive]) -> (Vec<Heard>, Vec<Vec<IdIndex>>) {
    let mut all: BTreeMap<(ChannelIndex, Id), Heard> = BTreeMap::new();
    for at in by_length(drives) {
        for (place, own) in drives[at].analysis.identifiers.iter().enumerate() {
            let channel = drives[at].channels[usize::from(own.channel)];
            all.entry((channel, own.id)).or_default().push((at, IdIndex(place)));
        }
    }
    let mut places: Vec<Vec<IdIndex>> =
        drives.iter().map(|drive| vec![IdIndex(0); drive.analysis.identifiers.len()]).collect();
    let heard: Vec<Heard> = all.into_values().collect();
    for (at, own) in heard.iter().enumerate() {
        own.iter().for_each(|(drive, place)| places[*drive][place.0] = IdIndex(at));
    }
    (heard, places)
}

/// An identifier over all drives: as the longest that shows its rhythm has it.
fn whole(drives: &[Drive], heard: &Heard) -> Identifier {
    let own = || heard.iter().map(|(at, place)| (*at, &drives[*at].analysis.identifiers[*place]));
    let model = own().find(|(_, id)| id.rhythm.is_some()).or_else(|| own().next());
    let (at, model) = model.expect("an identifier was heard in some drive");
    let spans = own().filter_map(|(at, id)| {
        let (first, last) = id.heard?;
        Some((drives[at].on_line(first), drives[at].on_line(last)))
    });
    let joined = |of: fn(&Identifier) -> &Vec<Silence>| {
        let all = own()
            .flat_map(|(at, id)| of(id).iter().map(move |own| drives[at].silence_on_line(own)));
        let mut all: Vec<Silence> = all.collect();
        all.sort_unstable();
        all
    };
    Identifier {
        silent: joined(|id| &id.silent),
        gaps: joined(|id| &id.gaps),
        skips: joined(|id| &id.skips),
        channel: drives[at].channels[usize::from(model.channel)],
        frames: own().map(|(_, id)| id.frames).sum(),
        occasions: own().map(|(_, id)| id.occasions).sum(),
        rush: own()
            .filter_map(|(at, id)| Some(id.rush?.moved(|time| drives[at].on_line(time))))
            .reduce(Rush::joined),
        heard: spans.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))),
        longest_silence: own().filter_map(|(_, id)| id.longest_silence).reduce(f64::max),
        only_with_key: own().any(|(_, id)| id.only_with_key),
        diagnostic: own().any(|(_, id)| id.diagnostic),
        ..model.clone()
    }
}

/// The outages of all drives in order of time, and where those of each drive are among them.
fn outages(drives: &[Drive], places: &Places) -> (Vec<Outage>, Vec<Vec<usize>>) {
    let mut all: Vec<(usize, usize, Outage)> = Vec::new();
    for (at, drive) in drives.iter().enumerate() {
        for (place, outage) in drive.analysis.outages.iter().enumerate() {
            all.push((at, place, places.outage(at, drive, outage)));
        }
    }
    all.sort_by_key(|(.., outage)| (outage.silence(), outage.channel));
    let mut moved: Vec<Vec<usize>> =
        drives.iter().map(|drive| vec![0; drive.analysis.outages.len()]).collect();
    for (now, (at, place, _)) in all.iter().enumerate() {
        moved[*at][*place] = now;
    }
    (all.into_iter().map(|(.., outage)| outage).collect(), moved)
}

fn channels(
    names: Vec<String>,
    drives: &[Drive],
    trusted: &[usize],
    places: &Places,
) -> Vec<Channel> {
    let channel = |(at, name): (usize, String)| {
        let parts: Vec<(usize, &Channel)> = trusted
            .iter()
            .flat_map(|drive| {
                let own = drives[*drive].channels.iter().zip(&drives[*drive].analysis.channels);
                own.filter(|(place, _)| usize::from(**place) == at).map(|(_, own)| (*drive, own))
            })
            .collect();
        Channel { name, ..over_all(drives, &parts, places) }
    };
    names.into_iter().enumerate().map(channel).collect()
}

/// A channel over all drives that have it, the longest first.
fn over_all(drives: &[Drive], parts: &[(usize, &Channel)], places: &Places) -> Channel {
    let own = || parts.iter().map(|(_, channel)| *channel);
    let in_order = || {
        let mut parts = parts.to_vec();
        parts.sort_by_key(|(drive, _)| *drive);
        parts
    };
    let error = |(drive, event): (usize, &ErrorEvent)| ErrorEvent {
        time: drives[drive].on_line(event.time),
        destroyed: event.destroyed.map(|id| places.ids[drive][id.0]),
        behind: event.behind.map(|id| id.map(|id| places.ids[drive][id.0])),
        ..*event
    };
    let errors =
        in_order().into_iter().flat_map(|(at, own)| own.errors.iter().map(move |e| (at, e)));
    let key_off = in_order()
        .into_iter()
        .flat_map(|(at, own)| own.key_off.iter().map(move |off| drives[at].silence_on_line(off)));
    let known = |rate: &BitRate| !matches!(rate, BitRate::Unknown);
    Channel {
        name: String::new(),
        j1939: match own().any(|channel| channel.j1939 == J1939::Yes) {
            true => J1939::Yes,
            false => own().map(|channel| channel.j1939).next().unwrap_or_default(),
        },
        frames: own().map(|channel| channel.frames).sum(),
        error_frames: own().map(|channel| channel.error_frames).sum(),
        out_of_order: own()
            .map(|channel| channel.out_of_order)
            .fold((0, 0.0), |all, one| (all.0 + one.0, f64::max(all.1, one.1))),
        bit_rate: own().map(|channel| channel.bit_rate).find(known).unwrap_or(BitRate::Unknown),
        load: load(in_order().into_iter().map(|(_, channel)| channel)),
        errors: errors.map(error).collect(),
        tally: own().map(|channel| channel.tally).fold(Tally::default(), Tally::joined),
        awake: own().map(|channel| channel.awake).sum(),
        thinned: own().find_map(|channel| channel.thinned),
        key_off: key_off.collect(),
        key: own()
            .map(|own| own.key)
            .find(|key| *key == KeyState::On)
            .unwrap_or_else(|| own().map(|own| own.key).next().unwrap_or_default()),
        unproven: own().map(|channel| channel.unproven).max().unwrap_or(0),
    }
}

/// The bins of all drives, one drive behind the other: for its mean and its peak. When a bin was,
/// only the drive itself tells.
fn load<'a>(channels: impl Iterator<Item = &'a Channel>) -> Option<Series> {
    let series = channels.filter_map(|channel| channel.load.clone());
    series.reduce(|mut all, own| {
        all.load.extend(own.load);
        all
    })
}

/// What is not as the roster says, of each identifier once.
fn deviations(drives: &[Drive]) -> Vec<Deviation> {
    let mut out: Vec<Deviation> = Vec::new();
    for drive in drives {
        for own in &drive.analysis.deviations {
            let own = Deviation { channel: drive.channels[usize::from(own.channel)], ..*own };
            let same = |known: &Deviation| {
                (known.channel, known.id) == (own.channel, own.id)
                    && std::mem::discriminant(&known.kind) == std::mem::discriminant(&own.kind)
            };
            if !out.iter().any(same) {
                out.push(own);
            }
        }
    }
    out
}

/// Whether an outage is one of whole nodes.
fn is_whole(outage: &Outage) -> bool {
    matches!(outage.scope, Scope::Node | Scope::Branch)
}
