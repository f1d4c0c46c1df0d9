//! In which order findings are told, today's complaint first, and how near to it their tests are.
//!
//! A technician is sent for what is wrong now. Codes outlive a flat battery and a mended wire by
//! months. So they stand behind a module that falls silent in this very capture, unless they are
//! several times likelier than that anything is wrong with it.

use std::collections::BTreeMap;

use super::knowledge::Knowledge;
use super::readings::Job;
use crate::analysis::Analysis;
use crate::analysis::finding::{ClassName, Evidence, Finding, Observation, Standing, Undecided};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Now, Sign};

/// How near to today's complaint a finding is, by what it rests on.
pub fn standing(analysis: &Analysis, finding: &Finding) -> Standing {
    match () {
        () if finding.benign => Standing::Benign,
        () if finding.class == ClassName::STALE_CODES => Standing::Remembered,
        () if finding.class == ClassName::NOT_CONFIGURED && !explains_a_loss(finding) => {
            Standing::Foreign
        }
        () if is_present(analysis, &finding.evidence) => Standing::Present,
        () => Standing::Remembered,
    }
}

/// A module that is not configured may keep silent for that; then it is no matter of papers.
fn explains_a_loss(finding: &Finding) -> bool {
    facts(&finding.evidence).any(|(fact, _)| {
        matches!(
            fact,
            Fact::NeverHeard { .. }
                | Fact::NodeSilent(_)
                | Fact::MessageSilent(_)
                | Fact::PerhapsOff(_)
                | Fact::NodesSilent(_)
                | Fact::NoAnswer { .. }
                | Fact::MissedByOthers(_)
        )
    })
}

/// Whether anything of it is seen in this capture, or was failing when last read.
fn is_present(analysis: &Analysis, evidence: &[Evidence]) -> bool {
    facts(evidence).any(|(fact, failing)| match fact {
        Fact::MissedByOthers(_) => failing,
        Fact::ManyMissed { mute, .. } => *mute > 0 || any_failing(analysis),
        Fact::SupplyMemory { .. } | Fact::BusSlept(_) => false,
        Fact::MissesMany { module, .. }
        | Fact::MissesMessages { module, .. }
        | Fact::InternalCode(module)
        | Fact::LowSupply(module) => {
            let own = |at: &&crate::analysis::diagnosis::CodeEntry| at.module == *module;
            analysis.diagnosis.codes.iter().filter(own).any(|code| code.is_present())
        }
        Fact::OwnBusOff(modules) => analysis
            .diagnosis
            .codes
            .iter()
            .any(|code| modules.contains(&code.module) && code.bus_off && code.is_present()),
        _ => true,
    })
}

fn any_failing(analysis: &Analysis) -> bool {
    analysis.diagnosis.codes.iter().any(|code| code.missed.is_some() && code.is_present())
}

/// Each symptom, and whether a sign after it says that its codes were failing.
fn facts(evidence: &[Evidence]) -> impl Iterator<Item = (&Fact, bool)> {
    evidence.iter().enumerate().filter_map(|(at, own)| {
        let Observation::Symptom(_, fact) = &own.what else { return None };
        let signs = evidence[at + 1..].iter().map_while(|next| match &next.what {
            Observation::Sign(sign) => Some(sign),
            _ => None,
        });
        let failing =
            signs.into_iter().any(|sign| matches!(sign, Sign::Now(Now::Failing | Now::Recent)));
        Some((fact, failing))
    })
}

/// From this probability a finding is worth one of the first places.
const WORTH_A_PLACE: f64 = 0.2;

/// What a percent counts in the order, in eighths. What is only remembered must be four times
/// likelier than what is there now to be told before it. A module from elsewhere may be today's
/// complaint as well (counted half, five that were at fault stood second in nine sets of three
/// worlds by others), but what is lost now comes first where both are about as likely.
fn weight(standing: Standing) -> i64 {
    match standing {
        Standing::Present => 8,
        Standing::Foreign => 6,
        Standing::Remembered | Standing::Benign => 2,
    }
}

