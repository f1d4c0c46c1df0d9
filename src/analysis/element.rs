//! Parts of the harness in the answer: which of them explains a finding, and why the others do not.

use super::finding::{Reading, ReadingValue, SupplySide};
use super::subject::Subject;
use crate::wiring_file::{Carries, Described, ElementKind};

/// What the wiring file adds to the findings; empty without one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wiring {
    /// The parts of the harness, in the order of the file.
    pub elements: Vec<Element>,
    /// Places of those that explain something that is there now, with the probability of each,
    /// most probable first.
    pub ranked: Vec<(usize, f64)>,
    /// What was measured at them.
    pub taken: Vec<Taken>,
    /// Of a harness description what was made of it, and how many of its plugs are of no node.
    pub described: Option<(Described, usize)>,
}

/// A reading at an element.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// Place of the element.
    pub element: usize,
    /// What was measured.
    pub text: String,
    /// What came of it.
    pub value: ReadingValue,
    /// How many times likelier that is where the element has the fault than where it has not.
    pub ratio: f64,
    /// It was not written down: a mark that stands out shows it.
    pub marked: bool,
    /// When and where, in the user's words.
    pub at: Option<String>,
    /// More of the user's words.
    pub note: Option<String>,
}

/// A part of the harness, fitted to the capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Element {
    /// Its name, as the user gave it.
    pub name: String,
    /// What it is.
    pub kind: ElementKind,
    /// What it carries to its nodes.
    pub carries: Carries,
    /// The nodes of this capture that hang on it, ascending.
    pub feeds: Vec<Subject>,
    /// What has to be opened to reach it, in the user's words.
    pub access: Option<String>,
    /// Minutes to reach it.
    pub minutes: f64,
}

impl Element {
    /// The side of the supply that it carries; `None` where it carries both or none.
    pub fn side(&self) -> Option<SupplySide> {
        match (self.carries.supply, self.carries.ground) {
            (true, false) => Some(SupplySide::Supply),
            (false, true) => Some(SupplySide::Ground),
            _ => None,
        }
    }

    /// Whether a reading at a module measures through it and is as it should be.
    pub fn is_proved_by(&self, read: &Reading) -> bool {
        read.one_sided.is_some_and(|own| own.good && Some(own.side) == self.side())
            && self.feeds.contains(&read.subject)
    }
}

/// Where in the harness a finding has its cause.
#[derive(Clone, Debug, PartialEq)]
pub struct Suspected {
    /// What explains it, likeliest first; at least one.
    pub fits: Vec<Fit>,
    /// Places of the elements that no capture can tell from the likeliest one.
    pub alike: Vec<usize>,
    /// Elements that feed what was lost and do not explain it.
    pub cleared: Vec<Cleared>,
    /// Place in [`super::finding::Findings::next_tests`] of the test that tells it from those that
    /// are alike.
    pub tells: Option<usize>,
    /// Whose frames errors destroyed, held against the likeliest; `None` where too few are known,
    /// or it has nothing to do with the bus.
    pub strikes: Option<Strikes>,
}

/// Whose frames the errors of a bus destroyed, held against an element.
#[derive(Clone, Debug, PartialEq)]
pub struct Strikes {
    /// Destroyed frames of what hangs on it.
    pub frames: u64,
    /// … of so many whose sender is known.
    pub of: u64,
    /// Its share of the traffic, 0 to 1.
    pub share: f64,
    /// Probability of so many, or of so few where they are fewer than by its share, if errors
    /// struck everybody alike: binomial, exact.
    pub chance: f64,
    /// What that speaks for.
    pub manner: Manner,
}

/// What destroyed frames say of an element.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// They are of what hangs on it.
    Behind,
    /// They are of all but what hangs on it: that misreads what others send.
    AllBut,
    /// They are of everybody alike.
    Everyone,
}

/// One element, or two where no single one does, that would explain a finding.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Place of the element.
    pub element: usize,
    /// Place of a second one that has to have failed besides.
    pub with: Option<usize>,
    /// Its share of the probability of the finding, 0 to 1.
    pub share: f64,
}

/// An element that does not explain a finding.
#[derive(Clone, Debug, PartialEq)]
pub struct Cleared {
    /// Place of the element.
    pub element: usize,
    /// Why not.
    pub why: WhyNot,
}

/// Why an element does not explain a finding.
#[derive(Clone, Debug, PartialEq)]
pub enum WhyNot {
    /// It alone feeds these, and they kept sending.
    KeptSending(Vec<Subject>),
    /// It carries no supply and no ground, and what was lost started anew.
    CarriesNoPower,
    /// It does not carry the bus, and what was lost ran on.
    CarriesNoBus,
    /// These were lost with the others and do not hang on it.
    DoesNotFeed(Vec<Subject>),
    /// Errors destroyed the frames of others alike.
    StruckElsewhere(Strikes),
}

impl Suspected {
    /// The likeliest.
    pub fn first(&self) -> Option<&Fit> {
        self.fits.first()
    }

    /// Whether the element at a place explains it, alone or with another.
    pub fn explains(&self, element: usize) -> bool {
        self.fits.iter().any(|fit| fit.element == element || fit.with == Some(element))
    }

    /// Whether the element at a place feeds what was lost and does not explain it.
    pub fn clears(&self, element: usize) -> bool {
        self.cleared.iter().any(|own| own.element == element)
    }
}
