//! Findings and what to test next, for a terminal.

use std::io::{self, Write};

use super::paper::Paper;
use super::{BAD, GOOD, HEAD};
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, Evidence, Finding, NextTest, Observation, Side, Standing};
use crate::fault::order::explain_the_same;
use crate::words::fault as words;
use crate::words::{first_screen, headline, steps, unnamed, wiring};

/// Findings shown in full; less probable ones in a line each.
const IN_FULL: usize = 5;
/// Tests shown.
const TESTS: usize = 8;
/// Parts of the harness shown.
const ELEMENTS: usize = 6;
/// Codes named with a finding.
const CODES: usize = 8;
/// Under a finding.
const INDENT: &str = "          ";

pub(super) fn render(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let ranked = analysis.ranked();
    let leading = ranked.first().map(|_| heading(ranked, 0));
    let mut last = None;
    // What the first screen says is said.
    let mut told = first_screen::cautions(analysis, &analysis.headline());
    for at in 0..ranked.len() {
        let heading = heading(ranked, at);
        if last != Some(heading) {
            if last.is_some() && last == leading {
                none_of_these(analysis, out)?;
            }
            let space = if last.is_some() { "\n" } else { "" };
            writeln!(out, "{space}{HEAD}{heading}{HEAD:#}")?;
        }
        finding(analysis, at, &mut told, out)?;
        last = Some(heading);
    }
    if last.is_some() {
        if last == leading {
            none_of_these(analysis, out)?;
        }
        writeln!(out)?;
    }
    harness(analysis, out)?;
    cautions(analysis, out)?;
    tests(analysis, analysis.next_tests(), out)
}

/// Over what a finding stands: behind one explanation of each thing come the rivals of all.
fn heading(ranked: &[Finding], at: usize) -> &'static str {
    let falls = |pair: &[Finding]| pair[1].standing < pair[0].standing;
    match ranked[at].standing {
        Standing::Benign => words::standing(Standing::Benign),
        _ if ranked[..=at].windows(2).any(falls) => words::RIVALS,
        standing => words::standing(standing),
    }
}

/// Parts of the harness, over all findings.
fn harness(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let Some(findings) = analysis.findings.as_ref() else { return Ok(()) };
    let ranked = &findings.wiring.ranked;
    let described = wiring::described(analysis);
    if ranked.is_empty() && described.is_none() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Where in the harness{HEAD:#}")?;
    for (at, probability) in ranked.iter().take(ELEMENTS) {
        let percent = format!("{:>7.0} % ", probability * 100.0);
        let text = wiring::in_list(analysis, &findings.wiring.elements[*at]);
        out.hanging(&text, &percent, INDENT)?;
    }
    if let Some(told) = described {
        out.hanging(&told, "     ", INDENT)?;
    }
    writeln!(out)
}

/// Behind the findings that the first one stands among.
fn none_of_these(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    match first_screen::none_of_these(analysis) {
        Some(text) => out.hanging(&text, "     ", INDENT),
        None => Ok(()),
    }
}

/// What can hurt stands before what to do. What only a test asks for stands beside it in short.
fn cautions(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let of_finding = |caution: &Caution| {
        analysis.ranked().iter().any(|finding| finding.cautions.contains(caution))
    };
    let of_test = |caution: &Caution| {
        analysis.next_tests().iter().any(|test| test.cautions.contains(caution))
    };
    // Where there is nothing to do nothing can hurt.
    if analysis.ranked().is_empty() && analysis.next_tests().is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Before you measure{HEAD:#}")?;
    for caution in analysis.cautions() {
        if of_test(caution) && !of_finding(caution) {
            continue;
        }
        let begin = format!("  {BAD}CAUTION{BAD:#} ");
        let text = format!("{}{}", caution.text, steps::source(&caution.source));
        out.hanging(&text, &begin, "    ")?;
    }
    writeln!(out)
}

fn finding<'a>(
    analysis: &'a Analysis,
    at: usize,
    told: &mut Vec<&'a Caution>,
    out: &mut Paper<'_>,
) -> io::Result<()> {
    let own = &analysis.ranked()[at];
    let style = if own.benign { GOOD } else { BAD };
    let percent = format!("{:>9}", headline::percent(own));
    out.hanging(
        &format!("{}. {}", at + 1, words::title(analysis, own)),
        &format!("{style}{percent}{style:#} "),
        INDENT,
    )?;
    if at >= IN_FULL {
        return Ok(());
    }
    out.hanging(&own.explanation, INDENT, INDENT)?;
    evidence(analysis, at, out)?;
    let sets = analysis.findings.iter().flat_map(|findings| &findings.undecided);
    for set in sets.filter(|set| set.findings.last() == Some(&at)) {
        let text = first_screen::undecided(analysis, set);
        out.hanging(&text, &format!("{INDENT}{HEAD}?{HEAD:#} "), &format!("{INDENT}  "))?;
    }
    let places = wiring::sentences(analysis, own);
    places.iter().try_for_each(|text| out.hanging(text, INDENT, &format!("{INDENT}  ")))?;
    consequences(analysis, at, out)?;
    let begin = format!("{INDENT}{BAD}CAUTION{BAD:#} ");
    cautioned(&own.cautions, told, &begin, out)
}

/// What to be careful of in short, what was told before by its beginning.
fn cautioned<'a>(
    cautions: &'a [Caution],
    told: &mut Vec<&'a Caution>,
    begin: &str,
    out: &mut Paper<'_>,
) -> io::Result<()> {
    let next = " ".repeat(begin.len() - begin.trim_start().len() + 2);
    let text = steps::cautions(cautions, told);
    if text.is_empty() { Ok(()) } else { out.hanging(&text, begin, &next) }
}

