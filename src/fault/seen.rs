//! How likely each fault is by itself, and how likely it makes what is seen and read here
//! (docs/findings.md). `weights` makes its table of these.

use super::knowledge::{Knowledge, SymptomTable, Trace};
use super::readings::ReadingTaken;
use super::sets::Fault;
use super::symptoms::{self, Symptom};
use super::weights::{LEAST, LEAST_ABSENT, shows};
use crate::analysis::Analysis;
use crate::analysis::finding::ClassName;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Setting, Sign, Spread, SymptomKind};

/// What shows that errors are of one sender.
pub const OF_ONE: [SymptomKind; 2] = [SymptomKind::SenderErrors, SymptomKind::SenderGaps];

/// What faults are held against.
pub struct Seen<'a> {
    analysis: &'a Analysis,
    knowledge: &'a Knowledge,
    symptoms: &'a [Symptom],
    readings: &'a [ReadingTaken],
    /// Many recorders write no error frames: that there is none then says nothing.
    hears_errors: bool,
    /// Something was lost, and all of it came back before the end.
    all_back: bool,
    /// One sender breaks frames by itself.
    one_breaks: bool,
    /// A gateway fell silent, and nothing else did but what it carries over.
    lone_gateway: bool,
}

impl<'a> Seen<'a> {
    /// In an analysis, with the symptoms that it shows and what was measured.
    pub fn new(
        analysis: &'a Analysis,
        knowledge: &'a Knowledge,
        symptoms: &'a [Symptom],
        readings: &'a [ReadingTaken],
    ) -> Seen<'a> {
        let lost = analysis.lost().next().is_some();
        Seen {
            analysis,
            knowledge,
            symptoms,
            readings,
            hears_errors: analysis.channels.iter().any(|channel| !channel.errors.is_empty()),
            all_back: lost && !analysis.lost().any(|outage| outage.ongoing),
            one_breaks: symptoms.iter().any(|own| OF_ONE.contains(&own.kind())),
            lone_gateway: symptoms.iter().any(|own| own.setting == Setting::LoneGateway),
        }
    }

    /// The logarithm of the odds of a fault before anything is seen, less what it ought to show and
    /// does not.
    pub fn odds(&self, fault: &Fault) -> f64 {
        log_odds(self.knowledge.class[&fault.class].prior)
            + self.untraced(fault)
            + self.absent(fault)
            + self.asked_before(fault)
    }

    /// How likely a fault shows a symptom; `None` where it cannot.
    pub fn shown(&self, fault: &Fault, symptom: &Symptom) -> Option<f64> {
        let covered = self.breaks_frames(fault, symptom)
            || self.strikes_others(fault, symptom)
            || symptom.may_be_of(&fault.subject, self.analysis);
        shows(self.knowledge, fault, symptom).filter(|_| covered)
    }

    /// The logarithm of how likely a reading is under a fault; `None` where the fault is not about
    /// what was measured.
    pub fn read(&self, fault: &Fault, read: &ReadingTaken) -> Option<f64> {
        let subject = &read.reading.subject;
        let about = fault.subject.covers(subject, self.analysis)
            || subject.covers(&fault.subject, self.analysis);
        let lasting = || symptoms::lasts(self.analysis, &fault.subject);
        let table = &self.knowledge.reading[&read.table];
        let like = table.like(&fault.class, !table.like_lasting.is_empty() && lasting());
        like.filter(|_| about).map(|like| like[read.place].max(LEAST).ln())
    }

    /// The logarithm of how likely a reading is at a sound vehicle.
    pub fn read_if_sound(&self, read: &ReadingTaken) -> f64 {
        let like = &self.knowledge.reading[&read.table].like[&ClassName::SOUND];
        like[read.place].max(LEAST).ln()
    }

    /// What a fault usually shows and does not show here speaks against it: the sum over all
    /// symptoms that are missing.
    fn absent(&self, fault: &Fault) -> f64 {
        let asked = symptoms::was_asked_since(self.analysis, &fault.subject);
        let of = |(kind, table): (&SymptomKind, &SymptomTable)| {
            let by = table.by.get(&fault.class);
            by.filter(|_| !table.at_times && (asked || !table.told) && self.misses(fault, *kind))
                .map_or(0.0, |by| (1.0 - by).max(LEAST_ABSENT).ln())
        };
        self.knowledge.symptom.iter().map(of).sum::<f64>()
    }

    /// Whether a fault shows no symptom of a kind, and nothing here hides one.
    fn misses(&self, fault: &Fault, kind: SymptomKind) -> bool {
        let shown = self.symptoms.iter().any(|symptom| {
            symptom.kind() == kind && symptom.may_be_of(&fault.subject, self.analysis)
        });
        // What was never heard cannot be seen to fall silent.
        let unheard = matches!(fault.subject, Subject::Module(_) | Subject::Modules(_));
        let silent = matches!(kind, SymptomKind::NodeSilent | SymptomKind::NodesSilent);
        let of_errors = kind == SymptomKind::BusErrors || OF_ONE.contains(&kind);
        !(shown
            || self.is_unseen(kind)
            || self.lone_gateway && is_of_what_lies_behind(fault, kind)
            || self.is_in_doubt(fault, kind)
            || unheard && silent
            || kind == SymptomKind::NodesSilent && self.falls_silent_as_one(fault)
            || !self.hears_errors && of_errors)
    }

    /// Whether nobody can see a symptom of a kind here: who was back when the codes were read is
    /// missed no more, and on one bus nobody sees what another carries.
    fn is_unseen(&self, kind: SymptomKind) -> bool {
        match kind {
            SymptomKind::ManyMissed => self.all_back,
            SymptomKind::NotCarried => self.analysis.channels.len() < 2,
            _ => false,
        }
    }

    /// Whether the doubtful form of a symptom is seen in the place of the sure one. Frames that are
    /// missing at errors are losses too short to be told.
    fn is_in_doubt(&self, fault: &Fault, kind: SymptomKind) -> bool {
        let doubtful: &[SymptomKind] = match kind {
            SymptomKind::NodeSilent => &[SymptomKind::MessageSilent, SymptomKind::SenderGaps],
            SymptomKind::NodesSilent => &[SymptomKind::PerhapsOff],
            _ => return false,
        };
        self.covered(fault).any(|symptom| doubtful.contains(&symptom.kind()))
    }

    /// Whether several modules of the fault are seen as one. Those that nothing tells apart fall
    /// silent as one; those that are missing throughout nobody saw falling silent together.
    fn falls_silent_as_one(&self, fault: &Fault) -> bool {
        self.covered(fault).any(|own| own.several.is_some() || !own.company.is_empty())
    }

    /// What speaks against a fault that left no trace in the recording: who records hangs on the
    /// same wires, and what strikes them strikes the recording too.
    fn untraced(&self, fault: &Fault) -> f64 {
        let class = &self.knowledge.class[&fault.class];
        // What was measured is known. A bus that is silent shows without error frames too, and
        // codes alone are of another time or another bus.
        let free = class.trace.is_empty()
            || class.trace.iter().any(|trace| self.has_left(fault, trace))
            || self.is_measured(fault);
        if free { 0.0 } else { class.untraced.max(LEAST_ABSENT).ln() }
    }

    /// Whether a fault has left a trace.
    fn has_left(&self, fault: &Fault, trace: &Trace) -> bool {
        let fits = |symptom: &Symptom| {
            trace.with.is_none_or(|with| symptom.signs.iter().any(|sign| sign.key() == with))
        };
        self.covered(fault).any(|symptom| symptom.kind() == trace.symptom && fits(symptom))
    }

    /// What speaks against a fault of which the mechanic asks first, once something was measured at
    /// it: whoever measures at a module has asked before whether it was switched off.
    fn asked_before(&self, fault: &Fault) -> f64 {
        let asked_first = self.knowledge.class[&fault.class].asked_first;
        // The answer to that question is no measurement.
        let measured = |read: &ReadingTaken| {
            !self.knowledge.reading[&read.table].like.contains_key(&fault.class)
                && fault.subject.covers(&read.reading.subject, self.analysis)
        };
        if asked_first && self.readings.iter().any(measured) { LEAST_ABSENT.ln() } else { 0.0 }
    }

    /// Whether something was measured at what the fault is about.
    fn is_measured(&self, fault: &Fault) -> bool {
        let own = |read: &ReadingTaken| fault.subject.covers(&read.reading.subject, self.analysis);
        self.readings.iter().any(own)
    }

    /// Whether error frames of a bus may come from a pair of wires that opens: in mid-frame it
    /// breaks whoever's frame that is. What one module breaks by itself is told by its own frames,
    /// and a few more are of that module; and what may have been the key's opened no pair.
    fn breaks_frames(&self, fault: &Fault, symptom: &Symptom) -> bool {
        let opened =
            || self.covered(fault).any(|symptom| symptom.kind() == SymptomKind::NodesSilent);
        symptom.kind() == SymptomKind::BusErrors
            && !self.one_breaks
            && matches!(&fault.subject, Subject::Nodes(nodes) if nodes.len() > 1)
            && symptom.subject.covers(&fault.subject, self.analysis)
            && opened()
    }

    /// Whether error frames of a bus may come from the module whose own frames break: a contact
    /// that makes and breaks destroys those of others too, and only its own stay away. Those of
    /// everybody alike are of the main line.
    fn strikes_others(&self, fault: &Fault, symptom: &Symptom) -> bool {
        let breaks = |own: &Symptom| OF_ONE.contains(&own.kind());
        symptom.kind() == SymptomKind::BusErrors
            && symptom.signs.contains(&Sign::ErrorSpread(Spread::Untold))
            && fault.subject.nodes().len() == 1
            && symptom.subject.covers(&fault.subject, self.analysis)
            && self.covered(fault).any(breaks)
    }

    /// The symptoms of what the fault is about, or of a part of it.
    fn covered(&self, fault: &Fault) -> impl Iterator<Item = &'a Symptom> {
        self.symptoms.iter().filter(|own| fault.subject.covers(&own.subject, self.analysis))
    }
}

/// Whether a fault is of a gateway, and a symptom of what such a one takes along.
fn is_of_what_lies_behind(fault: &Fault, kind: SymptomKind) -> bool {
    use SymptomKind::{ManyMissed, NodesSilent, NotCarried};
    fault.class == ClassName::GATEWAY && matches!(kind, ManyMissed | NodesSilent | NotCarried)
}

/// The logarithm of the odds of a probability.
pub fn log_odds(probability: f64) -> f64 {
    (probability / (1.0 - probability)).ln()
}
