//! Which identifiers were silent while a module was unplugged, and at no other time.

use lostnode_parsers::Id;

use super::spans::BY_HAND;
use super::{Case, NamingRemark};
use crate::analysis::{Cause, Identifier, Scope, Silence};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::outage::STARTS_WITHIN;
use crate::silence::{covered, merged};

/// Identifiers named of those that were silent in a part of a span.
const NEAR: usize = 8;

impl Case<'_> {
    /// Identifiers that were silent in each of these spans as long as these last.
    pub(super) fn silent_in(&self, spans: &[(f64, f64)]) -> Vec<IdIndex> {
        let all = (0..self.analysis.identifiers.len()).map(IdIndex);
        all.filter(|at| spans.iter().all(|span| self.fit(*at, *span).is_some())).collect()
    }

    /// The silence of an identifier that is the one of a span. It lasts from two seconds after the
    /// stated beginning to two before the stated end at least, for so far are times by hand off;
    /// and it begins and ends near these, but for what else kept the bus quiet: the ignition is off
    /// while a plug is pulled.
    fn fit(&self, at: IdIndex, span: (f64, f64)) -> Option<Silence> {
        let id = &self.analysis.identifiers[at];
        let (from, to) = self.times(span);
        let hand = nanoseconds(BY_HAND);
        let slack = hand + nanoseconds(2.0 * period(id));
        let fits = |silence: &&Silence| {
            let before = Silence { start: silence.start, end: from.max(silence.start) };
            let after = Silence { start: to.min(silence.end), end: silence.end };
            silence.start <= from + hand
                && silence.end >= to - hand
                && self.live(at, before) <= slack
                && self.live(at, after) <= slack + nanoseconds(STARTS_WITHIN)
        };
        id.silent.iter().find(fits).copied()
    }

    /// Whether other identifiers show that the stated times are wrong: those that come often were
    /// silent for longer than that, in the very silence of those that seem to fit, which come so
    /// seldom that they cannot tell.
    pub(super) fn is_belied(&self, fitting: &[IdIndex], spans: &[(f64, f64)]) -> bool {
        let own = |at: IdIndex| period(&self.analysis.identifiers[at]);
        spans.iter().any(|span| {
            let fits: Vec<(Silence, f64)> =
                fitting.iter().filter_map(|at| Some((self.fit(*at, *span)?, own(*at)))).collect();
            let (from, to) = self.times(*span);
            let all = (0..self.analysis.identifiers.len()).map(IdIndex);
            all.filter(|at| !fitting.contains(at)).any(|at| {
                let same = |silence: &&Silence| {
                    silence.start <= from
                        && silence.end >= to
                        && fits.iter().all(|(fit, period)| {
                            let slack = nanoseconds(period + BY_HAND);
                            own(at) < *period
                                && (fit.start - silence.start).abs() <= slack
                                && (fit.end - silence.end).abs() <= slack
                        })
                };
                self.analysis.identifiers[at].silent.iter().any(|silence| same(&silence))
            })
        })
    }

    /// A span as times of the capture.
    pub(super) fn times(&self, (from, to): (f64, f64)) -> (Nanoseconds, Nanoseconds) {
        let (begin, end) = self.analysis.span.unwrap_or((0, 0));
        (begin + nanoseconds(from), (begin + nanoseconds(to)).min(end))
    }

    /// How much of a time an identifier would have spoken in: not while its channel or the
    /// recording stood still, nor while the key was off.
    fn live(&self, at: IdIndex, silence: Silence) -> Nanoseconds {
        let channel = self.analysis.identifiers[at].channel;
        silence.length().max(0) - covered(&self.excused(channel, Some(at)), silence)
    }

    /// Times in which nothing is to be expected on a channel, in order and without overlap. What an
    /// identifier did itself excuses it from nothing.
    pub(super) fn excused(&self, channel: ChannelIndex, at: Option<IdIndex>) -> Vec<Silence> {
        let quiet = self.analysis.outages.iter().filter(|outage| {
            let here = outage.channel.is_none_or(|own| own == channel);
            let off =
                outage.cause == Cause::SwitchedOff && at.is_none_or(|at| !outage.ids.contains(&at));
            here && (outage.scope >= Scope::Bus || off)
        });
        let key_off = self.analysis.channel(channel).key_off.iter().copied();
        merged(quiet.map(|outage| outage.silence()).chain(key_off).collect())
    }

    /// When these identifiers were silent beside these spans, in seconds from the first frame.
    pub(super) fn silent_elsewhere(
        &self,
        ids: &[IdIndex],
        spans: &[(f64, f64)],
    ) -> Vec<(f64, f64)> {
        let mut out: Vec<Silence> = Vec::new();
        for at in ids {
            let id = &self.analysis.identifiers[*at];
            let own: Vec<Silence> = spans.iter().filter_map(|span| self.fit(*at, *span)).collect();
            let timeout = nanoseconds(id.timeout.unwrap_or(0.0));
            let other =
                |silence: &&Silence| !own.contains(silence) && self.live(*at, **silence) > timeout;
            for silence in id.silent.iter().filter(other) {
                if !out.iter().any(|known| known.overlap(silence) > 0) {
                    out.push(*silence);
                }
            }
        }
        out.sort_unstable();
        out.iter().map(|silence| self.since_begin(silence)).collect()
    }

    /// Whether an identifier surely spoke while the module was unplugged.
    pub(super) fn went_on(&self, at: IdIndex, spans: &[(f64, f64)]) -> bool {
        let id = &self.analysis.identifiers[at];
        spans.iter().any(|span| {
            let (from, to) = self.times(*span);
            let surely = seconds(to - from) - 2.0 * BY_HAND;
            let heard = id.heard.is_some_and(|(first, last)| {
                first < to - nanoseconds(BY_HAND) && last > from + nanoseconds(BY_HAND)
            });
            // It had the chance to be silent for as long as that only where it once was.
            heard
                && self.fit(at, *span).is_none()
                && id.longest_silence.is_none_or(|longest| longest < surely)
        })
    }

    /// These identifiers, and those of the same clock or node that come too seldom to be judged and
    /// were not heard.
    pub(super) fn with_slow_ones(&self, fitting: &[IdIndex], spans: &[(f64, f64)]) -> Vec<IdIndex> {
        let clocks: Vec<_> = fitting.iter().filter_map(|at| self.clock(*at)).collect();
        let called =
            |at: IdIndex| self.roster_node(at).is_some_and(|node| !self.roster.nodes[node].guessed);
        let slow = |at: &IdIndex| {
            let id = &self.analysis.identifiers[*at];
            !fitting.contains(at)
                && !id.diagnostic
                && !called(*at)
                && self.clock(*at).is_some_and(|clock| clocks.contains(&clock))
                && !self.went_on(*at, spans)
        };
        let all = (0..self.analysis.identifiers.len()).map(IdIndex);
        let mut out: Vec<IdIndex> = fitting.iter().copied().chain(all.filter(slow)).collect();
        out.sort_unstable();
        out
    }

    /// Identifiers that nobody is known to send and that have longer time-outs than these spans.
    pub(super) fn too_seldom(&self, spans: &[(f64, f64)]) -> Option<NamingRemark> {
        let longest = spans.iter().map(|(from, to)| to - from).fold(0.0, f64::max);
        let all = (0..self.analysis.identifiers.len()).map(IdIndex);
        let open = all.filter(|at| self.roster_node(*at).is_none() && self.clock(*at).is_none());
        let timeouts = open.filter_map(|at| self.analysis.identifiers[at].timeout);
        let slow: Vec<f64> =
            timeouts.filter(|timeout| *timeout > longest - 2.0 * BY_HAND).collect();
        let needed = slow.iter().copied().fold(0.0, f64::max) + 2.0 * BY_HAND;
        (!slow.is_empty()).then_some(NamingRemark::TooSeldom { count: slow.len(), needed })
    }

    /// What was silent in a part of these spans, and when, in seconds from the first frame.
    pub(super) fn near(&self, spans: &[(f64, f64)]) -> Vec<(Id, f64, f64)> {
        let lead = 5 * nanoseconds(BY_HAND);
        let within = |silence: &Silence| {
            spans.iter().any(|span| {
                let (from, to) = self.times(*span);
                silence.start < to
                    && silence.end > from - lead / 2
                    && silence.start > from - 4 * lead
            })
        };
        let mut near = Vec::new();
        for (at, id) in self.analysis.identifiers.iter().enumerate() {
            let timeout = nanoseconds(id.timeout.unwrap_or(0.0));
            let own = id
                .silent
                .iter()
                .filter(|silence| within(silence) && self.live(IdIndex(at), **silence) > timeout);
            let longest = own.max_by_key(|silence| silence.length());
            near.extend(longest.map(|silence| {
                let (from, to) = self.since_begin(silence);
                (id.id, from, to)
            }));
        }
        near.truncate(NEAR);
        near
    }

    /// Whether a silence lies in a span, as far as times by hand tell, or is that of a module that
    /// starts at its end.
    pub(super) fn holds(&self, silence: &Silence, span: (f64, f64)) -> bool {
        let (from, to) = self.times(span);
        let hand = nanoseconds(BY_HAND);
        silence.start >= from - hand && silence.end <= to + hand + nanoseconds(STARTS_WITHIN)
    }

    /// Whether a whole channel or the recording stood still in these spans.
    pub(super) fn stopped(&self, spans: &[(f64, f64)]) -> bool {
        self.analysis.outages.iter().any(|outage| {
            outage.scope >= Scope::Bus
                && spans.iter().any(|span| {
                    let (start, end) = self.times(*span);
                    outage.silence().overlap(&Silence { start, end }) > 0
                })
        })
    }
}

/// Seconds between frames of an identifier.
fn period(id: &Identifier) -> f64 {
    id.rhythm.as_ref().map(|rhythm| rhythm.period).or(id.pace).unwrap_or(0.0)
}
