//! The answer on one screen: what is wrong, what probably explains it, what to do first and what
//! to be careful of, what speaks against it, and where to read on.

use std::io::{self, Write};

use super::paper::{Paper, wrap};
use super::{BAD, GOOD, HEAD, cut};
use crate::analysis::Analysis;
use crate::analysis::finding::{Finding, Side, Standing, Undecided};
use crate::analysis::headline::{Explained, Headline};
use crate::analysis::verdict::Verdict;
use crate::words;
use crate::words::first_screen as told;

/// Lines of a screen. One is left for the prompt under it.
const LINES: usize = 23;
/// Findings named.
const FINDINGS: usize = 3;
/// A finding less probable than this is named only where it is the first.
const NAMED: f64 = 0.1;
/// What is no fault is named here as seen only where it is likelier than not.
const SEEN: f64 = 0.5;

/// Lines that belong together.
struct Block {
    lines: Vec<String>,
    /// The block of least weight goes first where the screen is too small for all.
    weight: u8,
}

pub(super) fn render(
    analysis: &Analysis,
    brief: bool,
    page: bool,
    out: &mut Paper<'_>,
) -> io::Result<()> {
    let headline = analysis.headline();
    let mut blocks = vec![
        block(9, kept_out(analysis, out.width)),
        block(9, top(analysis, out.width)),
        block(2, wrapped(&told::capture(analysis), "", out.width, 1)),
        block(7, wrapped(&told::job(analysis), "", out.width, 1)),
        block(8, wrapped(&told::cut_off(analysis).join(" "), "", out.width, 2)),
        block(7, kept_time(analysis, out.width)),
        block(8, failing_codes(analysis, out.width)),
        block(8, findings(analysis, &headline, out.width)),
        block(2, numbers(analysis, &headline)),
        block(7, which(analysis, &headline, out.width)),
        block(1, benign(analysis, out.width)),
        block(
            3,
            wrapped(&told::moments(analysis).unwrap_or_default(), "Also seen: ", out.width, 2),
        ),
        block(5, to_find(analysis, &headline, out.width)),
        block(9, to_do(analysis, &headline, out.width)),
        block(6, proofs(analysis, &headline, out.width)),
        against(analysis, &headline, out.width),
        block(6, needed(analysis, out.width)),
        block(3, wrapped(&told::read_on(analysis, &headline, brief, page), "More: ", out.width, 1)),
    ];
    blocks.retain(|block| !block.lines.is_empty());
    let total = |blocks: &[Block]| blocks.iter().map(|block| block.lines.len()).sum::<usize>();
    while total(&blocks) > LINES {
        let Some(least) = (0..blocks.len()).min_by_key(|at| blocks[*at].weight) else { break };
        if blocks[least].weight == 9 {
            break;
        }
        blocks.remove(least);
    }
    blocks.iter().flat_map(|block| &block.lines).try_for_each(|line| writeln!(out, "{line}"))?;
    if brief { Ok(()) } else { writeln!(out) }
}

fn block(weight: u8, lines: Vec<String>) -> Block {
    Block { lines, weight }
}

/// At most `most` lines of a text, the last with `…` where there is more.
fn wrapped(text: &str, first: &str, width: usize, most: usize) -> Vec<String> {
    if text.is_empty() {
        return Vec::new();
    }
    let next = " ".repeat(textwrap::core::display_width(first));
    let options = textwrap::Options::new(width).initial_indent(first).subsequent_indent(&next);
    let all = wrap(text, options);
    let mut lines: Vec<String> = all.iter().take(most).cloned().collect();
    if all.len() > most
        && let Some(last) = lines.last_mut()
    {
        const DOTS: &str = " …";
        let dots = textwrap::core::display_width(DOTS);
        while textwrap::core::display_width(last) + dots > width {
            last.truncate(last.trim_end().rfind(' ').unwrap_or(0));
        }
        *last += DOTS;
    }
    lines
}

/// Files of another vehicle, before anything else: an answer about two would be wrong.
fn kept_out(analysis: &Analysis, width: usize) -> Vec<String> {
    let lines = told::kept_out(analysis)
        .into_iter()
        .flat_map(|text| wrap(&text, textwrap::Options::new(width).subsequent_indent("  ")));
    lines.map(|line| format!("{BAD}{line}{BAD:#}")).collect()
}

fn top(analysis: &Analysis, width: usize) -> Vec<String> {
    let style = match analysis.verdict() {
        Verdict::SomethingLost => BAD,
        Verdict::CannotTell => HEAD,
        Verdict::NothingLost => GOOD,
    };
    let text = words::headline::headline(analysis);
    let lines = wrap(&text, textwrap::Options::new(width));
    lines.iter().map(|line| format!("{style}{line}{style:#}")).collect()
}

/// The findings on this screen, with their places in the list.
fn shown<'a>(
    analysis: &'a Analysis,
    headline: &Headline,
) -> impl Iterator<Item = (usize, &'a Finding)> {
    let leading = headline.explained.as_ref().map(Explained::first);
    let named = move |(at, finding): &(usize, &Finding)| {
        let sure = finding.probability >= NAMED || leading == Some(*at);
        finding.standing != Standing::Benign && sure
    };
    analysis.ranked().iter().enumerate().filter(named).take(FINDINGS)
}

