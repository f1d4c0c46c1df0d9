//! Tests at the elements, among those of the findings: most probability for its minutes first, what
//! has to be opened counted once, as in `fault::next_tests`.

use std::collections::BTreeSet;

use super::fits::Harness;
use super::table::Elements;
use crate::analysis::Analysis;
use crate::analysis::element::Element;
use crate::analysis::finding::{Caution, Finding, NextTest, Standing};
use crate::analysis::subject::Subject;
use crate::fault::{WORTH, advice};

/// A test that is not at the element shows what fails and not where: it is worth so much of one
/// that does, as far as an element is behind the finding.
const NOT_THE_PLACE: f64 = 0.2;

/// A test at an element that may come next.
struct Open {
    element: usize,
    finds: f64,
    findings: Vec<usize>,
    standing: Standing,
}

/// The tests of the findings and of the elements behind them, in the order to do them.
pub fn merge(harness: &Harness<'_>, ranked: &[Finding], tests: Vec<NextTest>) -> Vec<NextTest> {
    let Harness { analysis, elements, taken, read, .. } = *harness;
    let standing = |findings: &[usize]| {
        let own = findings.iter().map(|place| ranked[place - 1].standing);
        own.min().unwrap_or(Standing::Benign)
    };
    let mut others = tests.into_iter().map(|test| lessened(ranked, test)).peekable();
    let mut open = possible(elements, ranked, &standing);
    // What has been measured is not asked for again, nor what a reading at a module measures
    // through.
    let proved = |at: usize| read.iter().any(|own| elements[at].is_proved_by(own));
    open.retain(|open| taken.iter().all(|own| own.element != open.element));
    open.retain(|open| !proved(open.element));
    let mut opened = BTreeSet::new();
    let mut out = Vec::new();
    loop {
        let best = (0..open.len()).max_by(|a, b| {
            let worth = |at: usize| worth(elements, &open, at, &opened);
            let nearest = open[*b].standing.cmp(&open[*a].standing);
            nearest.then(worth(*a).total_cmp(&worth(*b))).then(b.cmp(a))
        });
        let at_element = match (best, others.peek()) {
            (None, None) => return asked_first(out),
            (Some(_), None) => true,
            (None, Some(_)) => false,
            (Some(at), Some(other)) => {
                let own = (open[at].standing, worth(elements, &open, at, &opened));
                let else_where = (standing(&other.findings), other.finds / other.minutes.max(0.1));
                own.0 < else_where.0 || (own.0 == else_where.0 && own.1 >= else_where.1)
            }
        };
        match best {
            Some(at) if at_element => {
                let open = open.remove(at);
                let first = opened.insert(cover(elements, open.element));
                out.push(test(analysis, elements, ranked, &open, first));
            }
            _ => out.extend(others.next().filter(|test| test.goes_first || test.finds >= WORTH)),
        }
    }
}

/// What goes before all other tests of what it is about goes before those at its elements too.
fn asked_first(mut tests: Vec<NextTest>) -> Vec<NextTest> {
    for at in 0..tests.len() {
        let alike = |test: &NextTest| test.subject == tests[at].subject;
        if let Some(to) = tests[..at].iter().position(alike).filter(|_| tests[at].goes_first) {
            tests[to..=at].rotate_right(1);
        }
    }
    tests
}

/// A test of a finding, with what it is worth where an element is behind that.
fn lessened(ranked: &[Finding], test: NextTest) -> NextTest {
    let of = || test.findings.iter().map(|place| &ranked[place - 1]);
    let all: f64 = of().map(|finding| finding.probability).sum();
    let at_elements = |finding: &Finding| -> f64 {
        finding.element.iter().flat_map(|own| &own.fits).map(|fit| fit.share).sum()
    };
    let there: f64 = of().map(|finding| finding.probability * at_elements(finding)).sum();
    let share = if all > 0.0 { there / all } else { 0.0 };
    NextTest { finds: test.finds * (1.0 - share * (1.0 - NOT_THE_PLACE)), ..test }
}

