//! Trouble codes and their history: first and last seen, status, cleared, returned, and whether the
//! test has run since. How they are read: docs/diagnostics.md.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::dtc::{Code, Group, Status, two_byte_codes};
use lostnode_parsers::j1939;
use lostnode_parsers::obd::{self, Readiness};
use lostnode_parsers::uds::{self, DtcReport, DtcsByStatus, StatusOfDtc};

use super::exchanges::Request;
use super::meaning;
use super::told::{Told, is_present};
use super::{Message, Module};
use crate::fold::timing::Nanoseconds;

/// A code of a car, or a parameter and failure mode of SAE J1939.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CodeNumber {
    /// SAE J2012.
    Code(Code),
    /// SAE J1939-73.
    SpnFmi {
        /// Suspect parameter number.
        spn: u32,
        /// Failure mode.
        fmi: u8,
    },
}

impl CodeNumber {
    /// No other comes before it.
    const FIRST: CodeNumber = CodeNumber::Code(Code::new([0, 0], None));
    /// No other comes after it.
    const LAST: CodeNumber = CodeNumber::SpnFmi { spn: u32::MAX, fmi: u8::MAX };

    /// Whether it is a code of a car (SAE J2012).
    pub(crate) fn is_car(self) -> bool {
        matches!(self, CodeNumber::Code(_))
    }

    /// Whether it says that a module is not heard.
    pub(crate) fn misses_a_module(self) -> bool {
        match self {
            CodeNumber::Code(code) => meaning::of(code).is_some_and(|own| own.missed().is_some()),
            // Abnormal update rate, and received network data in error (SAE J1939-73, appendix A).
            CodeNumber::SpnFmi { fmi, .. } => matches!(fmi, 9 | 19),
        }
    }

    /// Failure type byte of a code in its three-byte form, or the failure mode.
    pub fn failure_type(self) -> Option<u8> {
        match self {
            CodeNumber::Code(code) => code.failure_type(),
            CodeNumber::SpnFmi { fmi, .. } => Some(fmi),
        }
    }
}

/// In which list a code was seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// Service 03.
    Stored,
    /// Service 07.
    Pending,
    /// Service 0A.
    Permanent,
    /// ReadDTCInformation: the report, and its mask where the request was heard.
    Report(u8, Option<u8>),
    /// readDTCByStatus (ISO 14230-3): kind of list and group of codes, where the request was heard.
    ByStatus(Option<(u8, u16)>),
    /// DM1.
    Active,
    /// DM2.
    PreviouslyActive,
    /// DM12: active, and of emissions.
    EmissionActive,
    /// DM6: pending, and of emissions.
    EmissionPending,
    /// DM23: previously active, and of emissions.
    EmissionPreviouslyActive,
    /// DM28: permanent, and of emissions.
    EmissionPermanent,
}

/// What became of one code of one module.
#[derive(Clone, Debug)]
pub struct CodeHistory {
    /// When it was first and last reported; zero where the capture has no time stamps.
    pub seen: (Nanoseconds, Nanoseconds),
    /// The lists it was seen in.
    pub lists: Vec<Seen>,
    /// The lists it was seen in since it was last cleared, or in the whole capture where it was
    /// not.
    pub lists_since_clear: Vec<Seen>,
    /// Status bits that its module supports, where it said so (ISO 14229-1:2020, 12.3).
    pub supported: Option<u8>,
    /// Its last status byte that told of a fault: what the module remembered before a clear.
    pub fault_status: Option<Status>,
    /// Its last status byte.
    pub status: Option<Status>,
    /// Its last status by ISO 14230-3 that told of a fault.
    pub by_status: Option<StatusOfDtc>,
    /// A status by ISO 14230-3 said in this capture that its fault was there.
    pub was_present: bool,
    /// Last time it was cleared while it was there.
    pub cleared: Option<Nanoseconds>,
    /// Reported again as a fault after it had been cleared.
    pub returned: bool,
    /// When a list that had it came without it.
    pub gone: Option<Nanoseconds>,
    /// Whether its test has run to the end since the clear, where that can be told.
    pub tested: Option<bool>,
    /// Occurrences, where the module counts them.
    pub count: Option<u8>,
    /// Time of the last read of the same list that did not have it before it was first seen.
    pub absent_before: Option<Nanoseconds>,
    /// Last time that a list which had it came without it after a clear.
    pub stayed_away: Option<Nanoseconds>,
    /// The list that told of it last.
    pub told_by: Seen,
    /// Fault detection counter (report 14), -128 to 127.
    pub counter: Option<i8>,
    /// Severity byte (reports 08, 09, 42).
    pub severity: Option<u8>,
    /// Its number is packed in an older way (SAE J1939-73): it may be another one.
    pub old_conversion: bool,
    /// Times it came into a list of active codes (SAE J1939) in this capture.
    pub times_active: u32,
    /// When a list of active codes came without it, where it has not come back.
    pub inactive: Option<Nanoseconds>,
    /// The lists of SAE J1939 that had it when they were last read.
    pub(super) there_in: Vec<Seen>,
}

