//! Symptoms that modules tell: codes, identity, answers that stay away. Which node of the bus a
//! module that answers is, the traffic does not say; where one of each is in question, they are
//! taken to be the same.

mod back;
mod bus_off;
mod by_address;
mod by_name;
mod drive_train;
mod identities;
mod low_supply;
mod messages;
mod missed_together;
mod mute;
mod unfit;

use std::collections::BTreeSet;

use super::Symptom;
use super::standing::{
    codes_of, is_failing, is_now, is_over, is_present, nothing_lost, now, stored_by_many,
    stored_by_one,
};
use super::stranger::strangers;
use crate::analysis::blame::{Blame, Frames, Verdict};
use crate::analysis::diagnosis::{CodeEntry, Module, Party, TalkEntry};
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::{Fact, Now, Setting, Sign, SymptomKind};
use crate::analysis::{Analysis, Outage};
use crate::fold::diagnostics::meaning::has_word;
use crate::fold::j1939::J1939;
use crate::ids::NodeIndex;

/// Modules that do not answer, or are missed without being on this bus, from which a gateway is in
/// question.
const SEVERAL: usize = 3;

/// What codes call a module that carries frames from bus to bus (SAE J2012-DA, U0146 and others).
const GATEWAY: &str = "gateway";

/// What the engine controller answers by (ISO 15765-4).
pub(super) const FIRST_ANSWER: u32 = 0x7E8;

/// What modules tell, given what the frames show.
pub fn of(analysis: &Analysis, shown: &[Symptom]) -> Vec<Symptom> {
    let told = Told::new(analysis, shown);
    let mut out: Vec<Symptom> = told.no_answers();
    out.extend(told.all_missed());
    out.extend(told.gateway());
    out.extend(told.miss_many());
    out.extend(told.miss_messages());
    out.extend(told.memory());
    out.extend(told.other_identities());
    out.extend(told.unconfigured());
    out.extend(told.misfits());
    out.extend(told.bad_data());
    out.extend(told.internal());
    out.extend(told.low_supply());
    out.extend(told.bus_off());
    out
}

/// What modules tell, beside the nodes that fell silent.
struct Told<'a> {
    analysis: &'a Analysis,
    /// What fell silent alone.
    silent: Vec<Subject>,
    /// The nodes among which a module that others miss may be.
    among: Vec<NodeIndex>,
    /// Nodes that fell silent together.
    sets: Vec<Vec<NodeIndex>>,
    /// A bus is full: what comes late on it is missed though nothing is wrong with its sender.
    flooded: bool,
    /// Something is wrong with a bus, or was lost: modules miss others for it.
    troubled: bool,
    /// Modules that do not answer and ought to.
    mute: Vec<&'a TalkEntry>,
    /// Modules that answered at first, and then no more.
    fell_mute: Vec<&'a TalkEntry>,
    /// Modules from another vehicle, or as delivered.
    strangers: Vec<Module>,
    /// Rows of blame about modules that are missed by address and were never heard.
    unheard_here: Vec<usize>,
}

