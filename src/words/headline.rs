//! The answer in one sentence.

use super::terms::{id_label, listed, of_drive, plural, short_duration, sureness};
use super::verdict::reason;
use super::{fault, steps, who, wiring};
use crate::analysis::Analysis;
use crate::analysis::blame::{Blame, Frames};
use crate::analysis::finding::{Evidence, Finding, Reading, Standing};
use crate::analysis::headline::{Explained, Happened, Headline, Loss, Other, Who};
use crate::analysis::subject::Subject;
use crate::analysis::verdict::Obstacle;
use crate::compare;
use crate::fault::{advice, cautions};
use crate::ids::NodeIndex;

/// The answer in one sentence: who, what happened, how often, since when, what probably explains
/// it, what to do first.
///
/// ```
/// use lostnode::analysis::Analysis;
/// let nothing = lostnode::words::headline::headline(&Analysis::default());
/// assert_eq!(nothing, "No module that was heard dropped out.");
/// ```
pub fn headline(analysis: &Analysis) -> String {
    let headline = analysis.headline();
    let why = headline.explained.as_ref().map(|explained| why(analysis, &headline, explained));
    match &headline.what {
        Happened::Lost(loss) => {
            let why = why.map_or_else(|| perhaps_no_fault(analysis), |why| format!(": {why}"));
            let lost = lost(analysis, loss);
            match analysis.obstacles().first() {
                // Whoever reads on must know first that it may be told of lines that are missing.
                Some(refused @ Obstacle::Refused { .. }) => {
                    let refused = capital(&reason(analysis, refused));
                    format!("{refused}; of the rest, {lost}{why}.")
                }
                _ => format!("{}{why}.", capital(&lost)),
            }
        }
        Happened::CannotTell(obstacle) => {
            let why = why.map_or(String::new(), |why| format!("; also found: {why}"));
            let who = if analysis.drives.is_empty() { "This recording" } else { "The drives" };
            format!("{who} cannot answer: {}{why}.", reason(analysis, obstacle))
        }
        Happened::NothingLost => {
            let why = why.map_or(String::new(), |why| format!("; also found: {why}"));
            let drives = match analysis.drives.len() {
                0 => String::new(),
                drives => format!(" in {drives} drives"),
            };
            // Of a module that never spoke nothing is known where nobody says what ought to.
            let nothing = match analysis.has_roster {
                true => "Nothing was lost",
                false => "No module that was heard dropped out",
            };
            format!("{nothing}{drives}{why}.")
        }
    }
}

/// Of a loss that no fault explains, what may have been lawful all the same.
fn perhaps_no_fault(analysis: &Analysis) -> String {
    let benign = analysis.ranked().iter().find(|own| own.standing == Standing::Benign);
    benign.map_or(String::new(), |own| {
        let (brief, percent) = (&own.brief, percent(own));
        format!(": no known fault explains it; perhaps {brief} ({percent}), which is no fault")
    })
}

/// The same with a capital.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect::<String>())
}

