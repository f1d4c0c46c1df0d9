//! Codes with what became of them, and the events that several modules remember.

use std::collections::BTreeMap;

use lostnode_parsers::dtc::{Code, Status};

use super::names::Names;
use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::{Active, CodeAge, CodeEntry, CodeEvent, CodeStanding};
use crate::fold::diagnostics::meaning;
use crate::fold::diagnostics::{CodeHistory, CodeNumber, Diagnostics, Module, Seen};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};

type Histories = BTreeMap<(Module, CodeNumber), CodeHistory>;
type Events = BTreeMap<(Module, CodeNumber), CodeEvent>;

/// All codes; `timed` where the capture has time stamps.
pub fn of(diagnostics: &Diagnostics, names: &Names, timed: bool) -> Vec<CodeEntry> {
    let histories = &diagnostics.codes.histories;
    let supply = &diagnostics.identities.supply;
    let dipped = supply.range().is_some_and(|((_, least), _)| least < supply.levels()[0]);
    let events = low_supply(histories, names, dipped);
    let entry = |((module, number), history): (&(Module, CodeNumber), &CodeHistory)| {
        let event = events.get(&(*module, *number)).copied();
        let read = code(*module, *number, history, names, timed);
        let pending = diagnostics.codes.pending_read(*module);
        let age = match read.age == CodeAge::Untold && is_not_pending(history, pending) {
            true => CodeAge::Past,
            false => read.age,
        };
        CodeEntry { event, age, ..read }
    };
    let mut out: Vec<CodeEntry> = histories.iter().map(entry).collect();
    let of_another: Vec<bool> = out.iter().map(|own| is_of_another(&out, own)).collect();
    for (code, of_another) in out.iter_mut().zip(of_another) {
        code.bus_off &= !of_another;
    }
    out
}

/// Whether a code that misses a module tells of that one, though its failure type is "bus off": a
/// controller that left the bus hears nobody, and its module would miss all. Others miss the same
/// in other ways then, or it misses that one only.
fn is_of_another(codes: &[CodeEntry], own: &CodeEntry) -> bool {
    let Some(missed) = own.missed.as_ref().filter(|_| own.bus_off) else { return false };
    let same = |other: &CodeEntry| other.missed.as_ref() == Some(missed);
    let other_way =
        |other: &CodeEntry| same(other) && other.module.party != own.module.party && !other.bus_off;
    let only_one =
        |other: &CodeEntry| other.module != own.module || other.missed.is_none() || same(other);
    codes.iter().any(other_way) || codes.iter().all(only_one)
}

fn code(
    module: Module,
    number: CodeNumber,
    history: &CodeHistory,
    names: &Names,
    timed: bool,
) -> CodeEntry {
    let says = |what: fn(Code) -> bool| match number {
        CodeNumber::Code(code) => what(code),
        CodeNumber::SpnFmi { .. } => false,
    };
    CodeEntry {
        number,
        module,
        missed: names.missed(module, number),
        missed_address: names.address(module, number),
        failed_before_the_clear: history.failed_before_the_clear(),
        status: history.status,
        lists: history.lists.clone(),
        standing: standing(history),
        seen: timed.then_some(history.seen),
        cleared: history.cleared,
        returned: history.returned,
        gone: history.gone,
        stayed_away: history
            .cleared
            .zip(history.stayed_away)
            .map(|(cleared, read)| seconds(read - cleared)),
        tested: history.tested,
        count: history.count,
        event: None,
        unconfigured: match number {
            CodeNumber::Code(code) => meaning::is_unconfigured(code),
            CodeNumber::SpnFmi { spn, fmi } => meaning::is_uncalibrated(spn, fmi),
        },
        misfit: None,
        invalid: match number {
            CodeNumber::Code(code) => meaning::invalid(code).map(|name| Missed(name.to_owned())),
            CodeNumber::SpnFmi { .. } => None,
        },
        internal: says(meaning::is_internal),
        bus_off: says(meaning::is_bus_off),
        age: age(history),
        passed: history.is_stored_only()
            || history.supported.unwrap_or(u8::MAX) & Status::TEST_FAILED != 0
                && history.status.is_some_and(|status| status.0 & Status::TEST_FAILED == 0),
        of_last_drive: is_of_last_drive(history),
        appeared: history.absent_before.map(|absent| (absent, history.seen.0)),
        counter: history.counter,
        severity: history.severity,
        old_conversion: history.old_conversion,
        active: (history.times_active > 0)
            .then_some(Active { times: history.times_active, until: history.inactive }),
        lamp: history.fault_status.is_some_and(|status| status.0 & Status::WARNING_LAMP != 0),
    }
}

fn standing(history: &CodeHistory) -> CodeStanding {
    let set = |bit: u8| history.status.is_some_and(|status| status.0 & bit != 0);
    if set(Status::TEST_FAILED) || history.is_present() {
        CodeStanding::Failing
    } else if set(Status::PENDING) && !set(Status::CONFIRMED) || history.is_maturing() {
        CodeStanding::Pending
    } else if set(Status::CONFIRMED) || history.is_stored_only() {
        CodeStanding::NotFailing
    } else if history.is_active() {
        CodeStanding::Active
    } else if history.told_by.is_active() || history.told_by.was_active() {
        CodeStanding::PreviouslyActive
    } else if matches!(history.lists_since_clear[..], [list] if list.is_pending()) {
        CodeStanding::Pending
    } else {
        CodeStanding::Stored
    }
}