impl<'a> Told<'a> {
    fn new(analysis: &'a Analysis, shown: &[Symptom]) -> Self {
        let alone = shown.iter().filter(|symptom| symptom.kind() == SymptomKind::NodeSilent);
        let together = shown.iter().filter(|symptom| symptom.kind() == SymptomKind::NodesSilent);
        let mut among: Vec<NodeIndex> = alone
            .clone()
            .chain(together.clone())
            .flat_map(|symptom| match &symptom.subject {
                Subject::Node(node) => vec![*node],
                Subject::Nodes(nodes) => nodes.clone(),
                _ => Vec::new(),
            })
            .collect();
        among.sort_unstable();
        among.dedup();
        let silent: Vec<Subject> = alone.map(|symptom| symptom.subject.clone()).collect();
        let set = |symptom: &Symptom| match &symptom.subject {
            Subject::Nodes(nodes) => Some(nodes.clone()),
            _ => None,
        };
        let sets: Vec<Vec<NodeIndex>> = together.filter_map(set).collect();
        // A tester asks many that a vehicle may not have: silence tells something only where
        // somebody misses them.
        let strangers = strangers(analysis);
        let missed = |row: &Blame| is_present(analysis, row) && is_of_here(row, &strangers);
        let missed = analysis.diagnosis.blame.iter().any(missed);
        let mute = match silent.is_empty() && !missed {
            true => Vec::new(),
            false => {
                // With the key off nobody need answer.
                let awake = |talk: &TalkEntry| {
                    talk.mute.is_empty()
                        || !talk.mute.iter().all(|own| mute::is_off(analysis, talk, own))
                };
                let talks = analysis.diagnosis.talks.iter();
                let all: Vec<&TalkEntry> =
                    talks.filter(|talk| talk.is_mute() && awake(talk)).collect();
                // Of several that fell silent together no more never answer: these are likely they.
                let of_a_set = sets.iter().any(|set| all.len() <= set.len());
                let stays = |talk: &&TalkEntry| of_a_set || mute::is_fitted(analysis, talk.module);
                all.into_iter().filter(stays).collect()
            }
        };
        let talks = analysis.diagnosis.talks.iter();
        let flooded = |talk: &TalkEntry| {
            let here = Subject::Channel(talk.module.channel);
            shown.iter().any(|own| own.kind() == SymptomKind::Flood && own.subject == here)
        };
        // On a full bus an answer may not get through; and where several give up, something that
        // they share did, such as the key, or what passes the questions on.
        let fell_mute = talks.filter(|talk| mute::fell_mute(analysis, talk) && !flooded(talk));
        let fell_mute: Vec<&TalkEntry> = fell_mute.collect();
        // Where modules fell silent, that tells more, and of whom it is told.
        let tells = among.is_empty() && fell_mute.len() < SEVERAL;
        let fell_mute = if tells { fell_mute } else { Vec::new() };
        let flooded = shown.iter().any(|own| own.kind() == SymptomKind::Flood);
        let of_a_bus = |own: &Symptom| {
            use SymptomKind::{BusErrors, BusSilent, Flood};
            matches!(own.kind(), BusErrors | BusSilent | Flood)
        };
        let troubled = analysis.lost().next().is_some() || shown.iter().any(of_a_bus);
        let unheard_here = by_address::unheard(analysis, &strangers);
        Told {
            analysis,
            silent,
            among,
            sets,
            flooded,
            troubled,
            mute,
            fell_mute,
            strangers,
            unheard_here,
        }
    }

    /// The only thing that fell silent, where that is the sender of messages of which no node is
    /// known. On a full bus messages of several modules are late together.
    fn lone(&self) -> Option<&Subject> {
        let one = match self.silent.as_slice() {
            [one] if self.among.is_empty() => one,
            _ => return None,
        };
        (!self.flooded).then_some(one)
    }

    /// A module that speaks for itself: the node that it is, where that is known.
    fn of_module(&self, module: Module) -> Subject {
        let node = self.analysis.node_of(module);
        node.map_or(Subject::Module(Unheard::Asked(module)), Subject::Node)
    }

    /// What a module that a tester speaks to is; `alone` where no other is in the same question.
    fn place(&self, module: Module, alone: bool) -> Subject {
        if let Some(node) = self.analysis.node_of(module) {
            return Subject::Node(node);
        }
        if self.is_by_address(module) {
            return Subject::Module(self.unheard(module));
        }
        match self.silent.as_slice() {
            [one] if alone => one.clone(),
            _ if self.among.is_empty() => Subject::Module(Unheard::Asked(module)),
            _ => Subject::Unplaced(Unheard::Asked(module), self.among.clone()),
        }
    }

    /// Whether its address names it: then it is none that is known by another.
    fn is_by_address(&self, module: Module) -> bool {
        let speaks = self.analysis.channel(module.channel).j1939;
        matches!(module.party, Party::Address(_)) && speaks == J1939::Yes
    }

    /// A module of which nothing is heard, asked or missed: by who misses it, where somebody does.
    fn unheard(&self, module: Module) -> Unheard {
        let same = |code: &&CodeEntry| {
            let address = code.missed_address.map(Party::Address);
            address == Some(module.party) && code.module.channel == module.channel
        };
        let missed = self.analysis.diagnosis.codes.iter().find(same);
        let missed = missed.and_then(|code| code.missed.clone());
        missed.map_or(Unheard::Asked(module), Unheard::Missed)
    }

    fn no_answers(&self) -> Vec<Symptom> {
        let symptom = |talk: &&TalkEntry| {
            let fact = Fact::NoAnswer { module: talk.module, requests: talk.unanswered };
            let alone = self.mute.len() + self.fell_mute.len() == 1;
            Symptom::new(self.place(talk.module, alone), fact)
        };
        self.mute.iter().chain(&self.fell_mute).map(symptom).collect()
    }

    /// What others miss; what those miss who were cut off is of their own loss.
    fn all_missed(&self) -> Vec<Symptom> {
        let blame = &self.analysis.diagnosis.blame;
        let here = (0..blame.len()).filter(|row| {
            blame[*row].frames != Frames::FromBeyond
                && is_of_here(&blame[*row], &self.strangers)
                && !self.is_of_an_accuser(&blame[*row])
        });
        let all = self.gateway_took_others_along();
        let mut out: Vec<Symptom> = here.map(|row| self.missed(row, all)).collect();
        by_address::mark(&self.unheard_here, &mut out);
        by_name::mark(self.analysis, &self.strangers, &mut out);
        out
    }