fn lost(analysis: &Analysis, loss: &Loss) -> String {
    let who = who(analysis, &loss.who);
    let span = recorded(analysis, loss);
    let moment = analysis.moment(loss.first);
    let first = format!("{}{}", short_duration(moment.seconds), of_drive(moment));
    let what = match loss {
        Loss { never_heard: true, .. } => {
            format!("{who} {} never heard in {span}", was(&loss.who))
        }
        Loss { absent: true, times: 1, .. } => {
            let drive = moment.drive.map_or(0, |at| at + 1);
            format!(
                "{who} {} never heard in drive {drive} of {}",
                was(&loss.who),
                analysis.drives.len()
            )
        }
        Loss { absent: true, .. } => format!("{who} {} never heard in {span}", was(&loss.who)),
        Loss { ongoing: true, times: 1, .. } => {
            format!("{who} {} at {first} and stayed silent", verb(&loss.who))
        }
        Loss { times: 1, seconds, .. } if moment.seconds == 0.0 => {
            let (seconds, drive) = (short_duration(*seconds), of_drive(moment));
            format!("{who} {} silent for the first {seconds}{drive}", was(&loss.who))
        }
        Loss { times: 1, seconds, .. } => {
            let drives = analysis.drives.len();
            let among = if drives > 0 { format!(" in {drives} drives") } else { String::new() };
            let (verb, seconds) = (verb(&loss.who), short_duration(*seconds));
            format!("{who} {verb} once{among}, at {first}, for {seconds}")
        }
        Loss { times, seconds, ongoing, silent_drive, .. } => format!(
            "{who} {} {} in {span}, first at {first}, {} in all{}",
            verb(&loss.who),
            often(*times - usize::from(silent_drive.is_some())),
            short_duration(*seconds),
            match silent_drive.and_then(|begin| analysis.drive_of(begin)) {
                Some(drive) => format!(", and was never heard in drive {}", drive + 1),
                None if *ongoing => ", and was silent at the end".to_owned(),
                None => String::new(),
            }
        ),
    };
    match loss.others.as_slice() {
        [] => what,
        // A second fault must not hide behind a number.
        few if few.len() <= NAMED_TOO => {
            let name = |other: &Other| {
                let stays = if other.stays { ", to the end" } else { "" };
                format!("{}{stays}", in_short(analysis, &other.who))
            };
            let names: Vec<String> = few.iter().map(name).collect();
            format!("{what} (also lost: {})", names.join("; "))
        }
        many => {
            let stay = match many.iter().filter(|other| other.stays).count() {
                0 => String::new(),
                stay if stay == many.len() => ", to the end".to_owned(),
                stay => format!(", {stay} of them to the end"),
            };
            format!("{what} ({} lost too{stay})", plural(many.len(), "other", "others"))
        }
    }
}

/// What it was lost in: `36 min`, or `2 of 3 drives (36 min)`.
fn recorded(analysis: &Analysis, loss: &Loss) -> String {
    let length = short_duration(analysis.length());
    match analysis.drives.len() {
        0 => length,
        all => format!("{} of {all} drives ({length})", loss.drives),
    }
}

fn often(times: usize) -> String {
    match times {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        _ => format!("{times} times"),
    }
}

fn was(who: &Who) -> &'static str {
    let several = match who {
        Who::Nodes(nodes) => nodes.len() > 1,
        Who::Identifiers(ids, _) => ids.len() > 1,
        Who::Missing(ids) => ids.len() > 1,
        Who::Channel(_) | Who::All => false,
    };
    if several { "were" } else { "was" }
}

fn verb(who: &Who) -> &'static str {
    match who {
        Who::Nodes(nodes) if nodes.len() > 1 => "dropped off the bus together",
        Who::Nodes(_) => "dropped off the bus",
        Who::Identifiers(..) | Who::Missing(_) => "stopped coming",
        Who::Channel(_) | Who::All => "went silent as a whole",
    }
}

/// Names shown of several nodes or identifiers.
const NAMES: usize = 3;
/// Others that were lost too and are named; more are counted.
const NAMED_TOO: usize = 2;
/// Causes named where the evidence does not choose; more are counted.
const CAUSES: usize = 3;

fn who(analysis: &Analysis, who: &Who) -> String {
    match who {
        Who::Nodes(nodes) => match nodes.as_slice() {
            [node] => format!("{}{}", in_full(analysis, *node), likely(analysis, *node)),
            _ => in_short(analysis, who),
        },
        Who::Identifiers(_, sender) => {
            let ids = in_short(analysis, who);
            match sender {
                Some(node) => format!("{ids} of {}", who::node(analysis, *node)),
                None => format!("{ids} (sender not known)"),
            }
        }
        Who::Missing(_) | Who::Channel(_) | Who::All => in_short(analysis, who),
    }
}