impl CodeHistory {
    /// Whether its test failed in this drive, as its status or its list tells, and nothing says
    /// that it is gone. What is only remembered may be of any age.
    pub fn is_recent(&self) -> bool {
        if self.failed_before_the_clear() {
            return true;
        }
        // testFailed, testFailedThisOperationCycle, pendingDTC (ISO 14229-1:2020, table D.1).
        let failed = self.status.is_some_and(|status| status.0 & 0x07 != 0);
        let of_now = |list: &Seen| list.is_active() || list.is_pending();
        let listed = self.lists_since_clear.iter().any(of_now);
        self.gone.is_none() && (failed || listed || self.was_present || self.is_maturing())
    }

    /// Whether its test had failed in this drive when it was cleared, and nobody has read it since
    /// (status bits 0 and 1 of ISO 14229-1:2020, D.2): a clear mends nothing.
    pub fn failed_before_the_clear(&self) -> bool {
        let failed =
            self.fault_status.is_some_and(|status| status.0 & 0x03 != 0) || self.is_present();
        let unread = self.cleared.is_some() && self.gone == self.cleared;
        failed && unread && self.stayed_away.is_none() && !self.returned
    }
}

/// When a list of a module was read.
#[derive(Clone, Copy)]
pub(super) struct Read {
    pub module: Module,
    pub now: Nanoseconds,
    pub list: Seen,
    /// When it was read before that.
    pub before: Option<Nanoseconds>,
}

/// Codes kept; a capture of a whole vehicle has a few hundred.
const MOST_CODES: usize = 8192;

/// The codes of all modules.
#[derive(Clone, Debug, Default)]
pub struct Codes {
    /// By module and code.
    pub histories: BTreeMap<(Module, CodeNumber), CodeHistory>,
    /// Last time each list of a module was read.
    pub(super) reads: BTreeMap<(Module, Seen), Nanoseconds>,
    /// Readiness last reported by each module, with the time.
    pub readiness: BTreeMap<Module, (Nanoseconds, Readiness)>,
    /// Lamps of DM1 by module.
    pub lamps: BTreeMap<Module, j1939::Lamps>,
    /// Codes that no room was left for.
    pub dropped: u64,
    /// Format of the codes of a module, where it said so (ISO 14229-1:2020, D.4).
    pub(super) formats: BTreeMap<Module, u8>,
}

impl Codes {
    /// When a code of this drive that says that communication with a module was lost was last read;
    /// the latest time there is where the capture has none.
    pub fn missed_at(&self) -> Option<Nanoseconds> {
        let own = self.histories.iter();
        own.filter(|((_, number), own)| number.misses_a_module() && own.is_recent())
            .map(|(_, own)| if own.seen.1 == 0 { Nanoseconds::MAX } else { own.seen.1 })
            .max()
    }

