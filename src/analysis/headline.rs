//! The answer in one sentence, as values: who, what happened, how often, since when, what probably
//! explains it, what to do first.

use lostnode_parsers::Id;

use super::finding::{Finding, NextTest, Standing};
use super::subject::Subject;
use super::verdict::{Obstacle, Verdict};
use super::{Analysis, Cause, Nanoseconds, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::ids::{IdIndex, NodeIndex};

/// A channel that was heard for less than this share of the recording was hardly watched.
const HEARD_IN_PART: f64 = 0.5;
/// From this probability a finding is worth a word where nothing was lost.
const WORTH_A_WORD: f64 = 0.2;

/// The answer in one sentence.
#[derive(Clone, Debug, PartialEq)]
pub struct Headline {
    /// What happened.
    pub what: Happened,
    /// What probably explains it, or else what was found besides.
    pub explained: Option<Explained>,
    /// Place in [`Analysis::next_tests`] of what to do first about that.
    pub first: Option<usize>,
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Happened {
    /// Something was lost.
    Lost(Loss),
    /// All that was expected was heard.
    NothingLost,
    /// The capture proves neither.
    CannotTell(Obstacle),
}

/// The loss that leads the answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Loss {
    /// Who or what.
    pub who: Who,
    /// How often.
    pub times: usize,
    /// Seconds in all.
    pub seconds: f64,
    /// In how many of the drives.
    pub drives: usize,
    /// Beginning of the first.
    pub first: Nanoseconds,
    /// The last goes on to the end of the capture.
    pub ongoing: bool,
    /// It was never heard at all.
    pub never_heard: bool,
    /// It was never heard in the drives that lost it, and in others it was.
    pub absent: bool,
    /// When the last begins, where that is the drive of which nothing was heard.
    pub silent_drive: Option<Nanoseconds>,
    /// Who or what was lost besides: what is gone for good first, else in order of first loss.
    pub others: Vec<Other>,
}

/// Who or what was lost.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Who {
    /// Nodes, all of them together.
    Nodes(Vec<NodeIndex>),
    /// Identifiers, ascending, and their sender where it is known.
    Identifiers(Vec<IdIndex>, Option<NodeIndex>),
    /// Identifiers that the roster expects and that were never heard.
    Missing(Vec<Id>),
    /// A whole channel.
    Channel(ChannelIndex),
    /// Every channel at once.
    All,
}

/// Who or what else was lost.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Other {
    /// Who.
    pub who: Who,
    /// Silent when the capture ended, or never heard.
    pub stays: bool,
}

/// What explains it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Explained {
    /// One explanation: its place in [`Analysis::ranked`].
    By(usize),
    /// One of several, among which the evidence does not choose.
    ByOneOf(Vec<usize>),
    /// It was repaired, as the user noted: the place of the finding.
    Repaired(usize),
}

impl Explained {
    /// The place of the finding, or of the likeliest.
    pub fn first(&self) -> usize {
        match self {
            Explained::By(at) | Explained::Repaired(at) => *at,
            Explained::ByOneOf(places) => places.first().copied().unwrap_or(0),
        }
    }
}

impl Analysis {
    /// The answer in one sentence.
    ///
    /// ```
    /// use lostnode::analysis::Analysis;
    /// use lostnode::analysis::headline::Happened;
    /// assert_eq!(Analysis::default().headline().what, Happened::NothingLost);
    /// ```
    pub fn headline(&self) -> Headline {
        let leading = self.leading();
        let what = match (self.verdict(), self.obstacles().first()) {
            (Verdict::SomethingLost, _) => self.loss(leading).map(Happened::Lost),
            (Verdict::CannotTell, Some(obstacle)) => Some(Happened::CannotTell(*obstacle)),
            _ => None,
        };
        let explained = leading.map(|at| self.explained(at));
        Headline {
            first: explained.as_ref().and_then(|explained| self.first_test(explained)),
            what: what.unwrap_or(Happened::NothingLost),
            explained,
        }
    }

