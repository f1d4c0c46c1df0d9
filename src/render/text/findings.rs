//! Findings and what to test next, for a terminal.

use std::io::{self, Write};

use super::{BAD, GOOD, HEAD, hanging};
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, Finding, NextTest, Side};
use crate::words::fault as words;

/// Findings shown in full; less probable ones in a line each.
const IN_FULL: usize = 5;
/// Tests shown.
const TESTS: usize = 8;
/// Codes named with a finding.
const CODES: usize = 8;

pub(super) fn render(analysis: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    if analysis.ranked().is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}What explains it{HEAD:#}")?;
    for (at, finding) in analysis.ranked().iter().enumerate() {
        let style = if finding.benign { GOOD } else { BAD };
        let percent = match finding.probability {
            sure if sure > 0.99 => ">99 %".to_owned(),
            probability => format!("{:>3.0} %", probability * 100.0),
        };
        hanging(
            out,
            &format!("{}. {}", at + 1, words::title(analysis, finding)),
            &format!("{style}{percent}{style:#}  "),
            "          ",
        )?;
        if at < IN_FULL {
            full(analysis, finding, out)?;
        }
    }
    writeln!(out)?;
    cautions(analysis, out)?;
    tests(analysis, analysis.next_tests(), out)
}

/// What can hurt stands before what to do. What only a test asks for stands beside it in short.
fn cautions(analysis: &Analysis, out: &mut dyn Write) -> io::Result<()> {
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
        hanging(out, &format!("{} [{}]", caution.text, caution.source), &begin, "    ")?;
    }
    writeln!(out)
}

fn full(analysis: &Analysis, finding: &Finding, out: &mut dyn Write) -> io::Result<()> {
    let indent = "          ";
    hanging(out, &finding.explanation, indent, indent)?;
    for evidence in &finding.evidence {
        let mark = match evidence.side() {
            Side::For => "+ ",
            Side::Against => "- ",
            Side::Neutral => "  ",
        };
        let text = words::observation(analysis, &evidence.what);
        hanging(out, &text, &format!("{indent}{mark}"), &format!("{indent}  "))?;
    }
    let codes = words::codes_explained(analysis, finding);
    if !codes.is_empty() {
        let more = codes.len().saturating_sub(CODES);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let shown: Vec<&str> = codes.iter().take(CODES).map(String::as_str).collect();
        let lamps = if finding.lamps > 0 {
            format!("; {} of them ask for a lamp", finding.lamps)
        } else {
            String::new()
        };
        hanging(
            out,
            &format!("would put out: {}{more}{lamps}", shown.join(", ")),
            indent,
            &format!("{indent}  "),
        )?;
    }
    for done in &finding.done {
        let done = words::done(done);
        hanging(out, &format!("done: {done}"), indent, &format!("{indent}  "))?;
    }
    for caution in &finding.cautions {
        let begin = format!("{indent}{BAD}CAUTION{BAD:#} ");
        hanging(out, &caution.brief, &begin, &format!("{indent}  "))?;
    }
    Ok(())
}

fn tests(analysis: &Analysis, tests: &[NextTest], out: &mut dyn Write) -> io::Result<()> {
    if tests.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}What to test next, most for the minutes first{HEAD:#}")?;
    for (at, test) in tests.iter().take(TESTS).enumerate() {
        let findings: Vec<String> = test.findings.iter().map(usize::to_string).collect();
        let heading = format!(
            "{}. {} ({:.0} min, finds it with {:.0} %, for {})",
            at + 1,
            words::test_title(analysis, test),
            test.minutes,
            test.finds * 100.0,
            findings.join(", ")
        );
        hanging(out, &heading, "  ", "     ")?;
        let brief: Vec<&str> = test.cautions.iter().map(|caution| caution.brief.as_str()).collect();
        let begin = format!("     {BAD}CAUTION{BAD:#} ");
        hanging(out, &brief.join(" "), &begin, "       ")?;
        hanging(out, &format!("{} {}", test.how, test.why), "     ", "     ")?;
        hanging(
            out,
            &format!("expect: {} [{}]", test.reading_expected, test.source),
            "     ",
            "       ",
        )?;
        hanging(out, &format!("open: {}", words::test_access(analysis, test)), "     ", "       ")?;
    }
    if tests.len() > TESTS {
        writeln!(out, "  … and {} more (--format json has them all)", tests.len() - TESTS)?;
    }
    writeln!(out, "  Limits of makers differ: theirs go before these.")?;
    writeln!(out)
}
