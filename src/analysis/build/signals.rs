//! Signals for the reader: of each one the sender that tells it most often.

use std::collections::BTreeMap;

use lostnode_parsers::j1939::SIGNALS;

use crate::analysis::signals::{Bin, SignalTrack};
use crate::analysis::{Channel, J1939};
use crate::capture::ChannelIndex;
use crate::fold::signals::{Signals, Track};
use crate::fold::timing::seconds;

/// Draws them, by channel and in the order of the table of signals.
pub(super) fn of(signals: &Signals, channels: &[Channel]) -> Vec<SignalTrack> {
    let place = |spn: u32| SIGNALS.iter().position(|signal| signal.spn == spn);
    let mut best: BTreeMap<(ChannelIndex, Option<usize>), (u8, &Track)> = BTreeMap::new();
    // While a recording runs, what is no SAE J1939 is not sorted out yet.
    let speaks = |channel: ChannelIndex| {
        channels.get(usize::from(channel)).is_some_and(|own| own.j1939 == J1939::Yes)
    };
    for (channel, address, signal, track) in signals.all().filter(|own| speaks(own.0)) {
        let own = best.entry((channel, place(signal.spn))).or_insert((address, track));
        if track.count > own.1.count {
            *own = (address, track);
        }
    }
    best.into_iter()
        .filter_map(|((channel, place), (address, track))| {
            let ends = |own: (f64, f64), bin: &Bin| (own.0.min(bin.low), own.1.max(bin.high));
            Some(SignalTrack {
                signal: &SIGNALS[place?],
                channel,
                address,
                bins: track.bins.clone(),
                bin: seconds(track.width),
                range: track.bins.iter().fold((f64::INFINITY, f64::NEG_INFINITY), ends),
            })
        })
        .collect()
}
