//! Modules that run and are missed all the same: what others wait for is not what they send.

use std::collections::BTreeSet;

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;

use super::{FIRST_ANSWER, Symptom, Told, codes_of, is_failing};
use crate::analysis::blame::{Blame, Frames, Missed, same_words};
use crate::analysis::diagnosis::{Party, TalkEntry};
use crate::analysis::symptom::Fact;
use crate::fault::symptoms::stranger::{ENGINE, TRANSMISSION};

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
