//! What stands on the first screen besides the headline.

use std::collections::BTreeSet;

use super::diagnosis::{code_label, is_about_network};
use super::headline::BY_HAND;
use super::terms::{date, id_label, listed, plural, short_duration};
use super::{fault, steps, unnamed, who};
use crate::analysis::diagnosis::{CodeAge, CodeEntry};
use crate::analysis::finding::{
    Caution, Evidence, Finding, NextTest, Observation, Side, Standing, Undecided,
};
use crate::analysis::headline::{Explained, Happened, Headline, Who};
use crate::analysis::notice::Notice;
use crate::analysis::subject::Subject;
use crate::analysis::verdict::Verdict;
use crate::analysis::{Analysis, Identifier, KeptOut};
use crate::capture::{Capture, ChannelIndex};
use crate::compare;
use crate::fault::{advice, cautions};
use crate::outage::Cause;

/// The capture, its date and its length.
pub fn capture(analysis: &Analysis) -> String {
    let Some(first) = analysis.captures.first() else { return String::new() };
    let name = first.path.rsplit(['/', '\\']).next().unwrap_or(&first.path);
    let more = match analysis.captures.len() {
        0 | 1 => String::new(),
        count => format!(" and {}", plural(count - 1, "other", "others")),
    };
    let when = analysis.span.map_or(String::new(), |(begin, _)| {
        let date = date(begin).map_or(String::new(), |date| format!(", {date}"));
        format!("{date}, {}", short_duration(analysis.length()))
    });
    // The line is cut where it is too long: how much there is comes first.
    let drives = match analysis.drives.len() {
        0 => String::new(),
        count => format!("{count} drives: "),
    };
    format!("{drives}{name}{more}{when}")
}

/// That a capture is of another vehicle, one sentence a file.
pub fn kept_out(analysis: &Analysis) -> Vec<String> {
    let sentence = |own: &KeptOut| {
        format!(
            "{}: another vehicle (VIN {}, the others {}); it was left out",
            own.path, own.vin, own.vehicle
        )
    };
    analysis.kept_out.iter().map(sentence).collect()
}

/// A drive by its number, its files, its date and its length.
pub fn drive(analysis: &Analysis, at: usize) -> String {
    format!("Drive {}: {}", at + 1, capture(&analysis.drives[at].analysis))
}

/// What the job is called and which vehicle it is about, in the user's words, and the VIN.
pub fn job(analysis: &Analysis) -> String {
    let job = analysis.findings.as_ref().map(|findings| &findings.job);
    let words = job.into_iter().flat_map(|job| job.title.iter().chain(&job.vehicle).cloned());
    let vin = analysis.diagnosis.vehicle.vin.iter().map(|vin| format!("VIN {vin}"));
    // The VIN alone is no heading: it stands with the identification.
    let words: Vec<String> = words.collect();
    match words.is_empty() {
        true => String::new(),
        false => words.into_iter().chain(vin).collect::<Vec<_>>().join(", "),
    }
}

/// What that nothing was lost rests on.
pub fn kept_time(analysis: &Analysis) -> String {
    let timed = |id: &&Identifier| id.rhythm.is_some();
    let all = analysis.identifiers.iter().filter(timed).count();
    let paused = paused(analysis);
    let count = all - paused;
    let kept = plural(count, "periodic identifier", "periodic identifiers");
    let kept = format!("{kept} kept {} time", if count == 1 { "its" } else { "their" });
    let kept = match paused {
        0 => format!("{kept}."),
        more => format!("{kept}; {more} paused."),
    };
    let kept =
        heard_in_part(analysis).into_iter().fold(kept, |kept, part| format!("{part} {kept}"));
    match (analysis.has_roster, analysis.drives.is_empty()) {
        (true, true) => kept,
        // Drives stand as rosters for each other.
        (true, false) => format!(
            "{kept} A module that spoke in none of them shows only with a roster of a sound \
             vehicle (`lostnode learn`)."
        ),
        (false, _) => format!(
            "{kept} A module that never spoke cannot be seen without a roster of a sound vehicle \
             (`lostnode learn`)."
        ),
    }
}

