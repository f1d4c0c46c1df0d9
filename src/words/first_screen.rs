//! What stands on the first screen besides the headline.

use super::terms::{date, listed, plural, short_duration};
use super::{fault, unnamed};
use crate::analysis::finding::{NextTest, Standing, Undecided};
use crate::analysis::headline::{Explained, Happened, Headline, Who};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Identifier, KeptOut};
use crate::compare;
use crate::fault::advice;

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
            "{}: another vehicle (VIN {}, the others {}); it was kept out",
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
    let count = analysis.identifiers.iter().filter(timed).count();
    format!("{} kept their time.", plural(count, "periodic identifier", "periodic identifiers"))
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
            format!("{which}; what would tell most: {}", fault::test_title(analysis, test))
        }
        None => format!("{which}; record until it happens again: how it comes back tells"),
    }
}

/// From this probability it is said that none of the explanations may be the cause.
const NOTABLE: f64 = 0.15;

/// That none of the explanations may be the cause, where that is likely enough to be said.
pub fn none_of_these(analysis: &Analysis) -> Option<String> {
    let findings = analysis.findings.as_ref()?;
    let told = !findings.ranked.is_empty() && findings.no_class >= NOTABLE;
    told.then(|| {
        let percent = findings.no_class * 100.0;
        format!(
            "none of these causes: {percent:.0} %, by how often findings like the first and its \
             rivals were true"
        )
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

/// How to give what was lost its name, where it has none.
pub fn to_name(analysis: &Analysis, headline: &Headline) -> Option<String> {
    to_find(analysis, headline).map(|_| unnamed::command(analysis))
}

/// What to do first.
pub struct ToDo {
    /// In a few words.
    pub request: String,
    /// How.
    pub how: String,
    /// What to expect where all is well.
    pub expect: String,
}

/// What to do first, and how.
pub fn to_do(analysis: &Analysis, headline: &Headline) -> Option<ToDo> {
    if let Some(Explained::Repaired(_)) = headline.explained {
        let long = compare::drive(analysis).map_or("as long as before".to_owned(), short_duration);
        let request = format!("Drive {long} or more, recording, and compare");
        let how =
            "Same roads, load and weather. Then `lostnode compare BEFORE AFTER` says whether \
                   the repair held, and how sure that is."
                .to_owned();
        let expect = "no loss in that time".to_owned();
        return Some(ToDo { request, how, expect });
    }
    let test: &NextTest = &analysis.next_tests()[headline.first?];
    let request = format!("{} ({:.0} min)", fault::test_title(analysis, test), test.minutes);
    let (how, expect) = (test.how.clone(), test.reading_expected.clone());
    Some(ToDo { request, how, expect })
}

/// What to be careful of with what is to be done first, in short: with the test, or else with what
/// the leading finding is about.
pub fn caution(analysis: &Analysis, headline: &Headline) -> String {
    let test = headline.first.map(|at| &analysis.next_tests()[at].cautions);
    let leading = headline.explained.as_ref().map(Explained::first);
    let own = leading.map(|at| &analysis.ranked()[at].cautions);
    let repaired = matches!(headline.explained, Some(Explained::Repaired(_)));
    let road = repaired.then(advice::driving);
    let cautions = road.into_iter().chain(test.or(own).into_iter().flatten());
    let briefs: Vec<&str> = cautions.map(|caution| caution.brief.as_str()).collect();
    briefs.join(" ")
}

/// What would be needed to tell.
pub fn needed(analysis: &Analysis) -> Option<String> {
    analysis.obstacles().first().map(|obstacle| super::verdict::needed(obstacle).to_owned())
}

/// Where to read on.
pub fn read_on(analysis: &Analysis, brief: bool) -> String {
    let tests = match analysis.next_tests().len() {
        0 | 1 => String::new(),
        count => format!("{}, ", plural(count - 1, "more test", "more tests")),
    };
    let what = format!("{tests}evidence, outages, codes, limits");
    match brief {
        true => format!("{what}: run it without --brief; a page to hand over: --out DIR"),
        false => format!("{what} below; a page to hand over: --out DIR"),
    }
}
