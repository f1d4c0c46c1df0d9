//! Errors that come while one message is silent, and hardly else.
//!
//! A bad contact fails in bursts: while it does, its module gets nothing through, and what it tries
//! to send, or destroys of what others send, is an error. So the errors lie inside the silences of
//! its messages, however long these are, and whether or not they are told as losses. A main line
//! that fails now and then takes its weakest module along, but then everybody is heard behind the
//! errors.

use crate::analysis::{Analysis, ErrorEvent, Scope};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::IdIndex;

/// So many errors show it.
const SHOW: usize = 20;
/// Seconds around a silence that belong to it.
const AROUND: f64 = 0.3;
/// So large a share of the errors lies in its silences …
const SHARE: f64 = 0.8;
/// … and they are so many times as dense there as over the whole recording: of 18 terminations of
/// invented vehicles none has such a message, of 13 bad contacts that were taken for the main line
/// 8 have (a set of a world by others).
const DENSE: f64 = 3.0;

/// A message in whose silences the errors of a channel lie.
#[derive(Clone, Copy)]
pub struct Within {
    /// Which.
    pub id: IdIndex,
    /// Errors in its silences.
    pub times: usize,
    /// … of so many.
    pub of: usize,
    /// The share of the recording that these silences take, 0 to 1.
    pub share: f64,
}

impl Within {
    /// Of these errors of a channel; `None` where they are few, or of no one message.
    pub fn of<'a>(
        analysis: &Analysis,
        channel: ChannelIndex,
        errors: impl Iterator<Item = &'a ErrorEvent>,
    ) -> Option<Within> {
        let times: Vec<Nanoseconds> = errors.map(|event| event.time).collect();
        if times.len() < SHOW {
            return None;
        }
        let stop = |own: &Silence| {
            analysis
                .outages
                .iter()
                .any(|outage| outage.scope >= Scope::Bus && outage.silence().overlap(own) > 0)
        };
        let here = |id: &IdIndex| analysis.identifiers[*id].channel == channel;
        let of_id = |id: IdIndex| {
            let own = analysis.identifiers[id].silent.iter().copied();
            let own: Vec<Silence> = own.filter(|own| !stop(own)).collect();
            let inside = times.iter().filter(|time| hold(&own, **time)).count();
            let silent: f64 = own.iter().map(|own| seconds(own.length()) + 2.0 * AROUND).sum();
            let within = Within {
                id,
                times: inside,
                of: times.len(),
                share: silent / analysis.length().max(1.0),
            };
            within.stands_out().then_some(within)
        };
        let all = (0..analysis.identifiers.len()).map(IdIndex).filter(here).filter_map(of_id);
        all.max_by(|a, b| (a.times, b.share).partial_cmp(&(b.times, a.share)).expect("numbers"))
    }

    fn stands_out(&self) -> bool {
        let errors = self.times as f64 / self.of as f64;
        errors >= SHARE && errors >= DENSE * self.share
    }

    /// Whether a time lies in its silences.
    pub fn holds(&self, analysis: &Analysis, time: Nanoseconds) -> bool {
        hold(&analysis.identifiers[self.id].silent, time)
    }
}

/// Whether a time lies in one of these silences, which are in order of time.
fn hold(silences: &[Silence], time: Nanoseconds) -> bool {
    let around = nanoseconds(AROUND);
    let from = silences.partition_point(|own| own.end.saturating_add(around) < time);
    silences.get(from).is_some_and(|own| own.start - around <= time)
}