fn findings(analysis: &Analysis, headline: &Headline, width: usize) -> Vec<String> {
    let line = |(at, finding): (usize, &Finding)| {
        let percent = words::headline::percent(finding);
        let start = format!("{:<9}{percent:>9}  {}. ", told::standing(finding.standing), at + 1);
        // Some terminals show the dots of a cut name in two columns.
        let room = width.saturating_sub(start.chars().count() + 1);
        cut(&(start + &words::fault::title_within(analysis, finding, room)), width)
    };
    let mut lines: Vec<String> = shown(analysis, headline).map(line).collect();
    if !lines.is_empty() {
        lines.insert(0, String::new());
    }
    lines
}

/// Why the numbers are not 1, 2, 3: what is hardly likely stands in the whole report only.
fn numbers(analysis: &Analysis, headline: &Headline) -> Vec<String> {
    let gap = shown(analysis, headline).enumerate().any(|(place, (at, _))| place != at);
    gap.then(|| format!("         {}", told::NUMBERS)).into_iter().collect()
}

fn kept_time(analysis: &Analysis, width: usize) -> Vec<String> {
    match analysis.verdict() {
        Verdict::NothingLost => wrapped(&told::kept_time(analysis), "", width, 3),
        _ => Vec::new(),
    }
}

/// Codes that are failing, where nothing else says that something is wrong.
fn failing_codes(analysis: &Analysis, width: usize) -> Vec<String> {
    let told = match analysis.verdict() {
        Verdict::SomethingLost => None,
        Verdict::NothingLost | Verdict::CannotTell => told::failing_codes(analysis),
    };
    let lines = wrapped(&told.unwrap_or_default(), "", width, 2);
    lines.iter().map(|line| format!("{BAD}{line}{BAD:#}")).collect()
}

/// That the evidence does not choose, and the test that would.
fn which(analysis: &Analysis, headline: &Headline, width: usize) -> Vec<String> {
    let sets = analysis.findings.iter().flat_map(|findings| &findings.undecided);
    let here: Vec<usize> = shown(analysis, headline).map(|(at, _)| at).collect();
    let told_here = |set: &&Undecided| set.findings.iter().all(|at| here.contains(at));
    let first = sets.into_iter().find(told_here).map(|set| told::undecided(analysis, set));
    first.map_or(Vec::new(), |text| wrapped(&text, "         ", width, 2))
}

fn benign(analysis: &Analysis, width: usize) -> Vec<String> {
    let titles: Vec<String> = analysis
        .ranked()
        .iter()
        .filter(|finding| finding.standing == Standing::Benign && finding.probability >= SEEN)
        .map(|finding| words::fault::title(analysis, finding))
        .collect();
    wrapped(&titles.join("; "), "Also seen, no fault: ", width, 1)
}

fn to_find(analysis: &Analysis, headline: &Headline, width: usize) -> Vec<String> {
    wrapped(&told::to_find(analysis, headline).unwrap_or_default(), "To find it: ", width, 2)
}

/// What to be careful of, then what to do first.
fn to_do(analysis: &Analysis, headline: &Headline, width: usize) -> Vec<String> {
    let Some(to_do) = told::to_do(analysis, headline) else { return Vec::new() };
    let mut lines = vec![String::new()];
    let caution = told::caution(analysis, headline);
    // Never cut: half a caution is worse than none.
    lines.extend(wrapped(&caution, &format!("{BAD}CAUTION{BAD:#} "), width, usize::MAX));
    let repaired = matches!(headline.explained, Some(Explained::Repaired(_)));
    let begin = match to_do.before {
        Some(before) => {
            lines.extend(wrapped(before, &format!("{HEAD}First: {HEAD:#}"), width, 2));
            "Then:  "
        }
        None if repaired => "Next:  ",
        None => "First: ",
    };
    // Nor is a step: what it tells stands at its end.
    let whole = usize::MAX;
    lines.extend(wrapped(&to_do.request, &format!("{HEAD}{begin}{HEAD:#}"), width, whole));
    lines.extend(wrapped(&to_do.how, "       ", width, whole));
    lines.extend(wrapped(&format!("expect: {}", to_do.expect), "       ", width, whole));
    lines
}

/// What was measured that proves it.
fn proofs(analysis: &Analysis, headline: &Headline, width: usize) -> Vec<String> {
    let leading = headline.explained.as_ref().map(Explained::first);
    let proofs = leading.map(|at| told::proofs(analysis, &analysis.ranked()[at]));
    wrapped(&proofs.unwrap_or_default().join("; "), "For it: ", width, 2)
}

fn against(analysis: &Analysis, headline: &Headline, width: usize) -> Block {
    let Some(leading) = headline.explained.as_ref().map(Explained::first) else {
        return block(0, Vec::new());
    };
    let finding = &analysis.ranked()[leading];
    let against = words::fault::worth_saying(&finding.evidence).into_iter();
    let against = against.filter(|evidence| evidence.side() == Side::Against);
    // That it happened is no reason against it; the list below has it with its sign.
    let against = against.filter(|evidence| !evidence.what.is_silence());
    let mut texts: Vec<String> = Vec::new();
    for evidence in against {
        // Several symptoms of one finding may have the same sign.
        let text = words::fault::observation(analysis, &evidence.what);
        if !texts.contains(&text) {
            texts.push(text);
        }
    }
    block(4, wrapped(&texts.join("; "), "Against it: ", width, 2))
}

/// What would be needed where the capture cannot tell.
fn needed(analysis: &Analysis, width: usize) -> Vec<String> {
    match analysis.verdict() {
        Verdict::CannotTell => {
            wrapped(&told::needed(analysis).unwrap_or_default(), "Needed: ", width, 2)
        }
        _ => Vec::new(),
    }
}