/// How old the fault is. A code that a list came without before is of this capture, whatever its
/// status says by then: nothing old appears between two reads.
fn age(history: &CodeHistory) -> CodeAge {
    let listed = |list: fn(Seen) -> bool| history.lists.iter().any(|own| list(*own));
    let set = |bits: u8| history.fault_status.is_some_and(|status| status.0 & bits != 0);
    let fresh = history.came_here() || history.was_present || history.is_maturing();
    // What leaves DM1 is not active any more, and was in this drive (SAE J1939-73, from memory).
    let fresh = fresh || listed(Seen::is_active) || listed(Seen::is_pending);
    if set(Status::TEST_FAILED) || history.is_active() || history.is_present() {
        CodeAge::Failing
    } else if set(Status::PENDING | Status::FAILED_THIS_CYCLE) || fresh {
        CodeAge::Recent
    } else if listed(Seen::was_active) || tells_cycles(history) {
        CodeAge::Past
    } else {
        CodeAge::Untold
    }
}

/// Whether it failed in the drive before, and in this one not: pending, and not failed in this
/// cycle, of which its module tells (ISO 14229-1:2020, D.2: bit 2 stays for a whole cycle more).
fn is_of_last_drive(history: &CodeHistory) -> bool {
    let told = history.supported.unwrap_or(u8::MAX) & Status::FAILED_THIS_CYCLE != 0;
    let of_now = Status::TEST_FAILED | Status::FAILED_THIS_CYCLE;
    let before = |status: Status| status.0 & Status::PENDING != 0 && status.0 & of_now == 0;
    told && !history.came_here()
        && age(history) == CodeAge::Recent
        && history.fault_status.is_some_and(before)
}

/// Reads of one scan lie no further apart, in seconds (common practice, no source).
const ONE_SCAN: f64 = 10.0;

/// Whether a list of pending codes came without a code that is stored: then its test has not failed
/// in this drive cycle or the one before (SAE J1979, service 07). Service 03 alone says only that
/// it is stored.
fn is_not_pending(history: &CodeHistory, pending_read: Option<Nanoseconds>) -> bool {
    let stored = |list: &Seen| matches!(list, Seen::Stored) || list.is_permanent();
    let read = |time: Nanoseconds| time >= history.seen.0 - nanoseconds(ONE_SCAN);
    history.lists.iter().all(stored) && pending_read.is_some_and(read)
}

/// Whether its status tells of this operation cycle or the one before: a module need not support
/// these bits, and a bit that is not supported is 0 (ISO 14229-1:2020, 12.3 and D.2).
fn tells_cycles(history: &CodeHistory) -> bool {
    let supported = history.supported.unwrap_or(u8::MAX);
    history.fault_status.is_some() && supported & (Status::PENDING | Status::FAILED_THIS_CYCLE) != 0
}

/// Whether a parameter is a supply voltage of a module (SAE J1939-71, from memory) that is or was
/// too low (SAE J1939-73, appendix A: failure modes 1, 17 and 18, and 4, a voltage below normal).
fn is_low_supply(spn: u32, fmi: u8) -> bool {
    matches!(spn, 158 | 168 | 444 | 627) && matches!(fmi, 1 | 4 | 17 | 18)
}

/// Modules that remember low supply by a suspect parameter only, from which that is the battery's:
/// such voltages are set off by a start too (common practice, no source).
const WEAK: usize = 3;

/// Codes that a flat or disconnected battery left behind. One module that remembers low supply may
/// have a bad feed of its own; two, or a dip in this capture beside it, tell of the vehicle's.
///
/// A loss of communication belongs to the battery only where the same modules remember it, and
/// where nobody tells of the module that it misses as of something present.
fn low_supply(histories: &Histories, names: &Names, dipped: bool) -> Events {
    let supply = |number: &CodeNumber| match *number {
        CodeNumber::Code(code) => meaning::is_supply(code),
        CodeNumber::SpnFmi { spn, fmi } => is_low_supply(spn, fmi),
    };
    // What appeared in this capture is old only by a dip in this capture.
    let old = |history: &CodeHistory| {
        age(history) >= CodeAge::Untold || (dipped && age(history) == CodeAge::Recent)
    };
    let mut weak: Vec<Module> = histories
        .iter()
        .filter(|((_, number), history)| supply(number) && old(history))
        .map(|((module, _), _)| *module)
        .collect();
    weak.dedup();
    let by_code = |((_, number), history): (&(Module, CodeNumber), &CodeHistory)| {
        matches!(number, CodeNumber::Code(_)) && supply(number) && old(history)
    };
    let enough = weak.len() >= WEAK || weak.len() >= 2 && histories.iter().any(by_code);
    if !(enough || dipped && weak.len() == 1) {
        return Events::new();
    }
    let present: Vec<Missed> = histories
        .iter()
        .filter(|(_, history)| !old(history) && history.gone.is_none())
        .filter_map(|((module, number), _)| names.missed(*module, *number))
        .collect();
    let event = CodeEvent::LowSupply { modules: weak.len(), dipped };
    let marks = |(module, number): &(Module, CodeNumber)| {
        let of_then = |missed: Missed| weak.contains(module) && !present.contains(&missed);
        supply(number) || names.missed(*module, *number).is_some_and(of_then)
    };
    histories
        .iter()
        .filter(|(key, history)| old(history) && marks(key))
        .map(|(key, _)| (*key, event))
        .collect()
}