fn possible(
    elements: &[Element],
    ranked: &[Finding],
    standing: &dyn Fn(&[usize]) -> Standing,
) -> Vec<Open> {
    let open = |element: usize| {
        let share = |finding: &Finding| -> f64 {
            let fits = finding.element.iter().flat_map(|own| &own.fits);
            let own = fits.filter(|fit| fit.element == element || fit.with == Some(element));
            own.map(|fit| fit.share).sum()
        };
        let is_open = |finding: &Finding| !finding.benign && !finding.is_repaired();
        let of = |place: &usize| is_open(&ranked[*place]) && share(&ranked[*place]) > 0.0;
        let places: Vec<usize> = (0..ranked.len()).filter(of).collect();
        let there = places.iter().map(|at| ranked[*at].probability * share(&ranked[*at]));
        let finds =
            there.sum::<f64>().min(1.0) * Elements::built_in().of(elements[element].kind).found;
        let findings: Vec<usize> = places.iter().map(|place| place + 1).collect();
        Open { element, finds, standing: standing(&findings), findings }
    };
    (0..elements.len()).map(open).filter(|open| open.finds >= WORTH).collect()
}

/// What has to be opened to reach an element: what the file calls alike is the same.
fn cover(elements: &[Element], at: usize) -> (Option<String>, usize) {
    match &elements[at].access {
        Some(access) => (Some(access.clone()), 0),
        None => (None, at),
    }
}

/// Probability for its minutes of a test, alone or with the best of those behind the same cover.
fn worth(
    elements: &[Element],
    open: &[Open],
    at: usize,
    opened: &BTreeSet<(Option<String>, usize)>,
) -> f64 {
    let own = cover(elements, open[at].element);
    let minutes = |open: &Open| Elements::built_in().of(elements[open.element].kind).minutes;
    let reach = if opened.contains(&own) { 0.0 } else { elements[open[at].element].minutes };
    let (mut sum, mut cost) = (open[at].finds, reach + minutes(&open[at]));
    let mut best = sum / cost.max(0.1);
    let behind =
        |other: &&Open| other.element != open[at].element && cover(elements, other.element) == own;
    let mut others: Vec<&Open> = open.iter().filter(behind).collect();
    others.sort_by(|a, b| (b.finds / minutes(b)).total_cmp(&(a.finds / minutes(a))));
    for other in others {
        sum += other.finds;
        cost += minutes(other);
        best = best.max(sum / cost.max(0.1));
    }
    best
}

fn test(
    analysis: &Analysis,
    elements: &[Element],
    ranked: &[Finding],
    open: &Open,
    first: bool,
) -> NextTest {
    let element = &elements[open.element];
    let table = Elements::built_in().of(element.kind);
    let reach = if first { element.minutes } else { 0.0 };
    NextTest {
        subject: ranked[open.findings[0] - 1].subject.clone(),
        element: Some(open.element),
        title: table.title.clone(),
        brief: table.brief.clone(),
        why: table.why.clone(),
        how: table.how.clone(),
        cautions: cautions(analysis, element, ranked, open),
        minutes: table.minutes + reach,
        access: element.access.clone().unwrap_or_default(),
        goes_first: false,
        open_already: !first && element.minutes > 0.0,
        reading_expected: table.reading.clone(),
        source: table.source.clone(),
        finds: open.finds,
        findings: open.findings.clone(),
    }
}

/// What to be careful of: with all that hangs on the element, with what it is called, with the
/// findings, and with the test.
fn cautions(
    analysis: &Analysis,
    element: &Element,
    ranked: &[Finding],
    open: &Open,
) -> Vec<Caution> {
    let mut out: Vec<Caution> = Vec::new();
    let mut add = |caution: &Caution| {
        if !out.iter().any(|known| known.id == caution.id) {
            out.push(caution.clone());
        }
    };
    for fed in &element.feeds {
        match fed {
            Subject::Node(node) if analysis.is_known(*node) => {
                advice::cautions(&analysis.node_name(*node)).for_each(&mut add);
            }
            _ => add(advice::unknown()),
        }
    }
    let called = [Some(&element.name), element.access.as_ref()];
    called.into_iter().flatten().flat_map(|text| advice::cautions(text)).for_each(&mut add);
    let own = open.findings.iter().flat_map(|place| &ranked[place - 1].cautions);
    own.for_each(&mut add);
    let table = Elements::built_in().of(element.kind);
    table.cautions.iter().filter_map(|id| advice::named(id)).for_each(&mut add);
    out
}
