//! Sentences about parts of the harness: which one explains a finding, and why the others do not.

use super::fault::reading_value;
use super::terms::{listed, plural};
use super::who::subject;
use crate::analysis::Analysis;
use crate::analysis::element::{Cleared, Element, Fit, Manner, Strikes, Suspected, Taken, WhyNot};
use crate::analysis::finding::Finding;
use crate::ids::NodeIndex;
use crate::wiring_file::NotUnderstood;

/// An element has to have so much of a finding to be named in its heading, alone or with the next.
const NAMED: f64 = 0.4;
/// The next is named with it where it is not so many times less likely.
const NEXT: f64 = 2.0;
/// Elements told one by one.
const TOLD: usize = 6;

/// An element, by its name.
pub fn name(analysis: &Analysis, element: usize) -> &str {
    let wiring = analysis.findings.as_ref().map(|findings| &findings.wiring);
    wiring.and_then(|own| own.elements.get(element)).map_or("", |element| &element.name)
}

/// The element that heads a finding, or the two
/// between which nothing chooses, with their share of it.
pub fn suspected(analysis: &Analysis, finding: &Finding) -> Option<(String, f64)> {
    let fits = &finding.element.as_ref()?.fits;
    let first = fits.first()?;
    let next = fits.get(1).filter(|next| next.share * NEXT > first.share);
    let shares = first.share + next.map_or(0.0, |next| next.share);
    let names: Vec<String> =
        std::iter::once(first).chain(next).map(|fit| of_fit(analysis, fit)).collect();
    (shares >= NAMED).then(|| (listed(&names, "or"), shares))
}

/// A node as a wiring file may name it.
pub fn to_name(analysis: &Analysis, node: NodeIndex) -> String {
    analysis.nodes[node].name.clone()
}

/// What was made of a harness description.
pub fn described(analysis: &Analysis) -> Option<String> {
    let (own, of_no_node) = analysis.findings.as_ref()?.wiring.described.as_ref()?;
    let parts = [
        plural(own.plugs, "plug", "plugs"),
        plural(own.splices, "splice", "splices"),
        plural(own.ring_terminals, "ring terminal", "ring terminals"),
        plural(own.fuses, "fuse", "fuses"),
        plural(own.wires, "wire", "wires"),
    ];
    let mut out = format!("From a harness description: {}.", listed(&parts, "and"));
    if *of_no_node > 0 {
        let plugs = plural(*of_no_node, "plug is", "plugs are");
        out += &format!(" {plugs} of no node of this capture.");
    }
    let not = own.not_understood.iter().map(|(what, count)| not_understood(*what, *count));
    let not: Vec<String> = not.collect();
    if !not.is_empty() {
        out += &format!(" Of it not understood: {}.", not.join(", "));
    }
    let not_read = own.not_read.iter().map(|(tag, count)| format!("{count} {tag}"));
    let not_read: Vec<String> = not_read.collect();
    if !not_read.is_empty() {
        out += &format!(" Of it not read: {}.", not_read.join(", "));
    }
    Some(out)
}

fn not_understood(what: NotUnderstood, count: usize) -> String {
    let (one, several) = match what {
        NotUnderstood::WithoutId => ("part without an identity", "parts without an identity"),
        NotUnderstood::Dangling => {
            ("reference to what is not there", "references to what is not there")
        }
        NotUnderstood::Signal => ("wire without a known signal", "wires without a known signal"),
        NotUnderstood::Ends => ("wire with other than two ends", "wires with other than two ends"),
        NotUnderstood::Mounting => {
            ("component in other than two cavities", "components in other than two cavities")
        }
        NotUnderstood::Source => {
            ("net whose source is not in the file", "nets whose source is not in the file")
        }
    };
    plural(count, one, several)
}