/// The same in short, as of what was lost too.
fn in_short(analysis: &Analysis, who: &Who) -> String {
    match who {
        Who::Nodes(nodes) => some(who::names(analysis, nodes).into_iter()),
        Who::Identifiers(ids, _) => {
            some(ids.iter().map(|id| id_label(analysis.identifiers[*id].id)))
        }
        Who::Missing(ids) => some(ids.iter().map(|id| id_label(*id))),
        Who::Channel(channel) => format!("all of {}", analysis.channel(*channel).name),
        Who::All => "the traffic of every channel".to_owned(),
    }
}

/// A node, of which it is said that it has no name and how much it sends.
fn in_full(analysis: &Analysis, node: NodeIndex) -> String {
    let own = &analysis.nodes[node];
    let name = who::node_on_bus(analysis, node);
    match own.ids.len() + own.never_heard.len() {
        _ if who::is_named(analysis, node) => name,
        0 | 1 => format!("{name} (no name known)"),
        count => format!("{name} and {}", plural(count - 1, "more identifier", "more identifiers")),
    }
}

/// The module that an unnamed node likely is, by the codes of others.
fn likely(analysis: &Analysis, node: NodeIndex) -> String {
    let only =
        |row: &&Blame| matches!(row.frames, Frames::OnlyOneSilent { node: own, .. } if own == node);
    match analysis.diagnosis.blame.iter().filter(only).collect::<Vec<_>>()[..] {
        [row] if !who::is_named(analysis, node) => format!(" (probably {})", row.missed.0),
        _ => String::new(),
    }
}

/// The first few names, and how many more there are.
pub(super) fn some(names: impl ExactSizeIterator<Item = String>) -> String {
    let more = names.len().saturating_sub(NAMES);
    let mut shown: Vec<String> = names.take(NAMES).collect();
    if more > 0 {
        shown.push(format!("{more} more"));
    }
    listed(&shown, "and")
}

fn why(analysis: &Analysis, headline: &Headline, explained: &Explained) -> String {
    let first = first(analysis, headline, explained);
    let ranked = analysis.ranked();
    let lawful = likelier_lawful(analysis, &ranked[explained.first()]);
    let lost = matches!(headline.what, Happened::Lost(_));
    let told = |at: usize| match lost {
        true => ranked[at].brief.clone(),
        false => fault::title(analysis, &ranked[at]),
    };
    let cause = match explained {
        Explained::By(at) if !lost => {
            format!("{} ({})", told(*at).replacen(": ", " ", 1), percent(&ranked[*at]))
        }
        Explained::By(at) => {
            let element = wiring::suspected(analysis, &ranked[*at]);
            let element = element.map_or(String::new(), |(element, share)| {
                let there = ranked[*at].probability * share;
                format!("{} {element} ({:.0} %), ", sureness(there), there * 100.0)
            });
            format!(
                "{element}{} {} ({})",
                sureness(ranked[*at].probability),
                told(*at),
                percent(&ranked[*at])
            )
        }
        Explained::ByOneOf(places) => {
            // Of several places one class is one cause to whoever reads on.
            let mut names: Vec<String> = Vec::new();
            for name in places.iter().map(|at| told(*at)) {
                if !names.contains(&name) {
                    names.push(name);
                }
            }
            let more = names.len().saturating_sub(CAUSES);
            names.truncate(CAUSES);
            names.extend((more > 0).then(|| format!("{more} more")));
            match names.as_slice() {
                [one] => format!("{one}, at one of {} places", places.len()),
                several => format!("cannot tell yet between {}", listed(several, "and")),
            }
        }
        Explained::Repaired(at) => {
            let own = &ranked[*at];
            let what = match own.repair() {
                Some(done) => format!("noted as {}", done.what),
                // Which of them it was is not told: whoever plugs one in wipes the pins.
                None => "gone since a known good one was plugged in, which wipes its contacts too"
                    .to_owned(),
            };
            format!("{} ({}), {what}", told(*at), percent(own))
        }
    };
    let cause = lawful.map_or(cause.clone(), |own| {
        format!("perhaps {} ({}), which is no fault; if not, {cause}", own.brief, percent(own))
    });
    first.map_or(cause.clone(), |first| format!("{cause}; {first}"))
}

