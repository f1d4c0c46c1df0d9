//! What happened just before the losses: a second look at the frames, for what the losses of a node
//! have in common (docs/precursors.md).
//!
//! [`Second::of`] says whether a second look is worth its while; [`Second::push`] takes the frames
//! again; [`Second::finish`] draws the leads. Memory is bounded by the numbers in `recorder`.

mod answers;
pub mod exact;
mod leads;
mod levels;
pub mod line;
mod recorder;
mod search;
mod since;
pub mod standard;
mod target;
pub mod trial;

use self::exact::tails;
use self::recorder::Recorder;
use self::target::Target;
use crate::analysis::just_before::{Change, Confirmed, JustBefore, Kind, Lead, Look, Outcome};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Nanoseconds};
use crate::capture::{Batch, ChannelIndex};

/// Share of the time that is within a second after a change that comes once in a minute, and within
/// one before it: what [`Look::needed`] is told for.
const TYPICAL: f64 = 2.0 / 60.0;

/// A second look at captures that have been analysed.
#[derive(Debug)]
pub struct Second {
    recorder: Recorder,
    targets: Vec<Target>,
}

impl Second {
    /// For what was lost often enough.
    ///
    /// # Errors
    /// Where nothing was: what there is to say instead.
    pub fn of(analysis: &Analysis) -> Result<Second, Outcome> {
        let recorder = Recorder::new(analysis);
        let targets = target::all(analysis, &recorder.line);
        match analysis.span.is_some() && !targets.is_empty() {
            true => Ok(Second { recorder, targets }),
            false => Err(Outcome::TooFew { episodes: most_losses(analysis) }),
        }
    }

    /// Takes frames again. `channels` are the places in the analysis of the channels of the batch,
    /// `shift` is added to its time stamps.
    pub fn push(
        &mut self,
        batch: &Batch,
        analysis: &Analysis,
        channels: &[Option<ChannelIndex>],
        shift: Nanoseconds,
    ) {
        self.recorder.push(batch, analysis, channels, shift);
    }

    /// What the losses have in common, looked for on so many threads.
    pub fn finish(mut self, threads: usize) -> JustBefore {
        self.recorder.finish();
        let (mut looks, mut found, mut timed) = (Vec::new(), Vec::new(), Vec::new());
        for target in &self.targets {
            let tried = search::search(target, &self.recorder, threads);
            found.extend(leads::of(target, &self.recorder, &tried, self.targets.len()));
            timed.extend(since::of(target, self.targets.len()));
            looks.push(Look {
                of: target.of.clone(),
                episodes: target.episodes.len(),
                losses: target.losses.len(),
                tried: tried.count(),
                needed: needed(tried.turns(), self.targets.len()),
            });
        }
        // In order of the nodes, the surest first; what follows the losses last.
        found.sort_by_key(|lead| lead.kind);
        JustBefore { outcome: Outcome::Looked(looks), leads: found, timed, confirmed_with: None }
    }

    /// Holds leads from other captures against the losses of these, `known` being the place here of
    /// each lead's channel.
    pub fn confirm(
        mut self,
        leads: &mut [Lead],
        known: impl Fn(ChannelIndex) -> Option<ChannelIndex>,
        is_same: impl Fn(&Lead, &Subject) -> bool,
    ) {
        self.recorder.finish();
        for lead in leads {
            let Some(target) = self.targets.iter().find(|target| is_same(lead, &target.of)) else {
                continue;
            };
            let Some(channel) = known(lead.place.channel) else { continue };
            lead.confirmed = Some(self.held_against(target, lead, channel));
        }
    }

    fn held_against(&self, target: &Target, lead: &Lead, channel: ChannelIndex) -> Confirmed {
        let losses = target.episodes.len();
        let own = |trace: &&recorder::Trace| {
            (trace.channel, trace.id, trace.part) == (channel, lead.place.id, lead.place.part)
        };
        let Some(trace) = self.recorder.traces.iter().find(own) else {
            return Confirmed { losses_with: 0, losses, p: 1.0 };
        };
        let field = lead.place.field;
        let bit = usize::from(field.byte) * 8 + usize::from(field.bit.unwrap_or(0));
        let micros = |seconds: f64| (seconds * 1e6).round() as i64;
        let (least, window) = (micros(lead.least), micros(lead.within));
        let score = match (lead.change, field.bit) {
            (Change::Rises | Change::Falls, _) => {
                let up = lead.change == Change::Rises;
                let times = search::onsets(trace, bit, up);
                match lead.kind {
                    // What takes its time has to take it there too.
                    Kind::Precursor => search::band_score(target, &times, least, window),
                    Kind::Consequence => {
                        let back = search::onsets(trace, bit, !up);
                        let [score] = search::after_scores(target, &times, &back, [window]);
                        score
                    }
                }
            }
            (Change::Is(value), Some(_)) => {
                search::state_score(target, &search::standing(trace, bit, value == 1))
            }
            _ => levels::score_again(target, trace, field, lead.change),
        };
        let p = tails(&score.chances)[score.hits()];
        Confirmed { losses_with: score.hits(), losses, p }
    }
}

/// The most losses of any node, those of a burst each by itself.
fn most_losses(analysis: &Analysis) -> usize {
    let nodes = 0..analysis.nodes.len();
    let of = |node: usize| {
        analysis.lost().filter(|outage| outage.nodes.iter().any(|own| own.0 == node)).count()
    };
    nodes.map(of).max().unwrap_or(0).max(usize::from(analysis.lost().next().is_some()))
}

/// Losses from which a typical change would show among so many.
fn needed(turns: usize, targets: usize) -> usize {
    let risk = leads::RISK * search::Sort::Turn.share() / (turns.max(1) * targets.max(1)) as f64;
    ((risk.ln() / TYPICAL.ln()).ceil() as usize).max(target::FEWEST_LOSSES)
}