    /// Channels that were heard for a part of the recording only, and for how many seconds.
    pub(crate) fn heard_in_part(&self) -> Vec<(ChannelIndex, f64)> {
        let heard = |channel: ChannelIndex| {
            let silent = self.outages.iter().filter(|outage| {
                outage.channel == Some(channel)
                    && outage.scope == Scope::Bus
                    && outage.cause == Cause::Unknown
            });
            self.length() - silent.map(|outage| outage.duration()).sum::<f64>()
        };
        (0..self.channels.len() as ChannelIndex)
            .filter(|at| self.channel(*at).frames > 0)
            .map(|at| (at, heard(at)))
            .filter(|(_, heard)| *heard < HEARD_IN_PART * self.length())
            .collect()
    }

    /// The place of the finding that leads the answer: the first that is a fault of the vehicle,
    /// and of a loss the first that explains one. Where nothing was lost, what is hardly likely is
    /// no answer: nobody is sent to a message that probably pauses by nature.
    fn leading(&self) -> Option<usize> {
        let ranked = self.ranked();
        let explains = |finding: &&Finding| {
            finding.standing == Standing::Present
                && self.lost().any(|outage| self.is_about(&finding.subject, outage))
        };
        let fault = |finding: &Finding| {
            finding.standing != Standing::Benign && finding.probability >= WORTH_A_WORD
        };
        match self.verdict() {
            Verdict::SomethingLost => ranked.iter().position(|finding| explains(&finding)),
            _ => ranked.iter().position(fault),
        }
    }

    fn explained(&self, at: usize) -> Explained {
        let undecided = self.findings.iter().flat_map(|findings| &findings.undecided);
        let set = undecided.into_iter().find(|set| set.findings.contains(&at));
        match set {
            _ if self.ranked()[at].is_repaired() => Explained::Repaired(at),
            Some(set) => Explained::ByOneOf(set.findings.clone()),
            None => Explained::By(at),
        }
    }

    fn first_test(&self, explained: &Explained) -> Option<usize> {
        // What it is about may be no fault at all: whether it is, is asked of the same subject.
        let serves = |places: &[usize]| {
            let for_them = |test: &NextTest| {
                test.findings.iter().any(|finding| places.contains(&(finding - 1)))
            };
            let about = |test: &NextTest| {
                places.iter().any(|at| self.ranked()[*at].subject == test.subject)
            };
            self.next_tests().iter().position(|test| for_them(test) || about(test))
        };
        let chosen = match explained {
            Explained::By(at) => serves(&[*at]),
            Explained::Repaired(_) => None,
            // As the list has it: two orders would leave the reader to choose.
            Explained::ByOneOf(places) => serves(places),
        }?;
        let tests = self.next_tests();
        let before = |test: &NextTest| test.goes_first && test.subject == tests[chosen].subject;
        Some(tests.iter().position(before).unwrap_or(chosen))
    }

    /// Whether an outage is a loss of what a finding is about.
    pub(crate) fn is_about(&self, subject: &Subject, outage: &Outage) -> bool {
        let has = |node: &NodeIndex| outage.nodes.contains(node);
        match subject {
            Subject::Node(node) => outage.scope < Scope::Bus && has(node),
            Subject::Nodes(nodes) => outage.scope < Scope::Bus && nodes.iter().any(has),
            Subject::Sender(id) => outage.scope < Scope::Bus && outage.ids.contains(id),
            Subject::Channel(channel) => outage.channel == Some(*channel),
            Subject::Vehicle => true,
            Subject::Module(_) | Subject::Modules(_) | Subject::Unplaced(..) => false,
        }
    }