/// How many periodic identifiers were silent for longer than their time-out while nothing was
/// switched off, though no fault is made of it.
fn paused(analysis: &Analysis) -> usize {
    let own = analysis.outages.iter().filter(|outage| outage.cause == Cause::Unknown);
    let ids: BTreeSet<_> = own.flat_map(|outage| &outage.ids).collect();
    ids.into_iter().filter(|id| analysis.identifiers[**id].rhythm.is_some()).count()
}

/// Channels that were heard for a part of the recording only.
fn heard_in_part(analysis: &Analysis) -> Vec<String> {
    let all = short_duration(analysis.length());
    let sentence = |(channel, heard): (ChannelIndex, f64)| {
        let (name, heard) = (&analysis.channel(channel).name, short_duration(heard));
        format!("{name} was heard for only {heard} of {all}.")
    };
    analysis.heard_in_part().into_iter().map(sentence).collect()
}

/// Files that end before their end.
pub fn cut_off(analysis: &Analysis) -> Vec<String> {
    let told = |capture: &Capture| {
        let why = capture.cut_short.as_ref()?;
        Some(format!("{} is cut off, and what came behind is not known: {why}.", capture.path))
    };
    analysis.captures.iter().filter_map(told).collect()
}

/// What stands under the answer: files that are cut off; where nothing was lost, what that rests
/// on, and failing codes.
pub fn under(analysis: &Analysis) -> Vec<String> {
    let verdict = analysis.verdict();
    let kept = (verdict == Verdict::NothingLost).then(|| kept_time(analysis));
    let failing = || failing_codes(analysis).filter(|_| verdict != Verdict::SomethingLost);
    cut_off(analysis).into_iter().chain(kept).chain(failing()).collect()
}

/// Codes of the network named one by one on the first screen.
const NAMED: usize = 3;

/// That codes are failing while nothing is lost, those about the network by name.
pub fn failing_codes(analysis: &Analysis) -> Option<String> {
    let failing = |code: &&CodeEntry| code.age == CodeAge::Failing && code.gone.is_none();
    let codes: Vec<&CodeEntry> = analysis.diagnosis.codes.iter().filter(failing).collect();
    let network = codes.iter().filter(|code| is_about_network(code));
    let mut labels: Vec<String> = network.map(|code| code_label(code.number)).collect();
    labels.sort();
    labels.dedup();
    let more = labels.len().saturating_sub(NAMED);
    labels.truncate(NAMED);
    if more > 0 {
        labels.push(format!("{more} more"));
    }
    let network = match labels.is_empty() {
        true => String::new(),
        false => format!("; about the network: {}", listed(&labels, "and")),
    };
    let count = plural(codes.len(), "code is", "codes are");
    (!codes.is_empty()).then(|| format!("But {count} failing now{network}. See \"Trouble codes\"."))
}

/// How near to today's complaint a finding is, in one word.
pub fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::Present => "now",
        Standing::Remembered => "stored",
        Standing::Foreign => "identity",
        Standing::Benign => "no fault",
    }
}

/// That the evidence does not choose between some findings, and the test that would.
pub fn undecided(analysis: &Analysis, set: &Undecided) -> String {
    let places: Vec<String> = set.findings.iter().map(|at| (at + 1).to_string()).collect();
    let which = format!("cannot tell which of {}", listed(&places, "and"));
    match set.test.map(|at| &analysis.next_tests()[at]) {
        Some(test) => {
            format!("{which}; the best test to decide: {}", fault::test_title(analysis, test))
        }
        None => format!("{which}; record until it happens again: how it comes back will tell"),
    }
}

/// From this probability it is said that none of the explanations may be the cause.
const NOTABLE: f64 = 0.15;

/// That none of the explanations may be the cause, where that is likely enough to be said.
pub fn none_of_these(analysis: &Analysis) -> Option<String> {
    let findings = analysis.findings.as_ref()?;
    let first = findings.ranked.first().filter(|_| findings.no_class >= NOTABLE)?;
    let percent = findings.no_class * 100.0;
    // Both cannot be: then it is told of something else beside the first.
    Some(match first.probability + findings.no_class > 1.0 {
        true => format!("{percent:.0} %: something else is wrong as well that is not listed here"),
        false => format!("{percent:.0} %: a cause that is not listed here"),
    })
}

