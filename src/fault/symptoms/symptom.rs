//! One symptom.

use crate::analysis::Analysis;
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::{Fact, Setting, Sign, SymptomKind};
use crate::ids::NodeIndex;

/// Something that asks for an explanation.
#[derive(Clone, Debug)]
pub struct Symptom {
    /// What it is about.
    pub subject: Subject,
    /// What is seen or told.
    pub fact: Fact,
    /// Its signs.
    pub signs: Vec<Sign>,
    /// How many times likelier it is of several modules than of one; `None` where it is known to be
    /// of one, or of several.
    pub several: Option<f64>,
    /// Nodes that are missing as it is and since as long, itself included, ascending: what several
    /// share may be behind all of them. Empty where it is the only one.
    pub company: Vec<NodeIndex>,
    /// Modules that are missed as it is and were never heard either, itself included, ascending.
    /// Empty where it is the only one.
    pub missed_with: Vec<Unheard>,
    /// Sets of nodes with which it falls silent together, at least as often as alone.
    pub within: Vec<Vec<NodeIndex>>,
    /// What makes other faults likely behind it than usual.
    pub setting: Setting,
    /// A module from another vehicle, or not configured, that may be the one that it is about.
    pub stranger: Option<Subject>,
    /// Codes in it: indexes into those of the diagnosis.
    pub codes: Vec<usize>,
    /// How many of those ask for a lamp.
    pub lamps: usize,
}

impl Symptom {
    /// Without signs and codes.
    pub fn new(subject: Subject, fact: Fact) -> Self {
        Symptom {
            subject,
            fact,
            signs: Vec::new(),
            several: None,
            company: Vec::new(),
            missed_with: Vec::new(),
            within: Vec::new(),
            setting: Setting::Usual,
            stranger: None,
            codes: Vec::new(),
            lamps: 0,
        }
    }

    /// With these signs too.
    pub fn with_signs(mut self, signs: impl IntoIterator<Item = Sign>) -> Self {
        self.signs.extend(signs);
        self
    }

    /// With these codes.
    pub fn with_codes(mut self, analysis: &Analysis, codes: Vec<usize>) -> Self {
        self.lamps = codes.iter().filter(|at| analysis.diagnosis.codes[**at].lamp).count();
        self.codes = codes;
        self
    }

    /// Whether it is about one of several with which it falls silent as a rule.
    pub fn is_within(&self, subject: &Subject) -> bool {
        let Subject::Nodes(nodes) = subject else { return false };
        self.within.iter().any(|set| set.iter().all(|node| nodes.contains(node)))
    }

    /// Whether a fault about this can be behind it.
    pub fn may_be_of(&self, subject: &Subject, analysis: &Analysis) -> bool {
        subject.covers(&self.subject, analysis) || self.stranger.as_ref() == Some(subject)
    }

    /// Its table.
    pub fn kind(&self) -> SymptomKind {
        self.fact.kind()
    }
}
