//! Modules that run and are missed all the same: what others wait for is not what they send.

use std::collections::BTreeSet;

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;

use super::{FIRST_ANSWER, Symptom, Told, codes_of, is_failing, is_now};
use crate::analysis::blame::{Blame, Frames, Missed, same_thing, same_words};
use crate::analysis::diagnosis::{CodeAge, CodeEntry, Party, TalkEntry};
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::Fact;
use crate::analysis::{Outage, Scope};
use crate::fault::symptoms::stranger::{ENGINE, TRANSMISSION};
use crate::ids::NodeIndex;

/// What the transmission answers by (ISO 15765-4).
const SECOND_ANSWER: u32 = 0x7E9;

/// So many miss it: one alone may be the stranger itself.
const AGREE: usize = 2;

impl Told<'_> {
    /// Modules of which others say, who miss them, that their software does not fit.
    pub(super) fn misfits(&self) -> Vec<Symptom> {
        let codes = &self.analysis.diagnosis.codes;
        let all: BTreeSet<&Missed> = codes.iter().filter_map(|code| code.misfit.as_ref()).collect();
        let symptom = |missed: &Missed| {
            let blame = &self.analysis.diagnosis.blame;
            let row = blame.iter().position(|row| row.missed == *missed)?;
            let own = self.codes(|code| code.misfit.as_ref() == Some(missed));
            let subject = self.place_of_missed(&blame[row]);
            Some(Symptom::new(subject, Fact::Misfit(row)).with_codes(self.analysis, own))
        };
        all.into_iter().filter_map(symptom).collect()
    }

    /// Modules that speak, and send what others call invalid now: what another vehicle expects.
    /// Where any other code fails a sensor may be bad: what its module sends is invalid for that
    /// (common practice, no source).
    pub(super) fn bad_data(&self) -> Vec<Symptom> {
        let fails = |code: &CodeEntry| {
            code.age == CodeAge::Failing && code.gone.is_none() && code.event.is_none()
        };
        let codes = self.analysis.diagnosis.codes.iter().filter(|code| fails(code));
        if codes.clone().any(|code| code.invalid.is_none() && code.missed.is_none()) {
            return Vec::new();
        }
        let told = codes.filter(|code| !self.strangers.contains(&code.module));
        let all: BTreeSet<&Missed> = told.filter_map(|code| code.invalid.as_ref()).collect();
        let symptom = |sender: &Missed| {
            let node = self.called(sender);
            let own = self.codes(|code| code.invalid.as_ref() == Some(sender) && fails(code));
            let subject =
                node.map_or(Subject::Module(Unheard::Missed(sender.clone())), Subject::Node);
            let fact = Fact::BadData(sender.clone());
            let symptom = Symptom::new(subject, fact).with_codes(self.analysis, own);
            self.speaks(sender, node).then_some(symptom)
        };
        all.into_iter().filter_map(symptom).collect()
    }

    /// The one node that a name in a code means.
    fn called(&self, name: &Missed) -> Option<NodeIndex> {
        let nodes = || (0..self.analysis.nodes.len()).map(NodeIndex);
        let own = |node: &NodeIndex| &self.analysis.nodes[*node].name;
        let exact: Vec<NodeIndex> = nodes().filter(|at| same_words(&name.0, own(at))).collect();
        let like: Vec<NodeIndex> = nodes().filter(|at| same_thing(&name.0, own(at))).collect();
        match (&exact[..], &like[..]) {
            ([node], _) | (_, [node]) => Some(*node),
            _ => None,
        }
    }

    /// Whether a module that codes name speaks: nobody misses it, and it was not lost; where it is
    /// not known which it is, no module was.
    fn speaks(&self, name: &Missed, node: Option<NodeIndex>) -> bool {
        let missed = |row: &Blame| {
            same_words(&row.missed.0, &name.0)
                && !matches!(row.frames, Frames::Heard { .. })
                && is_now(self.analysis, row)
        };
        let whole = |outage: &Outage| outage.scope >= Scope::Node;
        let lost = match node {
            Some(node) => {
                let own = |outage: &Outage| whole(outage) && outage.nodes.contains(&node);
                !self.analysis.nodes[node].heard || self.analysis.lost().any(own)
            }
            None => self.analysis.lost().any(whole),
        };
        !lost && !self.analysis.diagnosis.blame.iter().any(missed)
    }

    /// Whether what is missed runs: it is heard throughout, or answers all that it is asked, where
    /// nothing else is wrong.
    pub(super) fn runs(&self, row: &Blame) -> bool {
        let runs = match row.frames {
            Frames::OnlyAnswers { .. } => return !self.flooded,
            Frames::Heard { .. } => true,
            Frames::NotKnown | Frames::NoSender => self.answers_all(row),
            _ => false,
        };
        runs && !self.troubled
    }

    /// Whether it is missed now, where only its frames tell that it runs by several: then it does
    /// not send what they wait for. Of eight such modules that run, of invented vehicles of two
    /// authors, five were of another vehicle or wrongly coded (first sets).
    pub(super) fn is_surely_missed(&self, row: &Blame) -> bool {
        let parties: BTreeSet<Party> = row.reporters.iter().map(|own| own.party).collect();
        let agree = parties.len() >= AGREE || !matches!(row.frames, Frames::Heard { .. });
        agree && is_failing(self.analysis, row)
    }

    /// Whether it answers all that it is asked, where it is known by what: engine and transmission
    /// by their own identifiers, and each by its address on a bus of SAE J1939.
    fn answers_all(&self, row: &Blame) -> bool {
        let codes = codes_of(self.analysis, row);
        let address = codes.iter().find_map(|at| self.analysis.diagnosis.codes[*at].missed_address);
        let answer = match () {
            () if same_words(&row.missed.0, ENGINE) => Some(FIRST_ANSWER),
            () if same_words(&row.missed.0, TRANSMISSION) => Some(SECOND_ANSWER),
            () => None,
        };
        let own = |talk: &&TalkEntry| match talk.module.party {
            Party::Id(id @ Id::Standard(_)) => answer == Some(raw_id(id)),
            Party::Address(own) => address == Some(own) && self.is_by_address(talk.module),
            Party::Id(_) | Party::Everyone => false,
        };
        let mut talks = self.analysis.diagnosis.talks.iter().filter(own).peekable();
        talks.peek().is_some() && talks.all(|talk| talk.unanswered == 0 && talk.positive > 0)
    }
}