/// What helps to find what was lost, where it has no name.
pub fn to_find(analysis: &Analysis, headline: &Headline) -> Option<String> {
    let Happened::Lost(loss) = &headline.what else { return None };
    let of = |subject| unnamed::to_find(analysis, &subject);
    match &loss.who {
        Who::Nodes(nodes) => nodes.iter().find_map(|node| of(Subject::Node(*node))),
        Who::Identifiers(_, Some(node)) => of(Subject::Node(*node)),
        Who::Identifiers(ids, None) => ids.first().and_then(|id| of(Subject::Sender(*id))),
        _ => None,
    }
}

/// What to do first.
pub struct ToDo {
    /// What goes before it, where nobody knows what module it is.
    pub before: Option<&'static str>,
    /// In a few words.
    pub request: String,
    /// How.
    pub how: String,
    /// What to expect where all is well.
    pub expect: String,
}

/// A good one mends a bad contact too, by being plugged in.
const REFIT: &str = " Before the old one is thrown away, plug it in again and drive: if nothing \
                     is lost with it either, it was the contacts of its plug.";

/// What to do first, and how.
pub fn to_do(analysis: &Analysis, headline: &Headline) -> Option<ToDo> {
    if let Some(Explained::Repaired(at)) = headline.explained {
        let request = "Drive as when it failed, record the drive, then compare".to_owned();
        let long = compare::drive(analysis).map_or(String::new(), |long| {
            format!(" Drive at least {} for the figures to mean anything.", short_duration(long))
        });
        let how = format!(
            "Same road, load, temperature and wet as when it failed.{long} Then `lostnode compare \
             BEFORE AFTER` says how sure it is that the repair helped.{}",
            if analysis.ranked()[at].gone { REFIT } else { "" }
        );
        let expect = "no loss in that time".to_owned();
        return Some(ToDo { before: None, request, how, expect });
    }
    if let Some(own) = super::headline::culprit(analysis, headline) {
        let who = who::subject(analysis, &own.subject);
        let request = format!("Find out what of {who} pulls the bus down");
        let how = format!(
            "Supply off, {who} unplugged: look at the pins of its plug, and measure its bus wires \
             against each other, ground and supply, on the harness side. Then the module itself: \
             plugged in with its bus wires freed, or in its place a known good one."
        );
        let expect =
            "the bus stays up with its plug and wires moved; then it is the module".to_owned();
        return Some(ToDo { before: None, request, how, expect });
    }
    let at = headline.first?;
    let test: &NextTest = &analysis.next_tests()[at];
    let before = steps::found_first(analysis, test);
    let title = match before {
        Some(_) => super::headline::capital(&fault::test_request(analysis, test)),
        None => fault::test_title(analysis, test),
    };
    let request = format!("{title} ({:.0} min{})", test.minutes, place_in_list(analysis, at));
    let (how, expect) = (test.how.clone(), test.reading_expected.clone());
    Some(ToDo { before, request, how, expect })
}

/// Which test of the list it is, and what those before it are for, where it is not the first.
fn place_in_list(analysis: &Analysis, at: usize) -> String {
    let mut others: Vec<usize> =
        analysis.next_tests()[..at].iter().flat_map(|test| test.findings.clone()).collect();
    others.sort_unstable();
    others.dedup();
    let others: Vec<String> = others.iter().map(usize::to_string).collect();
    let word = if others.len() == 1 { "finding" } else { "findings" };
    let others = listed(&others, "and");
    match (others.is_empty(), at) {
        (true, _) => String::new(),
        (false, 1) => format!("; test 2 in the list, as test 1 is for {word} {others}"),
        (false, _) => {
            format!("; test {} in the list, as those before it are for {word} {others}", at + 1)
        }
    }
}