/// Brings findings into the order in which they are told. First one explanation of each thing that
/// is wrong, by its weighed probability: two faults are then both seen at once. Behind them the
/// rivals of each, and what is hardly likely, in the same order. What is no fault comes last.
/// Returns the places that they had.
pub fn sort(findings: &mut Vec<Finding>) -> Vec<usize> {
    let mut order: Vec<usize> = (0..findings.len()).collect();
    let percent = |at: &usize| (findings[*at].probability * 100.0).round() as i64;
    order.sort_by_key(|at| (findings[*at].standing, -percent(at)));
    let mut leaders: Vec<usize> = Vec::new();
    let only_remembered = only_remembered(findings);
    for at in &order {
        let own = &findings[*at];
        let rival = |leader: &usize| is_rival(&findings[*leader], own);
        let today = only_remembered
            && own.standing == Standing::Present
            && !is_likely_switched_off(findings, own);
        let least = if is_asked_about(findings, own) { WORTH_A_TEST } else { WORTH_A_PLACE };
        let worth = match today {
            true => own.uncalibrated >= least,
            false => is_worth(findings, own, WORTH_A_PLACE),
        };
        if worth && !leaders.iter().any(rival) {
            leaders.push(*at);
        }
    }
    let is_benign = |at: &usize| findings[*at].standing == Standing::Benign;
    order.sort_by_key(|at| {
        let behind = !is_benign(at) && !leaders.contains(at);
        (is_benign(at), behind, -percent(at) * weight(findings[*at].standing))
    });
    let behind = leaders.len();
    pauses_later(findings, &mut order);
    fresh_first(findings, &mut order, behind);
    *findings = order.iter().map(|at| findings[*at].clone()).collect();
    order
}

/// Whether what it is about may be no fault at all: what a user may have switched off looks like a
/// fault of it, and only he can tell.
fn is_asked_about(findings: &[Finding], own: &Finding) -> bool {
    findings.iter().any(|other| other.benign && other.subject == own.subject)
}

/// A silence less likely than this is no complaint of today where its user made it himself, at this
/// probability, and old codes, at this one, explain why lamps are on.
const UNLIKELY: f64 = 0.3;
const LIKELY: f64 = 0.5;
const OLD: f64 = 0.7;

/// Whether it rests on a silence that lasts to the end.
fn ends_silent(own: &Finding) -> bool {
    facts(&own.evidence)
        .any(|(fact, _)| matches!(fact, Fact::NodeSilent(silences) if silences.ongoing))
}

/// Whether its user likely switched off what it is about, while old codes are likely what he
/// complains of.
fn is_likely_switched_off(findings: &[Finding], own: &Finding) -> bool {
    let off = |other: &Finding| {
        other.benign && other.subject == own.subject && other.probability >= LIKELY
    };
    let old = |other: &Finding| other.class == ClassName::STALE_CODES && other.probability >= OLD;
    // What is silent to the end is a matter of today.
    !ends_silent(own)
        && own.probability < UNLIKELY
        && findings.iter().any(off)
        && findings.iter().any(old)
}

/// Whether it has at least this probability, and is not likelier no fault.
fn is_worth(findings: &[Finding], own: &Finding, least: f64) -> bool {
    own.uncalibrated >= least && !is_likelier_no_fault(findings, own)
}

/// Whether all that is worth a place beside what is likelier no fault is remembered. A silence of
/// this very capture then comes first all the same: old codes are no complaint of today.
fn only_remembered(findings: &[Finding]) -> bool {
    let leads = |own: &&Finding| !own.benign && is_worth(findings, own, WORTH_A_PLACE);
    let mut leading = findings.iter().filter(leads).peekable();
    leading.peek().is_some() && leading.all(|own| own.standing == Standing::Remembered)
}

/// How many times likelier a second explanation of what is listed already must be than the first of
/// something else, to stand before it.
const OF_THE_SAME: f64 = 2.0;

/// What is silent to the end goes before a lone message that paused from this share of what is
/// stated of that on.
const NEARLY_AS_LIKELY: f64 = 0.8;

