//! Codes with what became of them, and the events that several modules remember.

use std::collections::BTreeMap;

use lostnode_parsers::dtc::Code;

use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::{CodeEntry, CodeEvent, CodeStanding};
use crate::fold::diagnostics::{CodeHistory, CodeNumber, Diagnostics, Module, Seen, meaning};

/// Status bits (ISO 14229-1:2020, D.2).
const TEST_FAILED: u8 = 0x01;
const PENDING: u8 = 0x04;
const CONFIRMED: u8 = 0x08;
const WARNING_LAMP: u8 = 0x80;

/// Modules that store codes between the same two reads, from which these are marks of one event.
/// Two may do so by chance.
const SEVERAL: usize = 3;

type Histories = BTreeMap<(Module, CodeNumber), CodeHistory>;
type Events = BTreeMap<(Module, CodeNumber), CodeEvent>;

/// All codes; `timed` where the capture has time stamps.
pub fn of(diagnostics: &Diagnostics, timed: bool) -> Vec<CodeEntry> {
    let histories = &diagnostics.codes.histories;
    let supply = &diagnostics.identities.supply;
    let dipped = supply.range().is_some_and(|((_, least), _)| least < supply.levels()[0]);
    let mut events = low_supply(histories, dipped);
    same_reads(histories, &mut events);
    let entry = |((module, number), history): (&(Module, CodeNumber), &CodeHistory)| {
        let event = events.get(&(*module, *number)).copied();
        CodeEntry { event, ..code(*module, *number, history, timed) }
    };
    histories.iter().map(entry).collect()
}

fn code(module: Module, number: CodeNumber, history: &CodeHistory, timed: bool) -> CodeEntry {
    let says = |what: fn(Code) -> bool| match number {
        CodeNumber::Code(code) => what(code),
        CodeNumber::SpnFmi { .. } => false,
    };
    CodeEntry {
        number,
        module,
        missed: missed(number),
        status: history.status,
        lists: history.lists.clone(),
        standing: standing(history),
        seen: timed.then_some(history.seen),
        cleared: history.cleared,
        returned: history.returned,
        gone: history.gone,
        tested: history.tested,
        count: history.count,
        event: None,
        unconfigured: says(meaning::is_unconfigured),
        internal: says(meaning::is_internal),
        failing: !is_memory(history),
        lamp: history.fault_status.is_some_and(|status| status.0 & WARNING_LAMP != 0),
    }
}

fn missed(number: CodeNumber) -> Option<Missed> {
    match number {
        CodeNumber::Code(code) => {
            meaning::of(code)?.missed().map(|module| Missed(module.to_owned()))
        }
        CodeNumber::SpnFmi { .. } => None,
    }
}

fn standing(history: &CodeHistory) -> CodeStanding {
    let set = |bit: u8| history.status.is_some_and(|status| status.0 & bit != 0);
    if set(TEST_FAILED) {
        CodeStanding::Failing
    } else if set(PENDING) && !set(CONFIRMED) {
        CodeStanding::Pending
    } else if set(CONFIRMED) {
        CodeStanding::NotFailing
    } else if history.lists_since_clear == [Seen::Pending] {
        CodeStanding::Pending
    } else {
        CodeStanding::Stored
    }
}

/// Codes that were history only when they were last reported: confirmed or stored, but neither
/// failing nor pending.
fn is_memory(history: &CodeHistory) -> bool {
    match history.fault_status {
        Some(status) => status.0 & (TEST_FAILED | PENDING) == 0,
        None => !history.lists.contains(&Seen::Pending) && !history.lists.contains(&Seen::Active),
    }
}

/// Codes that a flat or disconnected battery left behind. One module that remembers low supply may
/// have a bad feed of its own; two, or a dip in this capture beside it, tell of the vehicle's.
fn low_supply(histories: &Histories, dipped: bool) -> Events {
    let supply =
        |number: &CodeNumber| matches!(number, CodeNumber::Code(code) if meaning::is_supply(*code));
    let mut weak: Vec<Module> = histories
        .iter()
        .filter(|((_, number), history)| supply(number) && is_memory(history))
        .map(|((module, _), _)| *module)
        .collect();
    weak.dedup();
    if weak.len() < 2 && !(dipped && weak.len() == 1) {
        return Events::new();
    }
    let event = CodeEvent::LowSupply { modules: weak.len(), dipped };
    let marks = |(module, number): &(Module, CodeNumber)| {
        supply(number) || (missed(*number).is_some() && weak.contains(module))
    };
    histories
        .iter()
        .filter(|(key, history)| is_memory(history) && marks(key))
        .map(|(key, _)| (*key, event))
        .collect()
}

/// Codes that several modules stored between two reads of their lists.
fn same_reads(histories: &Histories, events: &mut Events) {
    let fresh: Vec<_> =
        histories.iter().filter(|(_, history)| history.absent_before.is_some()).collect();
    let window = |history: &CodeHistory| (history.absent_before.unwrap_or(0), history.seen.0);
    for (key, history) in &fresh {
        let (from, to) = window(history);
        let mut modules: Vec<Module> = fresh
            .iter()
            .filter(|(_, other)| window(other).0 < to && window(other).1 > from)
            .map(|((module, _), _)| *module)
            .collect();
        modules.dedup();
        if modules.len() >= SEVERAL {
            let event = CodeEvent::SameReads { modules: modules.len() };
            events.entry(**key).or_insert(event);
        }
    }
}
