//! Which module did not answer the tester while one was unplugged, and what codes of others called
//! it then.

use super::spans::BY_HAND;
use super::{Case, Named, NamingRemark, Unplugging};
use crate::analysis::Silence;
use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::{CodeEntry, CodeNumber, Module, Mute, TalkEntry};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Talk;
use crate::fold::timing::nanoseconds;
use crate::ids::RosterIndex;
use crate::outage::STARTS_WITHIN;
use crate::silence::covered;

impl Case<'_> {
    /// Modules that were asked in each of these spans and did not answer, and answered before or
    /// after.
    pub(super) fn mute_in(&self, spans: &[(f64, f64)]) -> Vec<Module> {
        let talks = self.analysis.diagnosis.talks.iter();
        let mute = |talk: &&TalkEntry| {
            spans.iter().all(|span| {
                talk.mute.iter().any(|mute| self.is_of_span(talk.module.channel, mute, *span))
            })
        };
        talks.filter(mute).map(|talk| talk.module).collect()
    }

    /// Whether a time without answer is the one of a span: as with what identifiers miss, times
    /// are by hand, and a module that starts does not answer yet.
    fn is_of_span(&self, channel: ChannelIndex, mute: &Mute, span: (f64, f64)) -> bool {
        let (from, to) = self.times(span);
        let hand = nanoseconds(BY_HAND);
        let asked = (mute.asked.0.nanoseconds(), mute.asked.1.nanoseconds());
        let quiet = self.excused(channel, None);
        let live = |start, end| {
            let time = Silence { start, end };
            time.length().max(0) - covered(&quiet, time)
        };
        let answered = (mute.since.map(|time| time.nanoseconds()), mute.until);
        let until = answered.1.map(|time| time.nanoseconds());
        (answered.0.is_some() || until.is_some())
            && asked.0 <= to
            && asked.1 >= from
            && live(asked.0.min(from), from) <= hand
            && live(to, asked.1.max(to)) <= hand + nanoseconds(STARTS_WITHIN)
            && answered.0.is_none_or(|since| since <= from + hand)
            && until.is_none_or(|until| until >= to - hand)
    }

    /// Joins the node with the one module that did not answer then.
    pub(super) fn join_answers(
        &self,
        named: &mut Named,
        node: Option<RosterIndex>,
        spans: &[(f64, f64)],
        home: ChannelIndex,
    ) {
        let module = match self.mute_in(spans)[..] {
            [module] => module,
            [] => {
                let known = node.is_some_and(|node| !self.roster.nodes[node].answers.is_empty());
                if !known {
                    named.remarks.push(NamingRemark::NobodyMute);
                }
                return;
            }
            ref several => {
                return named.remarks.push(NamingRemark::SeveralMute(several.to_vec()));
            }
        };
        if spans.len() == 1 && self.is_mute_elsewhere(module, spans) {
            return named.remarks.push(NamingRemark::MuteElsewhere(module));
        }
        let other = self.known.nodes.iter().find(|known| known.answers.contains(&module));
        match other {
            Some(known) if Some(known.node) != node => {
                let name = self.roster.nodes[known.node].name.clone();
                named.remarks.push(NamingRemark::AnswersAsOther(module, name));
            }
            _ => named.edit.answers.push(self.answering(module, home)),
        }
    }

    fn is_mute_elsewhere(&self, module: Module, spans: &[(f64, f64)]) -> bool {
        let quiet = self.excused(module.channel, None);
        let own = |talk: &&TalkEntry| talk.module == module;
        let talk = self.analysis.diagnosis.talks.iter().find(own);
        talk.is_some_and(|talk| {
            let elsewhere = |mute: &&Mute| {
                let asked = mute.asked.0.nanoseconds();
                !spans.iter().any(|span| self.is_of_span(module.channel, mute, *span))
                    && !quiet.iter().any(|off| off.start <= asked && asked <= off.end)
            };
            // Beyond so many they are not kept, and may have been anywhere.
            talk.mute.iter().any(|mute| elsewhere(&mute)) || talk.mute.len() >= Talk::MOST_MUTE
        })
    }

    /// Joins the node with what codes call it that appeared then.
    pub(super) fn join_codes(
        &self,
        named: &mut Named,
        node: Option<RosterIndex>,
        spans: &[(f64, f64)],
    ) {
        let codes: Vec<(&CodeEntry, &Missed)> = self
            .analysis
            .diagnosis
            .codes
            .iter()
            // What names an address needs no other name.
            .filter(|code| code.event.is_none() && matches!(code.number, CodeNumber::Code(_)))
            .filter_map(|code| Some((code, code.missed.as_ref()?)))
            .filter(|(code, _)| spans.iter().any(|span| self.appeared_in(code, *span)))
            .collect();
        let others = |own: &&Unplugging| !spans.contains(&(own.from, own.to));
        let (unclear, clear): (Vec<_>, Vec<_>) = codes.into_iter().partition(|(code, _)| {
            let mut others = self.all.iter().filter(others);
            others.any(|other| self.appeared_in(code, (other.from, other.to)))
        });
        let (unclear, clear_names) = (distinct(&unclear), distinct(&clear));
        let missed = match &clear_names[..] {
            [missed] => missed.clone(),
            [] if unclear.is_empty() => {
                let known = node.is_some_and(|node| !self.roster.nodes[node].missed_as.is_empty());
                if !known {
                    named.remarks.push(NamingRemark::NoCode);
                }
                return;
            }
            [] => return named.remarks.push(NamingRemark::ReadTooSeldom(unclear)),
            _ => return named.remarks.push(NamingRemark::SeveralMissed(clear_names)),
        };
        let nodes = self.roster.nodes.iter().enumerate();
        let mut others = nodes.filter(|(at, _)| Some(RosterIndex(*at)) != node);
        if let Some((_, other)) = others.find(|(_, other)| other.missed_as.contains(&missed.0)) {
            let remark = NamingRemark::MissedAsOther(missed, other.name.clone());
            return named.remarks.push(remark);
        }
        named.missed_by = clear.iter().map(|(code, _)| code.module).collect();
        named.missed_by.sort_unstable();
        named.missed_by.dedup();
        named.edit.missed_as.push(missed.0);
    }

    /// Whether a code came between two reads of which the first was before the end of a span, and
    /// the second after its beginning: it can have been set in it.
    fn appeared_in(&self, code: &CodeEntry, span: (f64, f64)) -> bool {
        let (from, to) = self.times(span);
        let hand = nanoseconds(BY_HAND);
        code.appeared.is_some_and(|(absent, seen)| absent <= to + hand && seen >= from - hand)
    }
}

fn distinct(codes: &[(&CodeEntry, &Missed)]) -> Vec<Missed> {
    let mut out: Vec<Missed> = codes.iter().map(|(_, missed)| (*missed).clone()).collect();
    out.sort_unstable();
    out.dedup();
    out
}