/// A lone message that pauses is a fault in one of five; what is silent for good says more. There
/// power, plug and module share what the pause leaves to two of them, so a subject counts as a
/// whole.
fn pauses_later(findings: &[Finding], order: &mut [usize]) {
    let any = |own: &Finding, is: fn(&Fact) -> bool| facts(&own.evidence).any(|(own, _)| is(own));
    let lone = |own: &Finding| any(own, |fact| matches!(fact, Fact::MessageSilent(_)));
    let lasts = |own: &Finding| {
        ends_silent(own) || any(own, |fact| matches!(fact, Fact::NeverHeard { .. }))
    };
    let in_all = |own: &Finding| {
        let same = |other: &&Finding| !other.benign && other.subject == own.subject;
        findings.iter().filter(same).map(|other| other.probability).sum::<f64>()
    };
    let Some(first) = order.first().map(|at| &findings[*at]) else { return };
    if !lone(first) || lasts(first) {
        return;
    }
    let instead = order.iter().position(|at| {
        let own = &findings[*at];
        own.standing == Standing::Present
            && own.subject.nodes().len() <= 1
            && lasts(own)
            && !lone(own)
            && in_all(own) >= NEARLY_AS_LIKELY * in_all(first)
    });
    if let Some(instead) = instead {
        order[..=instead].rotate_right(1);
    }
}

/// Behind the leaders: one more class for a subject that is listed already tells less than the
/// first that is told of another one, where that is not much less likely.
fn fresh_first(findings: &[Finding], order: &mut [usize], leaders: usize) {
    let same = |one: &Finding, other: &Finding| match one.subject.nodes() {
        [] => one.class == other.class && one.subject == other.subject,
        nodes => nodes == other.subject.nodes(),
    };
    let benign = |at: usize| findings[at].standing == Standing::Benign;
    for place in leaders..order.len() {
        let listed =
            |at: usize| order[..place].iter().any(|before| same(&findings[*before], &findings[at]));
        let next = order[place];
        if benign(next) || !listed(next) {
            continue;
        }
        let fresh = (place + 1..order.len()).find(|later| {
            let at = order[*later];
            !benign(at)
                && !listed(at)
                && OF_THE_SAME * findings[at].probability >= findings[next].probability
        });
        if let Some(fresh) = fresh {
            order[place..=fresh].rotate_right(1);
        }
    }
}

/// Whether what a fault explains is likelier no fault at all, and looks like it. Modules that start
/// anew while the engine is cranked do so in every sound vehicle of that make: such a finding must
/// not stand before one that nothing of the kind speaks for.
fn is_likelier_no_fault(findings: &[Finding], own: &Finding) -> bool {
    let is_silence = |what: &Observation| {
        use Fact::{NeverHeard, NodeSilent, NodesSilent};
        matches!(what, Observation::Symptom(_, NodeSilent(_) | NodesSilent(_) | NeverHeard { .. }))
    };
    let mut silences = own.evidence.iter().map(|own| &own.what).filter(|what| is_silence(what));
    let innocent = |what: &Observation| {
        let of = |other: &Finding| speaks_for(other, what).is_some_and(|ratio| ratio > 1.0);
        let likelier = |other: &&Finding| other.benign && other.probability > own.probability;
        findings.iter().filter(likelier).any(of)
    };
    !own.benign && own.evidence.iter().any(|own| is_silence(&own.what)) && silences.all(innocent)
}

/// How many times likelier a symptom with its signs is with what a finding says; `None` where it
/// has nothing to say of it.
fn speaks_for(finding: &Finding, symptom: &Observation) -> Option<f64> {
    let at = finding.evidence.iter().position(|own| own.what == *symptom)?;
    let signs = finding.evidence[at + 1..]
        .iter()
        .take_while(|own| matches!(own.what, Observation::Sign(_)));
    Some(finding.evidence[at].ratio * signs.map(|own| own.ratio).product::<f64>())
}

/// From this probability the rival of a finding that is worth a place is tested with it: at the
/// same place of the vehicle a quick test of it may tell more than a long one of the other.
const WORTH_A_TEST: f64 = 0.1;