/// What speaks for and against a finding. What earlier ones rest on as well is said there.
fn evidence(analysis: &Analysis, at: usize, out: &mut Paper<'_>) -> io::Result<()> {
    let (before, rest) = analysis.ranked().split_at(at);
    let own = &rest[0];
    let earlier: Vec<usize> = (0..before.len().min(IN_FULL))
        .filter(|at| explain_the_same(&before[*at], own) || shares(&before[*at], own))
        .collect();
    // A sign that hardly tells is worth no second mention.
    let said = |evidence: &&Evidence| {
        let same = |other: &Evidence| {
            other.what == evidence.what
                && (other.side() == evidence.side()
                    || evidence.side() == Side::Neutral
                    || matches!(other.what, Observation::Symptom(..)))
        };
        evidence.tells_nothing() || earlier.iter().any(|at| before[*at].evidence.iter().any(same))
    };
    // A sign that is not said stands under its symptom.
    let is_sign = |own: &&Evidence| matches!(own.what, Observation::Sign(_));
    let has_more = |at: usize| {
        let signs = own.evidence[at + 1..].iter().take_while(is_sign);
        !is_sign(&&own.evidence[at]) && signs.into_iter().any(|sign| !said(&sign))
    };
    let told = own.evidence.iter().enumerate();
    let told = told.filter(|(at, own)| !said(own) || has_more(*at)).map(|(_, own)| own);
    let more = words::in_order(told);
    if !earlier.is_empty() {
        let text = words::rests_on(&earlier, more.is_empty());
        out.hanging(&text, INDENT, &format!("{INDENT}  "))?;
    }
    for evidence in more {
        let mark = match evidence.side() {
            Side::For => "+ ",
            Side::Against => "- ",
            Side::Neutral => "  ",
        };
        let text = words::observation(analysis, &evidence.what);
        out.hanging(&text, &format!("{INDENT}{mark}"), &format!("{INDENT}  "))?;
    }
    Ok(())
}

/// Whether findings rest on the same symptom, among others.
fn shares(one: &Finding, other: &Finding) -> bool {
    let symptom = |own: &&Evidence| matches!(own.what, Observation::Symptom(..));
    let has = |own: &Evidence| one.evidence.iter().any(|before| before.what == own.what);
    other.evidence.iter().filter(symptom).any(has)
}

/// Codes that would go, and what was done.
fn consequences(analysis: &Analysis, at: usize, out: &mut Paper<'_>) -> io::Result<()> {
    let (before, finding) = (&analysis.ranked()[..at], &analysis.ranked()[at]);
    let codes = words::codes_explained(analysis, finding);
    let same = |earlier: &Finding| earlier.codes_explained == finding.codes_explained;
    let earlier = before.iter().take(IN_FULL).position(same);
    if let Some(earlier) = earlier.filter(|_| !codes.is_empty()) {
        out.hanging(&words::same_codes(earlier), INDENT, &format!("{INDENT}  "))?;
    } else if !codes.is_empty() {
        let more = codes.len().saturating_sub(CODES);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let shown: Vec<&str> = codes.iter().take(CODES).map(String::as_str).collect();
        let lamps = match finding.lamps {
            0 => String::new(),
            1 => "; 1 of them asks for a lamp".to_owned(),
            lamps => format!("; {lamps} of them ask for a lamp"),
        };
        let text = format!("Fixing this should clear: {}{more}{lamps}", shown.join(", "));
        out.hanging(&text, INDENT, &format!("{INDENT}  "))?;
    }
    for done in &finding.done {
        let done = words::done(done);
        out.hanging(&format!("done: {done}"), INDENT, &format!("{INDENT}  "))?;
    }
    Ok(())
}

fn tests(analysis: &Analysis, tests: &[NextTest], out: &mut Paper<'_>) -> io::Result<()> {
    if tests.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}What to test next (quickest wins first){HEAD:#}")?;
    let mut cautions = Vec::new();
    let mut named = false;
    for (at, test) in tests.iter().take(TESTS).enumerate() {
        let title = words::test_title(analysis, test);
        let heading = format!("{}. {title} ({})", at + 1, steps::worth(test));
        out.hanging(&heading, "  ", "     ")?;
        cautioned(&test.cautions, &mut cautions, &format!("     {BAD}CAUTION{BAD:#} "), out)?;
        let told = tests[..at].iter().any(|earlier| earlier.subject == test.subject);
        if !told && steps::is_found_first(test) {
            out.hanging(&format!("before it: {}", steps::FOUND_FIRST), "     ", "       ")?;
        }
        out.hanging(&format!("{} {}", test.how, test.why), "     ", "     ")?;
        let expect = format!("expect: {}{}", test.reading_expected, steps::source(&test.source));
        out.hanging(&expect, "     ", "       ")?;
        let access = format!("access: {}", words::test_access(analysis, test));
        out.hanging(&access, "     ", "       ")?;
        if let (false, Some(find)) = (told, unnamed::to_find(analysis, &test.subject)) {
            out.hanging(&format!("to find it: {find}"), "     ", "       ")?;
            let name = format!("to name it: {}", unnamed::to_name(analysis));
            if !std::mem::replace(&mut named, true) {
                out.hanging(&name, "     ", "       ")?;
            }
        }
    }
    if tests.len() > TESTS {
        writeln!(out, "  … and {} more (--format json has them all)", tests.len() - TESTS)?;
    }
    out.hanging(steps::SOURCES, "  ", "  ")?;
    writeln!(out)
}