/// An element in a list: what it is, what hangs on it, and how to reach it.
pub fn in_list(analysis: &Analysis, element: &Element) -> String {
    let fed: Vec<String> = element.feeds.iter().map(|own| subject(analysis, own)).collect();
    let fed = if fed.is_empty() { String::new() } else { format!(" of {}", listed(&fed, "and")) };
    let access = element.access.as_ref().map_or(String::new(), |access| format!(", {access}"));
    format!(
        "{} ({}{fed}){access}, {:.0} min to reach",
        element.name,
        element.kind.as_str(),
        element.minutes
    )
}

/// An element and what hangs on it.
pub fn feeds(analysis: &Analysis, element: &Element) -> String {
    let fed: Vec<String> = element.feeds.iter().map(|own| subject(analysis, own)).collect();
    let name = &element.name;
    match fed.is_empty() {
        true => name.clone(),
        false => format!("On {name}: {}", listed(&fed, "and")),
    }
}

fn of_fit(analysis: &Analysis, fit: &Fit) -> String {
    let first = name(analysis, fit.element);
    match fit.with {
        Some(other) => format!("{first} and {}", name(analysis, other)),
        None => first.to_owned(),
    }
}

/// Where in the harness a finding has its cause, in sentences: what fits, what cannot be told from
/// it, and why not the others.
pub fn sentences(analysis: &Analysis, finding: &Finding) -> Vec<String> {
    let Some(own) = &finding.element else { return Vec::new() };
    let fits = fits(analysis, own);
    let alike = alike(analysis, own);
    let cleared = why_not(analysis, own);
    let measured = measured(analysis, finding, own);
    let struck = own.first().zip(own.strikes.as_ref());
    let struck = struck.map(|(first, strikes)| self::struck(analysis, first.element, strikes));
    measured.into_iter().chain(fits).chain(struck).chain(alike).chain(cleared).collect()
}

/// What was measured at elements that feed what was lost; behind the first finding also at those
/// that no finding is about. A bad part is to be mended, whether or not it explains the loss.
fn measured(analysis: &Analysis, finding: &Finding, own: &Suspected) -> Vec<String> {
    let taken = analysis.findings.iter().flat_map(|findings| &findings.wiring.taken);
    let first = analysis.ranked().iter().position(|own| own.element.is_some());
    let first = first.is_some_and(|at| std::ptr::eq(&analysis.ranked()[at], finding));
    let of_none = |at: usize| {
        let all = analysis.ranked().iter().filter_map(|finding| finding.element.as_ref());
        !all.into_iter().any(|own| own.explains(at) || own.clears(at))
    };
    let about = |taken: &&Taken| {
        own.explains(taken.element) || own.clears(taken.element) || first && of_none(taken.element)
    };
    let told = |own_taken: &Taken| {
        let bad = own_taken.ratio > 1.0 && !own.explains(own_taken.element);
        let all_the_same = match bad {
            true => ": mend it, though it does not explain this",
            false => "",
        };
        format!("measured: {}{all_the_same}", self::taken(analysis, own_taken))
    };
    taken.filter(about).map(told).collect()
}

/// What was measured at an element.
pub fn taken(analysis: &Analysis, taken: &Taken) -> String {
    let value = reading_value(&taken.value);
    let more = [taken.at.as_deref(), taken.note.as_deref()];
    let more: String = more.into_iter().flatten().map(|more| format!(", {more}")).collect();
    format!("{} at {}: {value}{more}", taken.text, name(analysis, taken.element))
}

fn fits(analysis: &Analysis, own: &Suspected) -> Option<String> {
    let share = |share: f64| format!("{:.0} %", share * 100.0);
    if own.fits.is_empty() {
        return Some("nothing in the wiring file explains it".to_owned());
    }
    let parts: Vec<String> = own
        .fits
        .iter()
        .take(TOLD)
        .map(|fit| format!("{} ({})", of_fit(analysis, fit), share(fit.share)))
        .collect();
    let rest = 1.0 - own.fits.iter().map(|fit| fit.share).sum::<f64>();
    Some(format!(
        "where, if it is this: {}; what the wiring file leaves out ({})",
        parts.join(", "),
        share(rest)
    ))
}