    /// Whether only one tells of it, who misses many, and nothing bears it out: what was cut off
    /// itself holds a code of each of the others, and they are one thing and no old codes.
    fn is_of_an_accuser(&self, row: &Blame) -> bool {
        let accusers = &self.analysis.diagnosis.accusers;
        let [reporter] = row.reporters[..] else { return false };
        let alone = accusers.iter().any(|(module, _)| *module == reporter);
        let borne_out = matches!(row.verdict(), Verdict::Confirmed | Verdict::Likely);
        alone && !borne_out && !is_failing(self.analysis, row)
    }

    /// Whether a gateway that fails took several along: modules on each of its buses then miss
    /// those on the others, for what only it carries over stops. Several fell silent before the
    /// code of it was read.
    fn gateway_took_others_along(&self) -> bool {
        let blame = &self.analysis.diagnosis.blame;
        let fails = |row: &&Blame| names_gateway(row) && is_now(self.analysis, row);
        let codes = blame.iter().filter(fails).flat_map(|row| codes_of(self.analysis, row));
        let read = codes.filter_map(|at| self.analysis.diagnosis.codes[at].seen).map(|seen| seen.1);
        let Some(read) = read.max() else { return false };
        let before = |outage: &Outage| {
            let set = |own: &Vec<NodeIndex>| outage.nodes.iter().all(|node| own.contains(node));
            outage.nodes.len() > 1 && outage.start < read && self.sets.iter().any(set)
        };
        !self.flooded && self.analysis.lost().any(before)
    }

    /// One row; `all` where a failing gateway may be behind each.
    fn missed(&self, at: usize, all: bool) -> Symptom {
        let row = &self.analysis.diagnosis.blame[at];
        let codes = codes_of(self.analysis, row);
        let now = now(self.analysis, &codes);
        let fails = matches!(now, Now::Failing | Now::Recent);
        let of_gateway = fails && (all || names_gateway(row));
        let runs = self.runs(row);
        let restarts = self.restarts(row).is_some();
        let unfit = runs && self.is_surely_missed(row);
        let only_answers = matches!(row.frames, Frames::OnlyAnswers { .. });
        let verdict = match runs && !only_answers {
            // Who starts anew is heard again at once, and misses no more frames than it needs.
            _ if restarts && row.verdict() == Verdict::Contradicted => Verdict::Open,
            true => Verdict::Contradicted,
            false => row.verdict(),
        };
        let missing = self.analysis.who_misses_meanwhile(row);
        let parties: BTreeSet<Party> = missing.iter().map(|own| own.party).collect();
        let frames = match runs && !restarts && !parties.is_empty() {
            true => Sign::HeardMeanwhile(parties.len()),
            false => Sign::FramesSay(verdict),
        };
        let missed = Symptom::new(self.place_of_missed(row), Fact::MissedByOthers(at))
            .with_signs([frames, Sign::Now(now)])
            .with_signs(nothing_lost(self.analysis, now).filter(|_| !restarts))
            .with_signs(stored_by_many(self.analysis, row, &codes, now))
            .with_signs(stored_by_one(row, now))
            .with_signs((only_answers && unfit).then_some(Sign::OnlyAnswers))
            .with_codes(self.analysis, codes);
        let setting = if of_gateway { Setting::Gateway } else { Setting::Usual };
        let stranger = unfit.then(|| missed.subject.clone());
        Symptom { setting, stranger, ..missed }
    }

    /// What a module is that others miss: the node that the frames confirm, or likely the one that
    /// fell silent; or else the one module that does not answer; or else nobody that is known.
    fn place_of_missed(&self, row: &Blame) -> Subject {
        let sure = match row.verdict() {
            Verdict::Confirmed | Verdict::Likely => true,
            Verdict::Contradicted | Verdict::Open => false,
        };
        use Frames::{OnlyAnswers, PerhapsOff};
        let known = matches!(row.frames, OnlyAnswers { .. } | PerhapsOff { .. });
        if let Some(node) = row.frames.node().filter(|_| sure || known) {
            // Who is back passes the test: then it may as well be another.
            if row.verdict() == Verdict::Likely && back::fails(self.analysis, row, node) {
                return Subject::Unplaced(Unheard::Missed(row.missed.clone()), vec![node]);
            }
            return Subject::Node(node);
        }
        if by_address::missed_address(self.analysis, row).is_some() {
            return Subject::Module(Unheard::Missed(row.missed.clone()));
        }
        if let Some(module) = self.restarts(row) {
            return self.place(module, true);
        }
        let blame = &self.analysis.diagnosis.blame;
        let unplaced = blame.iter().filter(|row| row.frames.node().is_none()).count();
        // What is contradicted or only remembered is of no loss of this capture.
        let of_now = |row: &Blame| row.verdict() == Verdict::Open && is_now(self.analysis, row);
        let missed_alone = of_now(row) && blame.iter().filter(|row| of_now(row)).count() == 1;
        if let Some(sender) = self.lone().filter(|_| missed_alone) {
            return sender.clone();
        }
        match self.mute.as_slice() {
            [one] if unplaced == 1 => self.place(one.module, true),
            _ if matches!(row.frames, Frames::SeveralSilent(_)) && !self.among.is_empty() => {
                Subject::Unplaced(Unheard::Missed(row.missed.clone()), self.among.clone())
            }
            _ => Subject::Module(Unheard::Missed(row.missed.clone())),
        }
    }

