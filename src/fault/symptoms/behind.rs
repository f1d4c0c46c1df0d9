//! Who is heard behind the errors of a channel.
//!
//! What an error destroyed stays pending and is sent again; only frames of higher priority go first
//! (ISO 11898-1, automatic retransmission; from memory). So behind the errors of one bad contact
//! its module is heard far more often than its traffic has it, whether or not it can be told of a
//! single error whose frame it was. Behind those of the main line nobody is.

use std::collections::{BTreeMap, BTreeSet};

use super::sender;
use super::traffic::{BY_CHANCE, Traffic};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, ErrorEvent};
use crate::fold::timing::Aftermath;

/// So many errors show who comes behind them.
const SHOW: usize = 20;
/// They destroy the frames of one sender where it is heard behind so large a share of those behind
/// which chance would not have it (of 15 bad contacts of invented vehicles 13 reached 0.6, all the
/// right sender, and of 11 terminations one; a set of a world by others).
const ONE: f64 = 0.65;

/// The sender whose frames the errors of a channel destroy.
#[derive(Clone)]
pub struct Follows {
    /// Who.
    pub subject: Subject,
    /// Behind so many errors it is heard soon.
    pub times: usize,
    /// … of so many.
    pub of: usize,
    /// How often it would be heard there by its share of the traffic, 0 to 1.
    pub by_chance: f64,
}

/// All that are heard behind these errors of a channel; none where the errors are few.
pub fn all<'a>(
    analysis: &Analysis,
    traffic: &Traffic,
    errors: impl Iterator<Item = &'a ErrorEvent>,
) -> Vec<Follows> {
    let mut heard: BTreeMap<Subject, usize> = BTreeMap::new();
    let mut of = 0;
    for event in errors.filter(|event| event.behind[0].is_some()) {
        of += 1;
        for subject in senders(analysis, event).collect::<BTreeSet<Subject>>() {
            *heard.entry(subject).or_default() += 1;
        }
    }
    if of < SHOW {
        return Vec::new();
    }
    let follows = |(subject, times): (Subject, usize)| {
        let by_chance = 1.0 - (1.0 - traffic.share(&subject)).powi(Aftermath::BEHIND as i32);
        // More than chance has it for any of the senders.
        let chance = traffic.chance(by_chance, times, of)?;
        (chance <= BY_CHANCE).then_some(Follows { subject, times, of, by_chance })
    };
    heard.into_iter().filter_map(follows).collect()
}

/// The sender whose frames the errors destroy, where they are one sender's.
pub fn one(all: &[Follows]) -> Option<&Follows> {
    let all = all.iter().filter(|own| own.beyond() >= ONE);
    all.max_by(|a, b| a.beyond().total_cmp(&b.beyond()))
}

impl Follows {
    /// The share of errors behind which it is heard, of those where chance would not have it.
    fn beyond(&self) -> f64 {
        let share = self.times as f64 / self.of.max(1) as f64;
        (share - self.by_chance) / (1.0 - self.by_chance).max(f64::EPSILON)
    }

    /// Whether it is heard behind this error.
    pub fn is_behind(&self, analysis: &Analysis, event: &ErrorEvent) -> bool {
        senders(analysis, event).any(|subject| subject == self.subject)
    }
}

/// Who is heard behind an error.
fn senders(analysis: &Analysis, event: &ErrorEvent) -> impl Iterator<Item = Subject> {
    event.behind.into_iter().flatten().map(|id| sender(analysis, id))
}