    /// Modules whose lists of codes were read.
    pub fn read(&self) -> impl Iterator<Item = Module> + '_ {
        let mut last = None;
        self.reads
            .keys()
            .map(|(module, _)| *module)
            .filter(move |module| last.replace(*module) != Some(*module))
    }

    /// The lists that were read, each with its module.
    pub fn lists_read(&self) -> impl Iterator<Item = (Module, Seen)> + '_ {
        self.reads.keys().copied()
    }

    /// When the list of pending codes of a module was last read.
    pub fn pending_read(&self, module: Module) -> Option<Nanoseconds> {
        self.reads.get(&(module, Seen::Pending)).copied()
    }

    /// Takes a whole message of the diagnostic transport; for an answer, with the request it
    /// answers.
    pub(super) fn push(&mut self, message: &Message<'_>, request: Option<&Request>) {
        if !message.from_module {
            return;
        }
        let uds::Message::Positive { service, data } = uds::Message::parse(message.data) else {
            return;
        };
        let module = Module { channel: message.channel, party: message.from };
        let now = message.time.map_or(0, |time| time.nanoseconds());
        match service.id {
            0x01 => self.readiness(module, now, obd::answers(data)),
            0x22 => self.readiness(module, now, obd::identified(data)),
            0x03 | 0x07 | 0x0A => {
                let list = match service.id {
                    0x03 => Seen::Stored,
                    0x07 => Seen::Pending,
                    _ => Seen::Permanent,
                };
                // The first byte counts the codes (ISO 15031-5 on CAN).
                let codes = two_byte_codes(data.get(1..).unwrap_or(&[]));
                self.list(
                    module,
                    now,
                    list,
                    codes.map(|code| (CodeNumber::Code(code), Told::Nothing)).collect(),
                );
            }
            0x04 => self.clear(module, now, Group::All),
            0x14 => {
                let named = request.and_then(|request| Group::parse(request.data.get(1..)?));
                self.clear(module, now, named.unwrap_or(Group::All));
            }
            0x18 => self.by_status(module, now, data, request),
            0x19 => self.report(module, now, data, request),
            _ => {}
        }
    }

    fn by_status(
        &mut self,
        module: Module,
        now: Nanoseconds,
        data: &[u8],
        request: Option<&Request>,
    ) {
        let Some(list) = DtcsByStatus::parse(data) else { return };
        let asked = request.and_then(|request| match request.data[..] {
            [_, kind, high, low, ..] => Some((kind, u16::from_be_bytes([high, low]))),
            _ => None,
        });
        let codes = list
            .records()
            .map(|record| (CodeNumber::Code(record.code), Told::ByStatus(record.status)));
        self.list(module, now, Seen::ByStatus(asked), codes.collect());
    }

    fn report(&mut self, module: Module, now: Nanoseconds, data: &[u8], request: Option<&Request>) {
        let Some(report) = DtcReport::parse(data) else { return };
        let supported = report.availability;
        self.formats.extend(report.format.map(|format| (module, format)));
        let codes = report.records().map(|record| (CodeNumber::Code(record.code), record.status));
        match report.sub_function {
            // Whole lists: what is not in them is not there.
            0x02 | 0x0A | 0x13 | 0x15 | 0x17 | 0x55 | 0x56 => {
                let mask = request
                    .and_then(|request| request.data.get(2).copied())
                    .filter(|_| report.sub_function != 0x0A);
                let codes = codes.map(|(code, status)| (code, Told::of(status))).collect();
                self.list(module, now, Seen::Report(report.sub_function, mask), codes);
            }
            // Single codes with their status.
            _ => {
                let list = Seen::Report(report.sub_function, None);
                let read = Read { module, now, list, before: None };
                codes
                    .filter(|(_, status)| status.is_some())
                    .for_each(|(code, status)| self.push_code(read, code, Told::of(status)));
            }
        }
        for record in report.records() {
            if let Some(own) = self.histories.get_mut(&(module, CodeNumber::Code(record.code))) {
                own.counter = record.counter.or(own.counter);
                own.severity = record.severity.map(|(severity, _)| severity).or(own.severity);
            }
        }
        self.of(module).for_each(|(_, own)| own.supported = supported.or(own.supported));
    }

    /// A list of a module: codes in it are seen, codes that were in it and are not any more have
    /// gone.
    fn list(
        &mut self,
        module: Module,
        now: Nanoseconds,
        list: Seen,
        codes: Vec<(CodeNumber, Told)>,
    ) {
        let before = self.reads.insert((module, list), now);
        let read = Read { module, now, list, before };
        codes.iter().for_each(|(code, told)| self.push_code(read, *code, *told));
        let faults = codes.iter().filter(|(_, told)| told.is_fault());
        let faults: BTreeSet<CodeNumber> = faults.map(|(code, _)| *code).collect();
        for (code, history) in self.of(module) {
            if history.lists.contains(&list) && !faults.contains(&code) {
                history.gone = history.gone.or(Some(now));
                history.stayed_away = history.cleared.map(|_| now);
            }
        }
    }

    pub(super) fn push_code(&mut self, read: Read, code: CodeNumber, told: Told) {
        let Read { module, now, list, before } = read;
        let key = (module, code);
        let fault = told.is_fault();
        if !self.histories.contains_key(&key) {
            if !fault {
                return;
            }
            if self.histories.len() >= MOST_CODES {
                self.dropped += 1;
                return;
            }
        }
        let history = self.histories.entry(key).or_insert_with(|| CodeHistory {
            seen: (now, now),
            lists: Vec::new(),
            lists_since_clear: Vec::new(),
            supported: None,
            fault_status: None,
            status: None,
            by_status: None,
            was_present: false,
            cleared: None,
            returned: false,
            gone: None,
            tested: None,
            count: None,
            absent_before: before,
            stayed_away: None,
            told_by: list,
            counter: None,
            severity: None,
            old_conversion: false,
            times_active: 0,
            inactive: None,
            there_in: Vec::new(),
        });
        if !history.lists.contains(&list) {
            history.lists.push(list);
        }
        if fault && !history.lists_since_clear.contains(&list) {
            history.lists_since_clear.push(list);
        }
        match told {
            Told::Status(status) => {
                history.status = Some(status);
                history.tested = history.cleared.map(|_| status.tested_since_clear());
                if fault {
                    history.fault_status = Some(status);
                }
            }
            Told::ByStatus(status) if fault => {
                history.by_status = Some(status);
                history.was_present |= is_present(status);
            }
            Told::ByStatus(_) | Told::Nothing => {}
        }
        if fault {
            history.seen.1 = now;
            history.told_by = list;
            history.gone = None;
            history.stayed_away = None;
            // A permanent code outlives a clear by design and has not returned by being there still
            // (SAE J1979, service 0A).
            if history.cleared.is_some() && !list.is_permanent() {
                history.returned = true;
                history.tested = Some(true);
            }
        } else if history.gone.is_none() {
            history.gone = Some(now);
        }
    }

    /// The codes of a module.
    pub(super) fn of(
        &mut self,
        module: Module,
    ) -> impl Iterator<Item = (CodeNumber, &mut CodeHistory)> + '_ {
        let range = (module, CodeNumber::FIRST)..=(module, CodeNumber::LAST);
        self.histories.range_mut(range).map(|((_, number), history)| (*number, history))
    }

    fn clear(&mut self, module: Module, now: Nanoseconds, group: Group) {
        for (number, history) in self.of(module) {
            let is_it = matches!(number, CodeNumber::Code(code) if group.has(code));
            if (is_it || group == Group::All) && history.gone.is_none() {
                history.cleared = Some(now);
                history.returned = false;
                history.gone = Some(now);
                history.tested = None;
                history.stayed_away = None;
                history.lists_since_clear.clear();
                history.forget_lists();
            }
        }
    }

    /// Readiness tells of emissions codes that have gone whether their tests can have run.
    fn readiness<'d>(
        &mut self,
        module: Module,
        now: Nanoseconds,
        pids: impl Iterator<Item = (u8, &'d [u8])>,
    ) {
        for (_, bytes) in pids.filter(|(pid, _)| *pid == 1) {
            let Some(readiness) = Readiness::parse(bytes) else { continue };
            self.readiness.insert(module, (now, readiness));
            let complete = readiness
                .monitors()
                .filter(|monitor| monitor.supported)
                .all(|monitor| monitor.complete);
            for (code, history) in self.of(module) {
                // Two bytes have those of ISO 14230-3 too, and they may be of anything.
                let own = |list: &Seen| !matches!(list, Seen::ByStatus(_));
                let two_bytes =
                    matches!(code, CodeNumber::Code(code) if code.failure_type().is_none());
                let emissions = two_bytes && history.lists.iter().any(own);
                if emissions
                    && history.cleared.is_some_and(|cleared| now > cleared)
                    && history.status.is_none()
                {
                    history.tested = Some(complete || history.returned);
                }
            }
        }
    }

    /// Forgets all of a module.
    pub(super) fn forget(&mut self, module: Module) {
        self.histories.retain(|(owner, _), _| *owner != module);
        self.reads.retain(|(owner, _), _| *owner != module);
        self.readiness.remove(&module);
        self.formats.remove(&module);
    }
}
