//! The figures of a score.

use std::collections::BTreeMap;

use crate::case::Set;
use crate::judge::{Subject, Verdict};

/// A share: how many of how many.
#[derive(Clone, Copy, Default, Debug)]
pub struct Share {
    /// How many.
    pub of: usize,
    /// Of how many.
    pub all: usize,
}

impl Share {
    /// Counts one.
    pub fn add(&mut self, yes: bool) {
        self.of += usize::from(yes);
        self.all += 1;
    }

    /// As a number; 0 where there is nothing.
    pub fn value(self) -> f64 {
        if self.all == 0 { 0.0 } else { self.of as f64 / self.all as f64 }
    }
}

impl std::fmt::Display for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        write!(f, "{:.3}  ({} of {})", self.value(), self.of, self.all)
    }
}

/// What is stated against what is true.
#[derive(Clone, Debug, Default)]
pub struct Stated {
    /// Stated at 95 % or more, and true.
    pub sure: Share,
    /// Bins of a tenth: findings, true ones, sum of probabilities.
    pub bins: [(usize, usize, f64); 10],
}

impl Stated {
    /// Counts a finding.
    pub fn add(&mut self, probability: f64, holds: bool) {
        let bin = &mut self.bins[((probability * 10.0) as usize).min(9)];
        bin.0 += 1;
        bin.1 += usize::from(holds);
        bin.2 += probability;
        if probability >= 0.95 {
            self.sure.add(holds);
        }
    }

    /// Expected calibration error over the bins.
    pub fn error(&self) -> f64 {
        let all: usize = self.bins.iter().map(|bin| bin.0).sum();
        let off: f64 = self.bins.iter().map(|bin| (bin.1 as f64 - bin.2).abs()).sum();
        if all == 0 { 0.0 } else { off / all as f64 }
    }
}

/// The figures of the table.
#[derive(Clone, Debug, Default)]
pub struct Figures {
    /// First finding right.
    pub first: Share,
    /// First right, where what is true besides is passed over.
    pub first_leniently: Share,
    /// Among the first three.
    pub three: Share,
    /// Both of a pair among the first three.
    pub both: Share,
    /// Sound vehicles blamed above 20 %.
    pub blamed: Share,
    /// What is stated against what is true.
    pub stated: Stated,
    /// By class of finding: how many, true ones, sum of probabilities.
    pub classes: BTreeMap<String, (usize, usize, f64)>,
    /// Addressed by one of the first two tests.
    pub addressed: Share,
    /// Groups named exactly, where a finding of the right class named them at least partly.
    pub exact: Share,
    /// By fault: first right, among three.
    pub by_fault: BTreeMap<String, (Share, Share)>,
    /// First finding's class by fault.
    pub confusion: BTreeMap<(String, String), usize>,
    /// Minutes: sum of each order, and cases.
    pub minutes: ([f64; 4], usize),
    /// Errors by load: 10, 20, 40, 60 % and more: nameable and named, named and right.
    pub errors: [(Share, Share); 4],
    /// Errors of arbitration that were named all the same.
    pub early: Share,
    /// Findings about an airbag unit that say what to be careful of.
    pub careful: Share,
    /// The tool failed.
    pub failed: usize,
}

/// Upper ends of the classes of load.
pub const LOADS: [f64; 4] = [0.15, 0.30, 0.50, 1.01];

impl Figures {
    /// Takes in a case.
    pub fn add(&mut self, set: Set, verdict: &Verdict) {
        self.failed += usize::from(verdict.failed.is_some());
        match set {
            Set::Singles => self.single(verdict),
            Set::Pairs => {
                let found = |number| {
                    verdict.faults().take(3).any(|finding| finding.right.contains(&number))
                };
                self.both.add(found(0) && found(1));
            }
            Set::Sound => {
                let blamed = verdict.faults().any(|f| f.probability > 0.2 && !f.besides);
                self.blamed.add(blamed);
            }
        }
        self.calibrate(verdict);
        self.destroyed(verdict);
    }

    fn single(&mut self, verdict: &Verdict) {
        let fault = verdict.truth.planted[0].fault.clone();
        let first = verdict.faults().next();
        let right = first.is_some_and(|finding| !finding.right.is_empty());
        let three = verdict.faults().take(3).any(|finding| !finding.right.is_empty());
        let other = verdict.faults().find(|f| !f.besides || !f.right.is_empty());
        self.first.add(right);
        self.first_leniently.add(other.is_some_and(|finding| !finding.right.is_empty()));
        self.three.add(three);
        let row = self.by_fault.entry(fault.clone()).or_default();
        row.0.add(right);
        row.1.add(three);
        let class = match first {
            None => "nothing".to_owned(),
            Some(finding) if finding.subject == Subject::Wrong => format!("{} *", finding.class),
            Some(finding) => finding.class.clone(),
        };
        *self.confusion.entry((fault.clone(), class)).or_default() += 1;
        self.addressed.add(verdict.tests.iter().take(2).any(|hit| *hit));
        let named = verdict.faults().find(|finding| !finding.right.is_empty());
        if let Some(finding) = named.filter(|_| fault == "restraint") {
            self.careful.add(finding.careful);
        }
        if let Some(finding) = named.filter(|_| verdict.truth.planted[0].nodes.len() > 1) {
            self.exact.add(finding.subject == Subject::Exact);
        }
        if let Some(minutes) = verdict.minutes {
            for (sum, one) in self.minutes.0.iter_mut().zip(minutes) {
                *sum += one;
            }
            self.minutes.1 += 1;
        }
    }

    fn calibrate(&mut self, verdict: &Verdict) {
        for finding in &verdict.findings {
            self.stated.add(finding.probability, finding.holds);
            let class = self.classes.entry(finding.class.clone()).or_default();
            class.0 += 1;
            class.1 += usize::from(finding.holds);
            class.2 += finding.probability;
        }
    }

    fn destroyed(&mut self, verdict: &Verdict) {
        for (place, said) in &verdict.errors {
            let really = &verdict.truth.errors[*place];
            if really.early {
                self.early.add(said.is_some());
                continue;
            }
            if really.torn {
                continue;
            }
            let load = verdict.truth.loads[really.channel];
            let class = LOADS.iter().position(|end| load < *end).unwrap_or(3);
            self.errors[class].0.add(said.is_some());
            if let Some(said) = said {
                self.errors[class].1.add(*said == really.id);
            }
        }
    }
}