/// How near its tests are to today's complaint: those for what is hardly likely, or likelier no
/// fault, wait; unless they tell it from what is likely and as near.
pub fn standing_of_tests(findings: &[Finding], finding: &Finding) -> Standing {
    let worth = |own: &Finding, least: f64| is_worth(findings, own, least);
    let leads = |other: &Finding| {
        other.standing <= finding.standing
            && is_rival(other, finding)
            && worth(other, WORTH_A_PLACE)
    };
    // Whether it is no fault at all is asked before the fault is looked for.
    let instead = |other: &&Finding| {
        is_likelier_no_fault(findings, other) && explain_the_same(finding, other)
    };
    match () {
        () if finding.benign => {
            let of = findings.iter().filter(instead).map(|other| other.standing);
            of.min().unwrap_or(finding.standing)
        }
        () if worth(finding, WORTH_A_PLACE) => finding.standing,
        // What its user may have switched off is tested as soon as he says that he did not.
        () if is_asked_about(findings, finding) && finding.uncalibrated >= WORTH_A_TEST => {
            finding.standing
        }
        () if worth(finding, WORTH_A_TEST) && findings.iter().any(leads) => finding.standing,
        () => finding.standing.max(Standing::Remembered),
    }
}

/// Place of the first finding that explains once more what stands above it, or is hardly likely.
pub(crate) fn first_rival(ranked: &[Finding]) -> usize {
    let behind = |at: &usize| {
        let (before, own) = (&ranked[..*at], &ranked[*at]);
        *at > 0
            && (own.standing == Standing::Benign
                || own.uncalibrated < WORTH_A_PLACE
                || before.iter().any(|leader| is_rival(leader, own)))
    };
    (0..ranked.len()).find(behind).unwrap_or(ranked.len())
}

/// Whether a finding tells of what another one explains: of the same symptom, or of a node of the
/// other. One node seldom has two faults at once.
fn is_rival(leader: &Finding, own: &Finding) -> bool {
    let same_node = own.subject.nodes().iter().any(|node| leader.subject.nodes().contains(node));
    same_node || explain_the_same(leader, own)
}

/// Tests that need not be done again: the capture or the job shows them done.
pub fn done(knowledge: &Knowledge, analysis: &Analysis, job: &Job) -> Vec<(String, Subject)> {
    let mut out = Vec::new();
    let by_hand = job.done(analysis).iter().any(|(_, done)| done.what == "cleared");
    if by_hand || all_cleared_and_read(analysis) {
        let gives = |name: &&String| *name == "clear_and_read";
        out.extend(
            knowledge.test.keys().filter(gives).map(|name| (name.clone(), Subject::Vehicle)),
        );
    }
    out
}

/// Whether this capture shows every code cleared and its module's list read again.
fn all_cleared_and_read(analysis: &Analysis) -> bool {
    let codes = &analysis.diagnosis.codes;
    !codes.is_empty()
        && codes.iter().all(|code| code.cleared.is_some() && (code.gone.is_some() || code.returned))
}

/// A probability more than this many times another's is a choice.
pub(crate) const CHOICE: f64 = 2.0;
/// Explanations less probable than this are no rivals.
const RIVAL: f64 = 0.05;

/// Sets of explanations of the same thing among which the evidence does not choose. `tells` gives,
/// for the test at a place, the probability with which it would show each class.
pub fn undecided(
    findings: &[Finding],
    tests: &[(Subject, f64, BTreeMap<ClassName, f64>)],
) -> Vec<Undecided> {
    let mut out: Vec<Undecided> = Vec::new();
    for (at, first) in findings.iter().enumerate() {
        let taken = out.iter().any(|known| known.findings.contains(&at));
        if taken || first.standing == Standing::Benign {
            continue;
        }
        let rival = |other: &usize| {
            let other = &findings[*other];
            other.standing == first.standing
                && other.uncalibrated >= RIVAL
                && explain_the_same(first, other)
        };
        let rivals: Vec<usize> = (at + 1..findings.len()).filter(rival).collect();
        let next = rivals.iter().map(|other| findings[*other].uncalibrated).fold(0.0, f64::max);
        if rivals.is_empty() || first.uncalibrated > CHOICE * next {
            continue;
        }
        let set: Vec<usize> = std::iter::once(at).chain(rivals).collect();
        let test = best_between(findings, &set, tests);
        out.push(Undecided { findings: set, test });
    }
    out
}

