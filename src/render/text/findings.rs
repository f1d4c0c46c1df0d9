//! Findings and what to test next, for a terminal.

use std::io::{self, Write};

use super::paper::Paper;
use super::{BAD, GOOD, HEAD};
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, Evidence, Finding, NextTest, Observation, Side, Standing};
use crate::fault::order::explain_the_same;
use crate::words::fault as words;
use crate::words::{first_screen, headline, unnamed, wiring};

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
    for at in 0..ranked.len() {
        let heading = heading(ranked, at);
        if last != Some(heading) {
            if last.is_some() && last == leading {
                none_of_these(analysis, out)?;
            }
            let space = if last.is_some() { "\n" } else { "" };
            writeln!(out, "{space}{HEAD}{heading}{HEAD:#}")?;
        }
        finding(analysis, at, out)?;
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
    writeln!(out, "{HEAD}Before you measure{HEAD:#}")?;
    for caution in analysis.cautions() {
        if of_test(caution) && !of_finding(caution) {
            continue;
        }
        let begin = format!("  {BAD}CAUTION{BAD:#} ");
        out.hanging(&format!("{} [{}]", caution.text, caution.source), &begin, "    ")?;
    }
    writeln!(out)
}

fn finding(analysis: &Analysis, at: usize, out: &mut Paper<'_>) -> io::Result<()> {
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
    consequences(analysis, own, out)
}

/// What speaks for and against a finding. What an earlier one rests on as well is said there.
fn evidence(analysis: &Analysis, at: usize, out: &mut Paper<'_>) -> io::Result<()> {
    let (before, rest) = analysis.ranked().split_at(at);
    let own = &rest[0];
    let earlier = before.iter().position(|earlier| explain_the_same(earlier, own));
    if let Some(earlier) = earlier {
        let text = format!("rests on the same as {}; other than there:", earlier + 1);
        out.hanging(&text, INDENT, &format!("{INDENT}  "))?;
    }
    let said = |evidence: &&Evidence| {
        earlier.is_some_and(|earlier| {
            let same = |other: &Evidence| {
                other.what == evidence.what
                    && (other.side() == evidence.side()
                        || matches!(other.what, Observation::Symptom(..)))
            };
            before[earlier].evidence.iter().any(same)
        })
    };
    for evidence in own.evidence.iter().filter(|evidence| !said(evidence)) {
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

/// Codes that would go, what was done, and what to be careful of.
fn consequences(analysis: &Analysis, finding: &Finding, out: &mut Paper<'_>) -> io::Result<()> {
    let codes = words::codes_explained(analysis, finding);
    if !codes.is_empty() {
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
    for caution in &finding.cautions {
        let begin = format!("{INDENT}{BAD}CAUTION{BAD:#} ");
        out.hanging(&caution.brief, &begin, &format!("{INDENT}  "))?;
    }
    Ok(())
}

fn tests(analysis: &Analysis, tests: &[NextTest], out: &mut Paper<'_>) -> io::Result<()> {
    if tests.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}What to test next (quickest wins first){HEAD:#}")?;
    for (at, test) in tests.iter().take(TESTS).enumerate() {
        let heading = format!(
            "{}. {} ({})",
            at + 1,
            words::test_title(analysis, test),
            words::test_worth(test)
        );
        out.hanging(&heading, "  ", "     ")?;
        let brief: Vec<&str> = test.cautions.iter().map(|caution| caution.brief.as_str()).collect();
        let begin = format!("     {BAD}CAUTION{BAD:#} ");
        out.hanging(&brief.join(" "), &begin, "       ")?;
        out.hanging(&format!("{} {}", test.how, test.why), "     ", "     ")?;
        let expect = format!("expect: {} [{}]", test.reading_expected, test.source);
        out.hanging(&expect, "     ", "       ")?;
        let open = format!("open: {}", words::test_access(analysis, test));
        out.hanging(&open, "     ", "       ")?;
        let told = tests[..at].iter().any(|earlier| earlier.subject == test.subject);
        if let (false, Some(find)) = (told, unnamed::to_find(analysis, &test.subject)) {
            out.hanging(&format!("to find it: {find}"), "     ", "       ")?;
            let name = format!("to name it: {}", unnamed::to_name(analysis));
            out.hanging(&name, "     ", "       ")?;
        }
    }
    if tests.len() > TESTS {
        writeln!(out, "  … and {} more (--format json has them all)", tests.len() - TESTS)?;
    }
    writeln!(out, "  Manufacturer limits take precedence.")?;
    writeln!(out)
}
