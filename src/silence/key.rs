//! Stretches of a capture in which most of a channel is silent while a part speaks on, as with the
//! key off, and what only speaks outside of them. A roster learns from it what to expect when.

use crate::capture::ChannelIndex;
use crate::fold::timing::{IdTiming, Nanoseconds, Silence, Timing, nanoseconds};
use crate::ids::IdIndex;

/// When the key was off, as far as a channel shows it.
#[derive(Clone, Debug, Default)]
pub struct KeyOff {
    /// In order of time.
    pub stretches: Vec<Silence>,
    /// What was never heard within them, ascending.
    pub only_on: Vec<IdIndex>,
}

/// A stretch shorter than this, in seconds, may be a pause of a few senders.
const SHORTEST: f64 = 1.5;
/// Identifiers that come or go within this many seconds of the edges of a stretch tell nothing:
/// some senders take that long to stop or to start.
const EDGE: f64 = 0.5;
/// The key is off where no more than this share of the most identifiers speaks.
const FEW: f64 = 0.6;
/// An identifier with fewer frames may have been silent by chance.
const FEWEST_FRAMES: u64 = 3;
/// An identifier is not called silent before so many seconds have passed without it.
const SILENT: f64 = 0.5;
/// An identifier is not called silent before so many of its usual gaps have passed without it.
const GAPS: f64 = 3.0;

/// Looks for them on one channel.
pub(super) fn find(timing: &Timing, channel: ChannelIndex) -> KeyOff {
    let own: Vec<(IdIndex, &IdTiming)> = timing
        .ids
        .iter()
        .enumerate()
        .map(|(at, id)| (IdIndex(at), id))
        .filter(|(_, id)| id.key.channel == channel && id.frames >= FEWEST_FRAMES)
        .collect();
    let Some((begin, end)) = timing.channels[usize::from(channel)].heard else {
        return KeyOff::default();
    };
    let mut changes: Vec<(Nanoseconds, i32)> = Vec::new();
    for (_, id) in &own {
        // A sender is there for a gap before its first frame and after its last.
        let gap = nanoseconds(usual_gap(id));
        for Silence { start, end: stop } in presences(id) {
            changes.extend([
                (start.saturating_sub(gap).max(begin), 1),
                (stop.saturating_add(gap).min(end), -1),
            ]);
        }
    }
    changes.sort_unstable_by_key(|(time, change)| (*time, -change));
    let stretches = quiet_stretches(&changes);
    let edge = nanoseconds(EDGE);
    let within = |presence: &Silence| {
        stretches.iter().any(|off| {
            presence.end > off.start.saturating_add(edge) && presence.start < off.end - edge
        })
    };
    let only_on = own.iter().filter(|(_, id)| !presences(id).iter().any(within));
    let only_on = match stretches.is_empty() {
        true => Vec::new(),
        false => only_on.map(|(at, _)| *at).collect(),
    };
    KeyOff { stretches, only_on }
}

/// From steps in the number of identifiers that speak, in order of time.
fn quiet_stretches(changes: &[(Nanoseconds, i32)]) -> Vec<Silence> {
    let count = |speaking: &mut i32, change: &(Nanoseconds, i32)| {
        *speaking += change.1;
        Some((change.0, *speaking))
    };
    let steps: Vec<(Nanoseconds, i32)> = changes.iter().scan(0, count).collect();
    let most = steps.iter().map(|(_, speaking)| *speaking).max().unwrap_or(0);
    let few = |speaking: i32| speaking > 0 && f64::from(speaking) <= FEW * f64::from(most);
    let mut out: Vec<Silence> = Vec::new();
    for pair in steps.windows(2).filter(|pair| few(pair[0].1)) {
        let (start, end) = (pair[0].0, pair[1].0);
        match out.last_mut() {
            Some(last) if last.end == start => last.end = end,
            _ => out.push(Silence { start, end }),
        }
    }
    out.retain(|stretch| stretch.length() >= nanoseconds(SHORTEST));
    out
}

fn usual_gap(id: &IdTiming) -> f64 {
    id.gaps.quantile(0.5).unwrap_or(0.0)
}

/// The times in which an identifier spoke, in order.
pub(super) fn presences(id: &IdTiming) -> Vec<Silence> {
    let Some((first, last)) = id.heard else { return Vec::new() };
    let silent = nanoseconds((GAPS * usual_gap(id)).max(SILENT));
    let mut out = Vec::new();
    let mut start = first;
    for silence in id.silences.at_least(silent) {
        out.push(Silence { start, end: silence.start });
        start = silence.end;
    }
    out.push(Silence { start, end: last });
    out
}