/// Probability that none of the explanations of the first finding's matter is the cause: what the
/// tables leave to whatever there is no class for, or more where explanations like these were
/// seldom true.
pub fn none_of_these(findings: &[Finding], no_class: f64) -> f64 {
    let Some(first) = findings.first() else { return no_class };
    let alike = findings[1..].iter().filter(|other| explain_the_same(first, other));
    let told = first.probability + alike.map(|other| other.probability).sum::<f64>();
    no_class.max(1.0 - told)
}

/// Whether two findings are rival explanations: what one rests on, the other rests on.
pub fn explain_the_same(one: &Finding, other: &Finding) -> bool {
    let symptoms = |finding: &Finding| -> Vec<Observation> {
        let symptom = |own: &&Evidence| matches!(own.what, Observation::Symptom(..));
        finding.evidence.iter().filter(symptom).map(|own| own.what.clone()).collect()
    };
    let (one, other) = (symptoms(one), symptoms(other));
    one.iter().any(|own| other.contains(own))
}

/// The test that tells most between some findings for its minutes: most expected information
/// (Shannon) about which of them it is from whether the test finds something.
fn best_between(
    findings: &[Finding],
    set: &[usize],
    tests: &[(Subject, f64, BTreeMap<ClassName, f64>)],
) -> Option<usize> {
    let total: f64 = set.iter().map(|at| findings[*at].probability).sum();
    let gain = |(subject, minutes, finds): &(Subject, f64, BTreeMap<ClassName, f64>)| {
        let share = |at: &usize| match findings[*at].subject == *subject {
            true => finds.get(&findings[*at].class).copied().unwrap_or(0.0),
            false => 0.0,
        };
        let chance = |at: &usize| findings[*at].probability / total;
        let hit: f64 = set.iter().map(|at| chance(at) * share(at)).sum();
        let within: f64 = set.iter().map(|at| chance(at) * entropy(share(at))).sum();
        (entropy(hit) - within) / minutes.max(1.0)
    };
    let gains: Vec<f64> = tests.iter().map(gain).collect();
    let best = (0..tests.len()).max_by(|a, b| gains[*a].total_cmp(&gains[*b]).then(b.cmp(a)))?;
    // Below this a test tells nothing that its scatter would not hide.
    (gains[best] > 1e-6).then_some(best)
}

