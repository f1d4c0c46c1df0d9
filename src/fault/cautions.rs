//! What to be careful of with a finding or a test. A caution hangs on what a thing is called, on
//! the codes that speak of it, on the class of the finding, and on the test. Of what nobody knows
//! what it is, the worst is taken to be true.

use super::advice;
use super::knowledge::{Access, Test};
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, ClassName, Evidence, Finding, NextTest, Observation};
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::Fact;
use crate::fold::diagnostics::{CodeNumber, Module};
use crate::ids::NodeIndex;

/// Cautions, each once.
#[derive(Default)]
struct Gathered(Vec<Caution>);

impl Gathered {
    fn add<'a>(&mut self, cautions: impl IntoIterator<Item = &'a Caution>) {
        for caution in cautions {
            if !self.0.iter().any(|known| known.id == caution.id) {
                self.0.push(caution.clone());
            }
        }
    }
}

/// What to be careful of with a finding.
pub fn of_finding(
    analysis: &Analysis,
    class: &ClassName,
    subject: &Subject,
    evidence: &[Evidence],
    codes: &[usize],
) -> Vec<Caution> {
    let mut out = Gathered::default();
    about(analysis, subject, &mut out);
    for evidence in evidence {
        let Observation::Symptom(touched, fact) = &evidence.what else { continue };
        for name in names(analysis, touched).into_iter().chain(told(analysis, fact)) {
            out.add(advice::cautions(&name));
        }
        // There the one that misses it is what is measured at.
        if let (true, Fact::MissedByOthers(at)) = (*class == ClassName::NOT_RECEIVED, fact) {
            for module in &analysis.diagnosis.blame[*at].reporters {
                of_module(analysis, *module)
                    .iter()
                    .for_each(|name| out.add(advice::cautions(name)));
            }
        }
    }
    for code in codes {
        match analysis.diagnosis.codes[*code].number {
            CodeNumber::Code(code) => out.add(advice::cautions_of(code)),
            CodeNumber::SpnFmi { spn, .. } => out.add(advice::cautions_of_known_spn(spn)),
        }
    }
    out.add(advice::cautions_of_class(class));
    out.0
}

/// What to be careful of with a test: first with what it is about, for that hurts most.
pub fn of_test(
    analysis: &Analysis,
    subject: &Subject,
    test: &Test,
    access: &Access,
    findings: &[&Finding],
) -> Vec<Caution> {
    let mut out = Gathered::default();
    about(analysis, subject, &mut out);
    for finding in findings.iter().filter(|finding| finding.subject == *subject) {
        out.add(&finding.cautions);
    }
    let own = test.cautions.iter().chain(&access.cautions);
    out.add(own.filter_map(|id| advice::named(id)));
    out.0
}

/// What to be careful of with a module, a bus or a vehicle, by what it is.
pub fn of_subject(analysis: &Analysis, subject: &Subject) -> Vec<Caution> {
    let mut out = Gathered::default();
    about(analysis, subject, &mut out);
    out.0
}

/// What to be careful of with a report: what holds for all, and each that hangs on a finding or a
/// test of it.
pub fn of_report(ranked: &[Finding], tests: &[NextTest]) -> Vec<Caution> {
    let mut out = Gathered::default();
    out.add(advice::general());
    let shown = ranked.iter().filter(|finding| !finding.benign);
    shown.for_each(|finding| out.add(&finding.cautions));
    tests.iter().for_each(|test| out.add(&test.cautions));
    out.0
}

/// Cautions of a module, a bus or a vehicle by what it is.
fn about(analysis: &Analysis, subject: &Subject, out: &mut Gathered) {
    if !is_known(analysis, subject) {
        out.add([advice::unknown()]);
    }
    for name in names(analysis, subject) {
        out.add(advice::cautions(&name));
    }
}

/// Whether it is known what all of it is. A bus and a vehicle are known to be all kinds of things;
/// their tests carry cautions for that.
fn is_known(analysis: &Analysis, subject: &Subject) -> bool {
    let node = |node: &NodeIndex| analysis.is_known(*node);
    let module = |module: &Unheard| match module {
        Unheard::Asked(module) => {
            analysis.module_name(*module).called.is_some()
                || analysis.node_of(*module).is_some_and(|at| node(&at))
        }
        Unheard::Missed(_) | Unheard::Named(_) => true,
    };
    match subject {
        Subject::Node(at) => node(at),
        Subject::Nodes(nodes) => nodes.iter().all(node),
        Subject::Sender(id) => analysis.at_address(*id).is_some_and(|at| node(&at)),
        Subject::Module(own) | Subject::Unplaced(own, _) => module(own),
        Subject::Modules(all) => all.iter().all(module),
        Subject::Channel(_) | Subject::Vehicle => true,
    }
}

/// All that something is called: by the roster, by its address, by itself, and by the codes that
/// the frames show to mean it.
fn names(analysis: &Analysis, subject: &Subject) -> Vec<String> {
    match subject {
        Subject::Node(node) => of_node(analysis, *node),
        Subject::Nodes(nodes) => nodes.iter().flat_map(|node| of_node(analysis, *node)).collect(),
        Subject::Module(module) | Subject::Unplaced(module, _) => of_unheard(analysis, module),
        Subject::Modules(all) => all.iter().flat_map(|own| of_unheard(analysis, own)).collect(),
        Subject::Sender(id) => {
            analysis.at_address(*id).map_or(Vec::new(), |node| of_node(analysis, node))
        }
        Subject::Channel(_) | Subject::Vehicle => Vec::new(),
    }
}

fn of_unheard(analysis: &Analysis, module: &Unheard) -> Vec<String> {
    match module {
        Unheard::Asked(module) => of_module(analysis, *module),
        Unheard::Missed(missed) => vec![missed.0.clone()],
        Unheard::Named(name) => vec![name.clone()],
    }
}

fn of_node(analysis: &Analysis, node: NodeIndex) -> Vec<String> {
    let blame = analysis.diagnosis.blame.iter();
    let missed = blame.filter(|row| row.frames.node() == Some(node));
    let modules = analysis.diagnosis.identity.iter().map(|entry| entry.module);
    let own = modules.filter(|module| analysis.node_of(*module) == Some(node));
    std::iter::once(analysis.node_name(node))
        .chain(missed.map(|row| row.missed.0.clone()))
        .chain(own.map(|module| analysis.module_name(module).to_string()))
        .collect()
}

fn of_module(analysis: &Analysis, module: Module) -> Vec<String> {
    let node = analysis.node_of(module).map(|node| analysis.node_name(node));
    std::iter::once(analysis.module_name(module).to_string()).chain(node).collect()
}

/// Modules that a fact names beside what it is about; not those that only report.
fn told(analysis: &Analysis, fact: &Fact) -> Vec<String> {
    match fact {
        Fact::MissedByOthers(row) | Fact::Misfit(row) => {
            vec![analysis.diagnosis.blame[*row].missed.0.clone()]
        }
        Fact::BadData(sender) => vec![sender.0.clone()],
        Fact::OtherIdentity(entry) => {
            of_module(analysis, analysis.diagnosis.identity[*entry].module)
        }
        Fact::NoAnswer { module, .. }
        | Fact::MissesMany { module, .. }
        | Fact::MissesMessages { module, .. }
        | Fact::Unconfigured(module)
        | Fact::InternalCode(module)
        | Fact::LowSupply(module) => of_module(analysis, *module),
        Fact::OwnBusOff(modules) => match modules[..] {
            [module] => of_module(analysis, module),
            _ => Vec::new(),
        },
        _ => Vec::new(),
    }
}