    /// Modules that are missed now and are none of the nodes that fell silent here, and modules
    /// that do not answer beyond those nodes, which cannot. What was missed and is back is no
    /// gateway that passes nothing on.
    fn gateway(&self) -> Option<Symptom> {
        let elsewhere = |row: &&Blame| {
            use Frames::{Heard, NoSender, NotKnown, OnlyAnswers};
            matches!(row.frames, Heard { .. } | OnlyAnswers { .. } | NotKnown | NoSender)
                && is_of_here(row, &self.strangers)
                && is_failing(self.analysis, row)
        };
        let here = &self.unheard_here;
        let blame = self.analysis.diagnosis.blame.iter().enumerate();
        let rows = blame.filter(|(at, row)| elsewhere(row) && !here.contains(at));
        let rows: Vec<&Blame> = rows.map(|(_, row)| row).collect();
        let gone = |node: &&NodeIndex| {
            self.analysis.lost().any(|outage| outage.ongoing && outage.nodes.contains(node))
        };
        let silent = self.among.iter().filter(gone).count();
        let several = |count: usize| if count >= SEVERAL { count } else { 0 };
        let missed = several(rows.len());
        // Those that do not answer by the addresses of this bus are of this bus too.
        let beyond = |talk: &&&TalkEntry| here.is_empty() || !self.is_by_address(talk.module);
        let mute = several(self.mute.iter().filter(beyond).count().saturating_sub(silent));
        let codes = rows.iter().flat_map(|row| codes_of(self.analysis, row)).collect();
        let symptom = Symptom::new(Subject::Vehicle, Fact::ManyMissed { missed, mute })
            .with_signs(drive_train::sign(&rows).filter(|_| mute == 0))
            .with_codes(self.analysis, codes);
        (missed + mute > 0).then_some(symptom)
    }

    fn miss_many(&self) -> Vec<Symptom> {
        let accusers = self.analysis.diagnosis.accusers.iter();
        accusers
            .filter(|(module, _)| !self.strangers.contains(module))
            .map(|&(module, misses)| {
                let subject = Subject::Module(Unheard::Asked(module));
                Symptom::new(subject, Fact::MissesMany { module, misses })
            })
            .collect()
    }

    fn memory(&self) -> Option<Symptom> {
        let marks = self.codes(|code| code.event.is_some());
        let event = self.analysis.diagnosis.codes[*marks.first()?].event?;
        let fact = Fact::SupplyMemory { codes: marks.len(), event };
        Some(Symptom::new(Subject::Vehicle, fact).with_codes(self.analysis, marks))
    }

    fn internal(&self) -> Vec<Symptom> {
        let codes = self.codes(|code| code.internal && code.gone.is_none());
        let module_of = |at: &usize| self.analysis.diagnosis.codes[*at].module;
        let mut modules: Vec<Module> = codes.iter().map(module_of).collect();
        modules.dedup();
        modules
            .iter()
            .map(|&module| {
                let own = codes.iter().copied().filter(|at| module_of(at) == module).collect();
                let subject = self.place(module, modules.len() == 1);
                Symptom::new(subject, Fact::InternalCode(module)).with_codes(self.analysis, own)
            })
            .collect()
    }

    fn codes(&self, wanted: impl Fn(&CodeEntry) -> bool) -> Vec<usize> {
        let codes = &self.analysis.diagnosis.codes;
        (0..codes.len()).filter(|at| wanted(&codes[*at])).collect()
    }
}

/// Whether anybody of this vehicle misses it.
fn is_of_here(row: &Blame, strangers: &[Module]) -> bool {
    !row.reporters.iter().all(|reporter| strangers.contains(reporter))
}

pub(super) fn names_gateway(row: &Blame) -> bool {
    is_gateway(&row.missed.0)
}

/// Whether a name is a gateway's. A rear gate is none, though the words begin alike.
pub(super) fn is_gateway(name: &str) -> bool {
    has_word(name, GATEWAY)
}
