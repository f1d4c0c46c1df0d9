//! What is known of each channel as a whole, before single silences mean anything.

use super::key::{self, KeyOff};
use super::occasional::Occasional;
use super::roll::{Call, Roll};
use super::thinned::{self, Thinned};
use super::twins::Twins;
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::Timing;
use crate::roster_file::Known;

/// By channel.
pub(super) fn all(
    timing: &Timing,
    diagnostics: &Diagnostics,
    sent: (&Occasional, &Twins<'_>),
    known: Option<&Known>,
) -> Vec<ChannelLosses> {
    (0..timing.channels.len())
        .map(|at| of_channel(timing, diagnostics, sent, known, at as ChannelIndex))
        .collect()
}

/// What a channel shows besides single silences.
#[derive(Clone, Debug, Default)]
pub struct ChannelLosses {
    /// Set where the logger left out frames: then nothing is expected of any identifier.
    pub thinned: Option<Thinned>,
    /// When the key was off.
    pub key: KeyOff,
    /// What became of the roster's identifiers; empty without a roster.
    pub roll: Roll,
}

fn of_channel(
    timing: &Timing,
    diagnostics: &Diagnostics,
    (occasional, twins): (&Occasional, &Twins<'_>),
    known: Option<&Known>,
    at: ChannelIndex,
) -> ChannelLosses {
    let key = key::find(timing, at);
    let sent = (diagnostics, occasional, twins);
    let call = known.map(|known| Call::new(timing, sent, known, at, &key));
    let kept = call.as_ref().and_then(Call::kept);
    let thinned = thinned::judge(timing, diagnostics, at, kept);
    let roll = call.map_or_else(Roll::default, |call| call.roll(thinned.as_ref()));
    ChannelLosses { thinned, key, roll }
}
