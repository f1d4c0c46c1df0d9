//! How codes stand that name a module: failing, of this drive, passed, remembered.

use std::collections::BTreeSet;

use super::rhythm;
use crate::analysis::blame::{Blame, Verdict};
use crate::analysis::diagnosis::{CodeAge, CodeEntry, CodeNumber, Party};
use crate::analysis::symptom::{Now, Sign};
use crate::analysis::{Analysis, Doubt};

/// Codes of a row of blame: indexes into those of the diagnosis.
pub(super) fn codes_of(analysis: &Analysis, row: &Blame) -> Vec<usize> {
    let codes = analysis.diagnosis.codes.iter().enumerate();
    codes
        .filter(|(_, code)| code.event.is_none() && code.missed.as_ref() == Some(&row.missed))
        .map(|(at, _)| at)
        .collect()
}

/// Whether one of its codes is of a fault of this drive or the last.
pub(super) fn is_present(analysis: &Analysis, row: &Blame) -> bool {
    codes_of(analysis, row).iter().any(|at| analysis.diagnosis.codes[*at].is_present())
}

/// Whether its codes fail, or did in this drive or the one before.
pub(super) fn is_now(analysis: &Analysis, row: &Blame) -> bool {
    matches!(now(analysis, &codes_of(analysis, row)), Now::Failing | Now::Recent)
}

/// Whether one of its codes fails.
pub(super) fn is_failing(analysis: &Analysis, row: &Blame) -> bool {
    let codes = codes_of(analysis, row).into_iter().map(|at| &analysis.diagnosis.codes[at]);
    codes.into_iter().any(|code| code.age == CodeAge::Failing && code.gone.is_none())
}

/// How the codes stand, by the most present of those that are still there.
pub(super) fn now(analysis: &Analysis, codes: &[usize]) -> Now {
    let codes = || codes.iter().map(|at| &analysis.diagnosis.codes[*at]);
    // A code that was cleared and never read again, nobody knows of.
    let read = |code: &CodeEntry| code.cleared.is_none() || code.stayed_away.is_some();
    let mended = |code: &CodeEntry| code.gone.is_some() && code.tested != Some(false) && read(code);
    let there = || codes().filter(|code| code.gone.is_none() || code.failed_before_the_clear);
    // A loss that lasted would fail its last test, and here nothing is lost. A list without status
    // tells of no test (SAE J1979, services 03 and 07), nor does a status whose module does not
    // support that bit, which then is 0 (ISO 14229-1:2020, 12.3 and D.2).
    let told = |code: &&CodeEntry| code.status.is_some();
    let is_told = |code: &CodeEntry| {
        let same = |own: &&CodeEntry| own.module.party == code.module.party && alike(own, code);
        there().filter(told).filter(same).any(|own| own.passed)
    };
    let passes = || {
        let passed = parties(there().filter(told).filter(|code| code.passed)).len();
        let all_tell = there().filter(told).all(|code| code.passed);
        is_over(analysis)
            && passed >= if all_tell { 1 } else { MANY }
            && there().all(|code| code.appeared.is_none())
            && (passed > MANY || !is_open(analysis) || there().all(is_told))
    };
    match there().map(|code| code.age).min() {
        Some(CodeAge::Failing) => Now::Failing,
        Some(CodeAge::Recent) if there().all(|code| code.of_last_drive) => Now::LastDrive,
        Some(CodeAge::Recent) if passes() => Now::Passed,
        Some(CodeAge::Recent) => Now::Recent,
        Some(CodeAge::Untold) => Now::Listed,
        Some(CodeAge::Past) => Now::Remembered,
        None if codes().all(mended) => Now::Mended,
        None => Now::Remembered,
    }
}

/// Whether codes that stand so, of what may be long over, are told where nothing is lost.
pub(super) fn nothing_lost(analysis: &Analysis, now: Now) -> Option<Sign> {
    let old = matches!(now, Now::Remembered | Now::Passed | Now::LastDrive);
    (old && is_over(analysis) && !is_open(analysis)).then_some(Sign::NothingLost)
}

/// Who holds codes. Who answers on two of its buses is one.
fn parties<'a>(codes: impl Iterator<Item = &'a CodeEntry>) -> BTreeSet<Party> {
    codes.map(|code| code.module.party).collect()
}

/// Whether two codes have one number, whatever type of failure one of them adds.
fn alike(own: &CodeEntry, other: &CodeEntry) -> bool {
    match (own.number, other.number) {
        (CodeNumber::Code(own), CodeNumber::Code(other)) => own.base() == other.base(),
        (own, other) => own == other,
    }
}

/// Modules that noticed a loss and hold a code of it, nothing tells since when: from these on one
/// would say that it fails.
const MANY: usize = 2;

/// That several say of their codes that their tests passed, none when they did, where nothing is
/// lost: of what lasts one would tell that it fails.
pub(super) fn stored_by_many(
    analysis: &Analysis,
    row: &Blame,
    codes: &[usize],
    now: Now,
) -> Option<Sign> {
    let codes = codes.iter().map(|at| &analysis.diagnosis.codes[*at]);
    let parties = parties(codes.filter(|code| code.passed));
    let stored = now == Now::Listed
        && row.verdict() == Verdict::Open
        && is_over(analysis)
        && !is_open(analysis);
    (stored && parties.len() >= MANY).then_some(Sign::StoredByMany(parties.len()))
}

/// That one module alone holds a code of which nothing tells since when, and frames do not say.
pub(super) fn stored_by_one(row: &Blame, now: Now) -> Option<Sign> {
    let told = now == Now::Listed && row.verdict() == Verdict::Open && row.reporters.len() == 1;
    told.then_some(Sign::StoredByOne)
}

/// Whether a message paused that may be all that a module sends.
fn is_open(analysis: &Analysis) -> bool {
    analysis.outages.iter().any(|outage| outage.doubt == Some(Doubt::SenderUnknown))
}

/// Whether a module says still that it is not configured: it finds that out as it starts up, so a
/// code which was cleared is away until then.
pub(super) fn still_says(analysis: &Analysis, code: &CodeEntry) -> bool {
    let (Some(gone), Some(cleared)) = (code.gone, code.cleared) else {
        return code.gone.is_none();
    };
    let key_ons = rhythm::key_ons(analysis);
    let started = key_ons.into_iter().any(|on| (cleared..=gone).contains(&on));
    gone >= cleared && code.tested != Some(true) && !started
}

/// Whether nothing was lost in this capture, and no code of communication fails now.
pub(super) fn is_over(analysis: &Analysis) -> bool {
    let fails = |code: &CodeEntry| {
        code.age == CodeAge::Failing
            && code.gone.is_none()
            && (code.missed.is_some() || code.bus_off)
    };
    analysis.lost().next().is_none() && !analysis.diagnosis.codes.iter().any(fails)
}