/// Of a chance of yes or no, in bits.
fn entropy(chance: f64) -> f64 {
    let part = |share: f64| if share > 0.0 { -share * share.log2() } else { 0.0 };
    part(chance) + part(1.0 - chance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::symptom::Silences;
    use crate::ids::NodeIndex;

    fn silence_of(node: usize, class: ClassName, probability: f64, benign: bool) -> Finding {
        let times = Silences { times: 1, seconds: 2.0, first: 0, last: 0, ongoing: false };
        let node = Subject::Node(NodeIndex(node));
        let what = Observation::Symptom(node.clone(), Fact::NodeSilent(times));
        Finding {
            gone: false,
            class,
            subject: node,
            title: String::new(),
            brief: String::new(),
            probability,
            uncalibrated: probability,
            standing: if benign { Standing::Benign } else { Standing::Present },
            benign,
            explanation: String::new(),
            evidence: vec![Evidence { ratio: 2.0, what }],
            codes_explained: Vec::new(),
            lamps: 0,
            cautions: Vec::new(),
            next_tests: Vec::new(),
            done: Vec::new(),
            element: None,
        }
    }

    /// A module that the starter likely pulled down does not stand before one of another vehicle
    /// that is less likely; where the starter is less likely, it does.
    #[test]
    fn what_is_likelier_no_fault_waits() {
        let foreign = Finding {
            standing: Standing::Foreign,
            evidence: Vec::new(),
            ..silence_of(1, ClassName::NOT_CONFIGURED, 0.25, false)
        };
        let first = |starter: f64| {
            let power = silence_of(0, ClassName::SOUND, 0.3, false);
            let cranking = silence_of(0, ClassName::LOGGER, starter, true);
            let mut all = vec![power, cranking, foreign.clone()];
            sort(&mut all);
            all[0].class.clone()
        };
        assert_eq!(first(0.6), ClassName::NOT_CONFIGURED);
        assert_eq!(first(0.2), ClassName::SOUND);
    }

    /// A module from elsewhere stands before what is there now where it is a third likelier.
    #[test]
    fn a_module_from_elsewhere_counts_a_little_less() {
        let first = |foreign: f64| {
            let foreign = Finding {
                standing: Standing::Foreign,
                ..silence_of(1, ClassName::NOT_CONFIGURED, foreign, false)
            };
            let mut all = vec![foreign, silence_of(0, ClassName::SOUND, 0.6, false)];
            sort(&mut all);
            all[0].class.clone()
        };
        assert_eq!(first(0.81), ClassName::NOT_CONFIGURED);
        assert_eq!(first(0.79), ClassName::SOUND);
    }

    /// What is silent to the end stands before a lone message that paused, which is a little
    /// likelier; not before one that is far likelier, and not where it came back too.
    #[test]
    fn a_lone_pause_waits_for_what_lasts() {
        let first = |lone: f64, ongoing: bool| {
            let silences = Silences { times: 1, seconds: 2.0, first: 0, last: 0, ongoing };
            let with = |finding: Finding, fact: Fact| {
                let what = Observation::Symptom(finding.subject.clone(), fact);
                Finding { evidence: vec![Evidence { ratio: 2.0, what }], ..finding }
            };
            let lasting = silence_of(0, ClassName::SOUND, 0.11, false);
            let lone = silence_of(1, ClassName::GATEWAY, lone, false);
            let pause = Fact::MessageSilent(Silences { ongoing: false, ..silences });
            let mut all = vec![with(lone, pause), with(lasting, Fact::NodeSilent(silences))];
            sort(&mut all);
            all[0].subject.nodes()[0]
        };
        assert_eq!(first(0.13, true), NodeIndex(0));
        assert_eq!(first(0.15, true), NodeIndex(1));
        assert_eq!(first(0.13, false), NodeIndex(1));
    }

    /// What is only remembered stands first where it is more than four times as likely as what is
    /// silent today.
    #[test]
    fn old_codes_stand_first_where_today_is_hardly_likely() {
        let first = |today: f64| {
            let old = Finding {
                standing: Standing::Remembered,
                ..silence_of(1, ClassName::STALE_CODES, 0.9, false)
            };
            let mut all = vec![old, silence_of(0, ClassName::SOUND, today, false)];
            sort(&mut all);
            all[0].class.clone()
        };
        assert_eq!(first(0.25), ClassName::SOUND);
        assert_eq!(first(0.21), ClassName::STALE_CODES);
    }

    /// One more explanation of what is listed stands behind the first of something else that is
    /// half as likely, and before one that is less.
    #[test]
    fn the_first_of_something_else_comes_before_one_more_of_the_same() {
        let order = |other: f64| {
            let likely = |node, class, probability| silence_of(node, class, probability, false);
            let mut all = vec![
                likely(0, ClassName::SOUND, 0.5),
                likely(0, ClassName::LOGGER, 0.18),
                likely(1, ClassName::SOUND, other),
            ];
            sort(&mut all);
            all.iter().map(|own| own.subject.nodes()[0].0).collect::<Vec<_>>()
        };
        assert_eq!(order(0.1), [0, 1, 0]);
        assert_eq!(order(0.08), [0, 0, 1]);
    }

    /// Without any explanation all that is left is what there is no class for.
    #[test]
    fn none_of_no_explanations_is_what_there_is_no_class_for() {
        assert!((none_of_these(&[], 0.25) - 0.25).abs() < 1e-12);
    }
}