/// What was measured or tried that speaks for a finding, the strongest first.
pub fn proofs(analysis: &Analysis, finding: &Finding) -> Vec<String> {
    let proves =
        |own: &&Evidence| own.side() == Side::For && matches!(own.what, Observation::Reading(_));
    let mut proofs: Vec<&Evidence> = finding.evidence.iter().filter(proves).collect();
    proofs.sort_by(|one, other| other.ratio.total_cmp(&one.ratio));
    proofs.iter().map(|own| fault::observation(analysis, &own.what)).collect()
}

/// What to be careful of with what is to be done first: with the test, or else with what the
/// leading finding is about.
pub fn cautions<'a>(analysis: &'a Analysis, headline: &Headline) -> Vec<&'a Caution> {
    let test = headline.first.map(|at| &analysis.next_tests()[at].cautions);
    let leading = headline.explained.as_ref().map(Explained::first);
    let own = leading.map(|at| &analysis.ranked()[at].cautions);
    let repaired = matches!(headline.explained, Some(Explained::Repaired(_)));
    let road = repaired.then(advice::driving);
    if let Some(culprit) = super::headline::culprit(analysis, headline) {
        let of_it = cautions::of_subject(analysis, &culprit.subject);
        let of_it = of_it.iter().map(|own| own.id.as_str()).chain(BY_HAND);
        return of_it.filter_map(advice::named).collect();
    }
    road.into_iter().chain(test.or(own).into_iter().flatten()).collect()
}

/// The same in short.
pub fn caution(analysis: &Analysis, headline: &Headline) -> String {
    let cautions = cautions(analysis, headline);
    let briefs: Vec<&str> = cautions.iter().map(|caution| caution.brief.as_str()).collect();
    briefs.join(" ")
}

/// What would be needed to tell.
pub fn needed(analysis: &Analysis) -> Option<String> {
    analysis
        .obstacles()
        .first()
        .map(|obstacle| super::verdict::needed(analysis, obstacle).to_owned())
}

/// Momentary losses fewer than these are chance …
const SEVERAL_MOMENTS: usize = 3;
/// … and those of more identifiers than these are not of one module.
const OF_ONE: usize = 2;

/// That one module's messages went missing for moments again and again: too short to be judged, and
/// a hint where to wiggle.
pub fn moments(analysis: &Analysis) -> Option<String> {
    let own = analysis.notices.iter().find_map(|notice| match notice {
        Notice::Momentary(own) => Some(own),
        _ => None,
    })?;
    let of_one = own.identifiers == 1 || analysis.channels.len() == 1;
    let telling = own.losses >= SEVERAL_MOMENTS && own.identifiers <= OF_ONE && of_one;
    telling.then(|| {
        let more = match own.identifiers {
            1 => "",
            _ => " and another",
        };
        format!(
            "{}{more} missing {} times for up to {:.0} ms, too short to count as outages",
            id_label(own.longest.id),
            own.losses,
            own.longest.duration * 1e3
        )
    })
}

/// Where the numbers of findings are from that do not run on.
pub const NUMBERS: &str = "(numbered as in the whole report)";

/// Where to read on; `page` is whether there is one already.
pub fn read_on(analysis: &Analysis, headline: &Headline, brief: bool, page: bool) -> String {
    let first = usize::from(headline.first.is_some());
    let tests = match (analysis.next_tests().len().saturating_sub(first), first) {
        (0, _) => None,
        (count, 0) => Some(plural(count, "test", "tests")),
        (count, _) => Some(plural(count, "more test", "more tests")),
    };
    let evidence = (!analysis.ranked().is_empty()).then(|| "evidence".to_owned());
    let codes = (!analysis.diagnosis.codes.is_empty()).then(|| "codes".to_owned());
    let parts: Vec<String> = [tests, evidence, codes].into_iter().flatten().collect();
    let parts = if parts.is_empty() { "details".to_owned() } else { parts.join(", ") };
    match (brief, page) {
        (true, true) => format!("{parts}: without --brief"),
        (true, false) => format!("{parts}: without --brief; a page: --out DIR"),
        (false, true) => format!("{parts} below"),
        (false, false) => format!("{parts} below; a page to hand over: --out DIR"),
    }
}