/// What is no fault, explains every silence that what leads explains, and is likelier.
fn likelier_lawful<'a>(analysis: &'a Analysis, leading: &Finding) -> Option<&'a Finding> {
    let silence = |own: &&Evidence| own.what.is_silence();
    let silences: Vec<&Evidence> = leading.evidence.iter().filter(silence).collect();
    let shares = |own: &Finding| {
        let has = |one: &&Evidence| own.evidence.iter().any(|other| other.what == one.what);
        !silences.is_empty() && silences.iter().all(has)
    };
    let lawful = analysis.ranked().iter().filter(|own| own.standing == Standing::Benign);
    let lawful = lawful.filter(|own| own.probability > leading.probability && shares(own));
    lawful.max_by(|one, other| one.probability.total_cmp(&other.probability))
}

/// What to do first, as a request: the proof of a repair, or a test.
fn first(analysis: &Analysis, headline: &Headline, explained: &Explained) -> Option<String> {
    if let Explained::Repaired(_) = explained {
        return Some(match compare::drive(analysis) {
            Some(time) => {
                format!(
                    "now drive as when it failed, for at least {}, and run `lostnode compare`",
                    short_duration(time)
                )
            }
            None => "now drive as when it failed and run `lostnode compare`".to_owned(),
        });
    }
    if let Some(own) = culprit(analysis, headline) {
        let who = who::subject(analysis, &own.subject);
        return Some(format!(
            "without {who} the bus recovers: first find out what of it, or of its plug and wires, \
             pulls it down"
        ));
    }
    let test = &analysis.next_tests()[headline.first?];
    if steps::is_found_first(test) {
        return Some(steps::TO_BE_FOUND.to_owned());
    }
    let own = explained.first();
    // "Its" is whose the finding is, which the sentence has named.
    let about_it = test.subject == analysis.ranked()[own].subject || test.element.is_some();
    let request = match about_it {
        true => fault::test_request(analysis, test),
        false => fault::test_title(analysis, test),
    };
    Some(format!("first {}", small(&request)))
}

/// The reading that says which module pulls down the bus that the leading finding is about.
pub(super) fn culprit<'a>(analysis: &'a Analysis, headline: &Headline) -> Option<&'a Reading> {
    let finding = &analysis.ranked()[headline.explained.as_ref()?.first()];
    let Subject::Channel(channel) = finding.subject else { return None };
    let readings = &analysis.findings.as_ref()?.job.readings;
    let of_it = |own: &&Reading| own.culprit && own.subject.channel(analysis) == Some(channel);
    let own = readings.iter().find(of_it)?;
    // What is never unplugged nor measured by hand is left to the tests of the list.
    let cautions = cautions::of_subject(analysis, &own.subject);
    let barred = cautions.iter().any(|own| advice::bars(&own.id, "", &BY_HAND.map(str::to_owned)));
    (!barred && !finding.is_repaired() && !finding.benign).then_some(own)
}

/// What finding out why a module pulls the bus down calls for.
pub(super) const BY_HAND: [&str; 3] = ["unplug", "ohms", "swap"];

/// The same with a small letter.
pub(super) fn small(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next();
    // An abbreviation keeps its capitals.
    match letters.clone().next() {
        Some(second) if second.is_uppercase() => text.to_owned(),
        _ => first.map_or_else(String::new, |first| {
            first.to_lowercase().chain(letters).collect::<String>()
        }),
    }
}

/// A probability as people say it.
pub fn percent(finding: &Finding) -> String {
    match finding.probability {
        sure if sure > 0.99 => "over 99 %".to_owned(),
        probability => format!("{:.0} %", probability * 100.0),
    }
}
