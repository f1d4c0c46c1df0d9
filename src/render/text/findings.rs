//! Findings and what to test next, for a terminal.

use std::io::{self, Write};

use super::paper::Paper;
use super::{BAD, GOOD, HEAD};
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, Evidence, Finding, NextTest, Observation, Side};
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
    let headings = words::headings(analysis);
    // Behind those that the first stands among, with their rivals: it may be none of them.
    let other = |own: &Option<&str>| own.is_some_and(|own| !words::RIVALS.contains(&own));
    let leading = headings.iter().skip(1).position(other);
    let leading = leading.map_or(ranked.len(), |others| others + 1);
    // What the first screen says is said.
    let mut told = first_screen::cautions(analysis, &analysis.headline());
    for (at, heading) in headings.into_iter().enumerate() {
        if let Some(heading) = heading {
            let space = if at > 0 { "\n" } else { "" };
            writeln!(out, "{space}{HEAD}{heading}{HEAD:#}")?;
        }
        finding(analysis, at, &mut told, out)?;
        if at + 1 == leading {
            none_of_these(analysis, out)?;
        }
    }
    if !ranked.is_empty() {
        writeln!(out)?;
    }
    harness(analysis, out)?;
    cautions(analysis, out)?;
    tests(analysis, analysis.next_tests(), out)
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
    let all = words::worth_saying(&rest[0].evidence);
    let earlier = said_before(&before[..before.len().min(IN_FULL)], &rest[0]);
    let known = |own: &Evidence| {
        let of = |at: &usize| before[*at].evidence.iter().find(|other| other.what == own.what);
        earlier.iter().find_map(of)
    };
    // A sign that hardly tells is worth no second mention.
    let said = |own: &Evidence| {
        let same = |other: &Evidence| {
            other.side() == own.side() || own.side() == Side::Neutral || is_symptom(own)
        };
        own.tells_nothing() || known(own).is_some_and(same)
    };
    let more = words::in_order(all.iter().copied().filter(|own| !said(own)));
    // Of several symptoms a sign names its own, where that has been said.
    let several = all.iter().filter(|own| is_symptom(own)).count() > 1;
    let of = |sign: &Evidence| {
        let at = all.iter().position(|own| std::ptr::eq(*own, sign))?;
        let symptom = all[..at].iter().rfind(|own| is_symptom(own))?;
        (several && is_sign(sign) && said(symptom)).then(|| words::about(analysis, &symptom.what))
    };
    if !earlier.is_empty() {
        let new = |own: &&Evidence| known(own).is_none();
        let besides = match more.iter().any(new) {
            _ if more.is_empty() => words::Besides::Nothing,
            true => words::Besides::More,
            false => words::Besides::Turned,
        };
        let has = |own: &Evidence| all.iter().any(|other| other.what == own.what);
        let mut theirs = earlier.iter().flat_map(|at| &before[*at].evidence);
        let in_part = theirs.any(|own| is_symptom(own) && !has(own));
        let text = words::rests_on(&earlier, in_part, besides);
        out.hanging(&text, INDENT, &format!("{INDENT}  "))?;
    }
    for evidence in more {
        let mark = match evidence.side() {
            Side::For => "+ ",
            Side::Against => "- ",
            Side::Neutral => "  ",
        };
        let of = of(evidence).map_or(String::new(), |of| format!("{of}: "));
        let text = of + &words::observation(analysis, &evidence.what);
        out.hanging(&text, &format!("{INDENT}{mark}"), &format!("{INDENT}  "))?;
    }
    Ok(())
}

fn is_symptom(own: &Evidence) -> bool {
    matches!(own.what, Observation::Symptom(..))
}

fn is_sign(own: &Evidence) -> bool {
    matches!(own.what, Observation::Sign(_))
}

/// The fewest earlier findings that have of the symptoms of one all that earlier ones have.
fn said_before(before: &[Finding], own: &Finding) -> Vec<usize> {
    let has = |at: usize, what: &Observation| before[at].evidence.iter().any(|o| o.what == *what);
    let mut left: Vec<&Observation> =
        own.evidence.iter().filter(|own| is_symptom(own)).map(|own| &own.what).collect();
    let mut out = Vec::new();
    loop {
        let count = |at: usize| left.iter().filter(|what| has(at, what)).count();
        // Of several alike that with the least besides tells most of this one; then the first.
        let besides = |at: usize| before[at].evidence.iter().filter(|own| is_symptom(own)).count();
        let best = (0..before.len()).max_by(|one, other| {
            count(*one)
                .cmp(&count(*other))
                .then(besides(*other).cmp(&besides(*one)))
                .then(other.cmp(one))
        });
        let Some(best) = best.filter(|at| count(*at) > 0) else { break };
        left.retain(|what| !has(best, what));
        out.push(best);
    }
    out.sort_unstable();
    out
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
            1 => "; 1 of them requests a warning lamp".to_owned(),
            lamps => format!("; {lamps} of them request a warning lamp"),
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
        if let Some(before) = steps::found_first(analysis, test).filter(|_| !told) {
            out.hanging(&format!("before it: {before}"), "     ", "       ")?;
        }
        match tests[..at].iter().position(|earlier| earlier.how == test.how) {
            Some(earlier) => out.hanging(&steps::as_before(earlier + 1), "     ", "     ")?,
            None => {
                out.hanging(&format!("{} {}", test.how, test.why), "     ", "     ")?;
                let source = steps::source(&test.source);
                let expect = format!("expect: {}{source}", test.reading_expected);
                out.hanging(&expect, "     ", "       ")?;
            }
        }
        if let Some(access) = words::test_access_told(analysis, test) {
            out.hanging(&format!("access: {access}"), "     ", "       ")?;
        }
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
