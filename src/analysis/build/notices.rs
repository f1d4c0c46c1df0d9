//! What limits the report.

use crate::analysis::notice::{Momentary, MomentaryLoss, Notice};
use crate::capture::{Capture, ChannelIndex};
use crate::fold::Summary;
use crate::fold::timing::{ChannelTiming, Nanoseconds, Timing, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::network::Network;
use crate::roster_file::{Known, RosterFile};
use crate::settings::Settings;
use crate::silence::{Loss, Losses};

/// Shorter than this, in seconds, slow identifiers show no period.
const SHORT: f64 = 10.0;

/// All of them, those about the reading first.
pub(super) fn notices(
    captures: &[Capture],
    summary: &Summary,
    losses: &Losses,
    network: &Network,
    settings: &Settings,
) -> Vec<Notice> {
    let timing = &summary.timing;
    let mut out: Vec<Notice> = captures.iter().enumerate().flat_map(of_capture).collect();
    for (at, channel) in timing.channels.iter().enumerate() {
        out.extend(of_channel(at as ChannelIndex, channel, timing.begin()));
        if summary.load.channels[at].exceeds(settings) {
            out.push(Notice::MoreThanBitRate { channel: at as ChannelIndex });
        }
    }
    out.extend(paused(losses));
    if timing.folded_frames > 0 {
        out.push(Notice::TooManyIdentifiers { frames: timing.folded_frames });
    }
    if !losses.incomplete.is_empty() {
        out.push(Notice::TooManySilences { identifiers: losses.incomplete.len() });
    }
    out.extend(momentary(timing, losses, settings).map(Notice::Momentary));
    // Who sends what is asked of what was lost.
    out.extend(senders_open(network).filter(|_| !losses.losses.is_empty()));
    if timing.span.is_some_and(|(start, end)| end - start < nanoseconds(SHORT)) {
        out.push(Notice::Short);
    }
    out
}

/// What the roster tells of that the capture cannot show, and what is wrong with it.
pub(super) fn of_roster(file: &RosterFile, known: &Known) -> Vec<Notice> {
    let names = known.absent_channels.clone();
    let absent = (!names.is_empty()).then_some(Notice::ChannelsMissing { names });
    let twice = file.twice.iter().cloned().map(Notice::TwiceInRoster);
    let moved = known.moved.iter().cloned();
    let moved = moved.map(|(roster, capture)| Notice::ChannelMoved { roster, capture });
    absent.into_iter().chain(moved).chain(twice).collect()
}

fn of_capture((at, capture): (usize, &Capture)) -> impl Iterator<Item = Notice> {
    let cut_short = capture.cut_short.is_some().then_some(Notice::CutShort { capture: at });
    let time = match (capture.no_clock, capture.span) {
        (Some(set_backs), _) => vec![Notice::NoClock { capture: at, set_backs }],
        (None, None) => vec![Notice::NoTimeStamps { capture: at }],
        (None, Some(_)) => {
            let mends = 0..capture.clock.len();
            mends.map(|mend| Notice::ClockMended { capture: at, mend }).collect()
        }
    };
    let xl = (capture.xl > 0).then_some(Notice::Xl { capture: at });
    // So many that it is no clock are told as that.
    let few = capture.strays > 0 && !capture.is_astray();
    let strays = few.then_some(Notice::StrayStamps { capture: at });
    let twice = (capture.copies > 0).then_some(Notice::LoggedTwice { capture: at });
    cut_short.into_iter().chain(xl).chain(twice).chain(time).chain(strays)
}

fn of_channel(
    at: ChannelIndex,
    channel: &ChannelTiming,
    begin: Nanoseconds,
) -> impl Iterator<Item = Notice> {
    let out_of_order = (channel.out_of_order > 0).then_some(Notice::OutOfOrder { channel: at });
    let errors = channel.errors.reported.iter();
    let count = errors.filter(|error| error.frame.is_receive_overflow()).count();
    let overflows = (count > 0).then_some(Notice::Overflows { channel: at, count });
    let early = channel.errors.plugging_in(begin).into_iter().filter(|early| *early).count();
    let plugged_in = (early > 0).then_some(Notice::PluggedIn { channel: at, count: early });
    out_of_order.into_iter().chain(overflows).chain(plugged_in)
}

fn paused(losses: &Losses) -> Option<Notice> {
    let of_all = losses.stops.iter().filter(|stop| stop.channel.is_none());
    let paused: f64 = of_all.map(|stop| seconds(stop.silence.length())).sum();
    (paused > 0.0).then_some(Notice::Paused { seconds: paused })
}

fn senders_open(network: &Network) -> Option<Notice> {
    let mut needed: Vec<f64> = network.undecided.iter().map(|(_, seconds)| *seconds).collect();
    needed.sort_by(f64::total_cmp);
    let median = *needed.get(needed.len() / 2)?;
    Some(Notice::SendersOpen { identifiers: needed.len(), needed: median })
}

fn momentary(timing: &Timing, losses: &Losses, settings: &Settings) -> Option<Momentary> {
    let mut ids: Vec<IdIndex> = losses.momentary.iter().map(|loss| loss.id).collect();
    ids.sort_unstable();
    ids.dedup();
    let Loss { id, silence, .. } =
        losses.momentary.iter().max_by_key(|loss| loss.silence.length())?;
    Some(Momentary {
        losses: losses.momentary.len(),
        identifiers: ids.len(),
        longest: MomentaryLoss {
            id: timing.ids[*id].key.id,
            start: timing.span.map_or(0.0, |(begin, _)| seconds(silence.start - begin)),
            duration: seconds(silence.length()),
        },
        within: settings.shortest_outage,
    })
}