    /// The loss of what the leading finding is about, or else the longest in all.
    fn loss(&self, leading: Option<usize>) -> Option<Loss> {
        let mut rows: Vec<(Who, Vec<&Outage>)> = Vec::new();
        for outage in self.lost() {
            let who = self.who(outage);
            match rows.iter_mut().find(|row| row.0 == who) {
                Some(row) => row.1.push(outage),
                None => rows.push((who, vec![outage])),
            }
        }
        let mut rows = of_one_each(rows);
        let subject = leading.map(|at| &self.ranked()[at].subject);
        let length = |row: &[&Outage]| row.iter().map(|outage| outage.duration()).sum::<f64>();
        let rank = |row: &(Who, Vec<&Outage>)| {
            let about = |subject| row.1.iter().any(|outage| self.is_about(subject, outage));
            // What comes again or stays away is today's complaint, before what happened once.
            let lasts = row.1.len() > 1 || row.1.iter().any(|outage| outage.ongoing);
            let of_a_bus = row.1.iter().any(|outage| outage.scope >= Scope::Bus);
            (subject.is_some_and(about), lasts, of_a_bus)
        };
        let best = (0..rows.len()).max_by(|a, b| {
            let (a, b) = (&rows[*a], &rows[*b]);
            rank(a).cmp(&rank(b)).then(length(&a.1).total_cmp(&length(&b.1)))
        });
        let (who, outages) = rows.remove(best?);
        let stays = |row: &[&Outage]| row.last().is_some_and(|outage| outage.ongoing);
        let others = rows.into_iter().map(|row| Other { stays: stays(&row.1), who: row.0 });
        let mut others: Vec<Other> = others.collect();
        // What is gone for good is the first to ask for.
        others.sort_by_key(|other| !other.stays);
        let last = outages.last()?;
        let mut drives: Vec<Option<usize>> =
            outages.iter().map(|outage| self.drive_of(outage.start)).collect();
        drives.dedup();
        Some(Loss {
            drives: drives.len(),
            times: outages.len(),
            seconds: length(&outages),
            first: outages.first()?.start,
            ongoing: last.ongoing,
            never_heard: !last.never_heard.is_empty() && last.ids.is_empty(),
            absent: !self.drives.is_empty()
                && outages.iter().all(|outage| !outage.never_heard.is_empty()),
            silent_drive: Some(last.start)
                .filter(|_| !self.drives.is_empty() && !last.never_heard.is_empty()),
            others,
            who,
        })
    }

    fn who(&self, outage: &Outage) -> Who {
        match (outage.scope, outage.channel) {
            (Scope::Bus, Some(channel)) => Who::Channel(channel),
            (Scope::Capture, _) | (Scope::Bus, None) => Who::All,
            (Scope::Node | Scope::Branch, _) if !outage.nodes.is_empty() => {
                Who::Nodes(outage.nodes.clone())
            }
            _ if outage.ids.is_empty() => Who::Missing(outage.never_heard.clone()),
            _ => Who::Identifiers(outage.ids.clone(), outage.nodes.first().copied()),
        }
    }
}

/// Losses by whom they are of: what a node lost in part, or never sent, is left out where it was
/// lost as a whole, and identifiers stand with those that hold them.
fn of_one_each<'a>(rows: Vec<(Who, Vec<&'a Outage>)>) -> Vec<(Who, Vec<&'a Outage>)> {
    let whole = |node: &NodeIndex| {
        rows.iter().any(|(who, _)| matches!(who, Who::Nodes(nodes) if nodes[..] == [*node]))
    };
    let mut out: Vec<(Who, Vec<&'a Outage>)> = Vec::new();
    for (who, outages) in &rows {
        match (who, outages.first().map(|outage| &outage.nodes[..])) {
            (Who::Identifiers(_, Some(node)), _) if whole(node) => continue,
            (Who::Missing(_), Some([node])) if whole(node) => continue,
            _ => {}
        }
        let wider = |(other, _): &&(Who, Vec<&Outage>)| match (who, other) {
            (Who::Identifiers(own, a), Who::Identifiers(ids, b)) => {
                a == b && ids.len() > own.len() && own.iter().all(|id| ids.contains(id))
            }
            _ => false,
        };
        let who = rows.iter().find(wider).map_or(who, |(wider, _)| wider).clone();
        match out.iter_mut().find(|row| row.0 == who) {
            Some(row) => row.1.extend(outages),
            None => out.push((who, outages.clone())),
        }
    }
    out.iter_mut().for_each(|row| row.1.sort_by_key(|outage| outage.start));
    out
}