/// What destroyed frames say of an element.
fn struck(analysis: &Analysis, element: usize, own: &Strikes) -> String {
    let (name, share) = (name(analysis, element), own.share * 100.0);
    let (frames, of) = (own.frames, own.of);
    let are = if frames == 1 { "is" } else { "are" };
    match own.manner {
        Manner::Behind => format!(
            "{frames} of {of} frames that errors destroyed {are} of what hangs on {name}, which \
             sends {share:.0} % of the frames{}",
            by_chance(own.chance)
        ),
        Manner::AllBut => format!(
            "errors destroyed {of} frames, {frames} of them of what hangs on {name}, which sends \
             {share:.0} % of the frames: it may misread what the others send{}",
            by_chance(own.chance)
        ),
        Manner::Everyone => {
            format!("{of} frames that errors destroyed come from all modules alike")
        }
    }
}

fn by_chance(chance: f64) -> String {
    match chance {
        chance if chance < 1e-6 => " (less than 1 in 1,000,000 by chance)".to_owned(),
        chance if chance < 0.001 => format!(" (1 in {:.0} by chance)", 1.0 / chance),
        chance => format!(" ({:.1} % by chance)", chance * 100.0),
    }
}

/// What no capture can tell from the likeliest element, and the test that would.
pub fn alike(analysis: &Analysis, own: &Suspected) -> Option<String> {
    let first = own.first()?;
    if own.alike.is_empty() {
        return None;
    }
    let others: Vec<String> = own.alike.iter().map(|at| name(analysis, *at).to_owned()).collect();
    let test = own.tells.map(|at| super::fault::test_title(analysis, &analysis.next_tests()[at]));
    let test = test.map_or(String::new(), |test| format!("; the test to decide: {test}"));
    Some(format!(
        "no capture can tell {} from {}: the same modules hang on each{test}",
        name(analysis, first.element),
        listed(&others, "or")
    ))
}

/// Why elements that feed what was lost do not explain it, a sentence each.
pub fn why_not(analysis: &Analysis, own: &Suspected) -> Vec<String> {
    let mut cleared: Vec<&Cleared> = own.cleared.iter().collect();
    // What kept sending is proof; what an element does not carry is plain.
    cleared.sort_by_key(|cleared| match cleared.why {
        WhyNot::KeptSending(_) => 0,
        WhyNot::DoesNotFeed(_) | WhyNot::StruckElsewhere(_) => 1,
        WhyNot::CarriesNoPower | WhyNot::CarriesNoBus => 2,
    });
    cleared.into_iter().take(TOLD).map(|cleared| not(analysis, cleared)).collect()
}

fn not(analysis: &Analysis, cleared: &Cleared) -> String {
    let names = |of: &[crate::analysis::subject::Subject]| {
        let names: Vec<String> = of.iter().map(|own| subject(analysis, own)).collect();
        listed(&names, "and")
    };
    let why = match &cleared.why {
        WhyNot::KeptSending(kept) => format!("it feeds {} too, which kept sending", names(kept)),
        WhyNot::DoesNotFeed(lost) => {
            format!("{} fell silent too without hanging on it", names(lost))
        }
        WhyNot::StruckElsewhere(own) => format!(
            "of {} frames that errors destroyed {} {} of what hangs on it, which sends {:.0} % of \
             the frames",
            own.of,
            own.frames,
            if own.frames == 1 { "is" } else { "are" },
            own.share * 100.0
        ),
        WhyNot::CarriesNoPower => "it carries no supply or ground, and what was lost would have \
                                   run on"
            .to_owned(),
        WhyNot::CarriesNoBus => {
            "it does not carry the bus, and what was lost would have restarted".to_owned()
        }
    };
    format!("why not {}: {why}", name(analysis, cleared.element))
}
