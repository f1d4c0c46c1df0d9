//! What modules told, over several drives: codes read in several are one history in order of time.

use std::collections::BTreeMap;

use lostnode_parsers::Timestamp;

use super::super::diagnosis::blamed;
use crate::analysis::diagnosis::{
    Active, CodeAge, CodeEntry, CodeNumber, CodeStanding, Diagnosis, Dip, DipEntry, IdentityEntry,
    Module, MonitorEntry, Mute, Seen, SupplyEntry, TalkEntry, VehicleEntry, Without,
};
use crate::analysis::drives::Drive;
use crate::analysis::{Identifier, Nanoseconds, Node, Outage};
use crate::ids::ChannelIndex;

/// All of it; `moved` tells where the outages of each drive are among `outages`.
pub(super) fn join(
    drives: &[Drive],
    (nodes, addresses): (&[Node], &[Option<u8>]),
    (identifiers, outages): (&[Identifier], &[Outage]),
    moved: &[Vec<usize>],
) -> Diagnosis {
    let own: Vec<Own<'_>> = drives.iter().map(Own).collect();
    let codes = codes(&own);
    let (blame, accusers) = blamed(&codes, nodes, addresses, (identifiers, outages));
    let mut codes_read: Vec<Module> = own.iter().flat_map(Own::codes_read).collect();
    codes_read.sort_unstable();
    codes_read.dedup();
    let mut lists_read: Vec<(Module, Seen)> = own.iter().flat_map(Own::all_lists).collect();
    lists_read.sort_unstable();
    lists_read.dedup();
    let of_codes = Diagnosis { codes_read, lists_read, codes, ..Diagnosis::default() };
    let mut all = Diagnosis { blame, accusers, ..of_codes };
    let mut identity: BTreeMap<Module, IdentityEntry> = BTreeMap::new();
    let mut talks: BTreeMap<Module, TalkEntry> = BTreeMap::new();
    for drive in &own {
        let Diagnosis { identity: told, freeze_frames, tests, talks: spoken, messages, .. } =
            &drive.0.analysis.diagnosis;
        for entry in told {
            let later = IdentityEntry { module: drive.module(entry.module), ..entry.clone() };
            let known = identity.remove(&later.module);
            identity.insert(later.module, known.map_or(later.clone(), |was| later_of(was, later)));
        }
        for frame in freeze_frames {
            let mut frame = frame.clone();
            frame.module = drive.module(frame.module);
            all.freeze_frames.retain(|was| (was.module, was.frame) != (frame.module, frame.frame));
            all.freeze_frames.push(frame);
        }
        for test in tests {
            let mut test = test.clone();
            test.module = drive.module(test.module);
            let key = |test: &crate::analysis::diagnosis::TestEntry| {
                (test.module, test.result.monitor, test.result.test)
            };
            all.tests.retain(|was| key(was) != key(&test));
            all.tests.push(test);
        }
        for talk in spoken {
            let module = drive.module(talk.module);
            let mute = talk.mute.iter().map(|mute| drive.mute(mute)).collect();
            let answered = talk.answered.iter().map(|time| drive.time(*time)).collect();
            let talk = TalkEntry { module, mute, answered, ..talk.clone() };
            let known = talks.remove(&module);
            talks.insert(module, known.map_or(talk.clone(), |was| both(was, talk)));
        }
        all.switched_off |= drive.0.analysis.diagnosis.switched_off;
        all.messages.complete += messages.complete;
        all.messages.ignored += messages.ignored;
        for (fault, count) in &messages.incomplete {
            *all.messages.incomplete.entry(*fault).or_default() += count;
        }
    }
    all.identity = identity.into_values().collect();
    all.talks = talks.into_values().collect();
    all.vehicle = vehicle(&own, moved);
    all
}

/// A drive, from its places to those of all.
struct Own<'a>(&'a Drive);

impl Own<'_> {
    fn module(&self, module: Module) -> Module {
        Module { channel: self.0.channels[usize::from(module.channel)] as ChannelIndex, ..module }
    }

    fn codes_read(&self) -> impl Iterator<Item = Module> {
        self.0.analysis.diagnosis.codes_read.iter().map(|module| self.module(*module))
    }

    fn all_lists(&self) -> impl Iterator<Item = (Module, Seen)> {
        let lists = self.0.analysis.diagnosis.lists_read.iter();
        lists.map(|(module, list)| (self.module(*module), *list))
    }

    fn lists_read(&self, module: Module) -> impl Iterator<Item = Seen> {
        self.all_lists().filter(move |(own, _)| *own == module).map(|(_, list)| list)
    }

    fn time(&self, time: Nanoseconds) -> Nanoseconds {
        self.0.on_line(time)
    }

    fn mute(&self, mute: &Mute) -> Mute {
        let line = |time: Timestamp| Timestamp::from_nanoseconds(self.time(time.nanoseconds()));
        Mute {
            since: mute.since.map(line),
            asked: (line(mute.asked.0), line(mute.asked.1)),
            until: mute.until.map(line),
        }
    }

    fn code(&self, code: &CodeEntry) -> CodeEntry {
        let pair = |(a, b): (Nanoseconds, Nanoseconds)| (self.time(a), self.time(b));
        CodeEntry {
            module: self.module(code.module),
            seen: code.seen.map(pair),
            cleared: code.cleared.map(|time| self.time(time)),
            gone: code.gone.map(|time| self.time(time)),
            appeared: code.appeared.map(pair),
            active: code
                .active
                .map(|own| Active { until: own.until.map(|time| self.time(time)), ..own }),
            ..code.clone()
        }
    }

    /// Its first time stamp; nought without any, as codes have it then.
    fn begin(&self) -> Nanoseconds {
        self.0.span.map_or(0, |(begin, _)| begin)
    }
}

type Codes = BTreeMap<(Module, CodeNumber), CodeEntry>;

fn codes(drives: &[Own<'_>]) -> Vec<CodeEntry> {
    let mut all = Codes::new();
    // When each module's codes were last read, at the latest: the beginning of that drive.
    let mut read: BTreeMap<Module, Nanoseconds> = BTreeMap::new();
    for (number, drive) in drives.iter().enumerate() {
        // The drive before a later one is among these.
        let code = |code: &CodeEntry| {
            let of_last_drive = number == 0 && code.of_last_drive;
            CodeEntry { of_last_drive, ..drive.code(code) }
        };
        let now: Codes = drive
            .0
            .analysis
            .diagnosis
            .codes
            .iter()
            .map(|own| ((drive.module(own.module), own.number), code(own)))
            .collect();
        let reads: Vec<Module> = drive.codes_read().collect();
        // What a list came without in this drive has gone. When it was read is not kept.
        for (key, was) in &mut all {
            if was.gone.is_none() && !now.contains_key(key) {
                without(was, drive.lists_read(key.0), drive.begin());
            }
        }
        for (key, code) in now {
            let known = all.remove(&key);
            let code = match (known, read.get(&key.0)) {
                (Some(was), _) => later_code(was, code),
                // Of a truck DM1 is read all the time: what it had not is new only where it has it.
                (None, Some(absent)) if code.number.is_car() || code.active.is_some() => {
                    new_code(code, *absent)
                }
                (None, _) => code,
            };
            all.insert(key, code);
        }
        read.extend(reads.into_iter().map(|module| (module, drive.begin())));
    }
    all.into_values().collect()
}

/// A code that lists of a later drive, which began then, came without.
fn without(was: &mut CodeEntry, lists: impl Iterator<Item = Seen>, begin: Nanoseconds) {
    match was.without(lists) {
        Without::NotStored => was.gone = Some(begin),
        Without::NotActive => {
            if let Some(active) = &mut was.active {
                active.until = active.until.or(Some(begin));
                was.age = was.age.max(CodeAge::Recent);
                was.standing = CodeStanding::PreviouslyActive;
            }
        }
        Without::Nothing => {}
    }
}

/// A code that the lists of an earlier drive came without: nothing old appears between two reads.
fn new_code(code: CodeEntry, absent: Nanoseconds) -> CodeEntry {
    let appeared = code.appeared.or_else(|| Some((absent, code.seen?.0)));
    CodeEntry { appeared, age: code.age.min(CodeAge::Recent), ..code }
}

/// A code that an earlier drive had too.
fn later_code(was: CodeEntry, now: CodeEntry) -> CodeEntry {
    // A permanent code outlives a clear by design (SAE J1979, service 0A).
    let listed = now.lists.iter().any(|list| !list.is_permanent());
    let returned = was.cleared.is_some() && now.cleared.is_none() && now.gone.is_none() && listed;
    let mut lists = was.lists;
    lists
        .extend(now.lists.iter().filter(|list| !lists.contains(list)).cloned().collect::<Vec<_>>());
    let age = if returned { now.age.min(CodeAge::Recent) } else { now.age };
    CodeEntry {
        lists,
        status: now.status.or(was.status),
        seen: match (was.seen, now.seen) {
            (Some(was), Some(now)) => Some((was.0.min(now.0), was.1.max(now.1))),
            (was, now) => was.or(now),
        },
        cleared: now.cleared.or(was.cleared),
        returned: now.returned || returned,
        tested: if returned { Some(true) } else { now.tested },
        count: now.count.or(was.count),
        counter: now.counter.or(was.counter),
        severity: now.severity.or(was.severity),
        // What is present now is no mark of an old event.
        event: now.event.or(was.event.filter(|_| age > CodeAge::Recent)),
        unconfigured: was.unconfigured || now.unconfigured,
        internal: was.internal || now.internal,
        bus_off: was.bus_off || now.bus_off,
        appeared: was.appeared.or(now.appeared),
        active: both_active(was.active, now.active),
        age,
        ..now
    }
}

/// How a code was active in two drives; what only the earlier one had ended with it at the latest.
fn both_active(was: Option<Active>, now: Option<Active>) -> Option<Active> {
    match (was, now) {
        (Some(was), Some(now)) => Some(Active { times: was.times + now.times, ..now }),
        (was, now) => now.or(was),
    }
}

/// Who a module says it is: what it says later, and of what it does not say again what it said.
fn later_of(was: IdentityEntry, now: IdentityEntry) -> IdentityEntry {
    let said = |now: Vec<String>, was: Vec<String>| if now.is_empty() { was } else { now };
    let mut sources = was.sources;
    sources.extend(
        now.sources.iter().filter(|own| !sources.contains(own)).cloned().collect::<Vec<_>>(),
    );
    let mut problems = now.problems;
    // What the VIN of another drive showed is told of it there.
    problems.extend(was.problems.into_iter().filter(|_| now.vin.is_none()));
    problems.dedup();
    IdentityEntry {
        module: now.module,
        vin: now.vin.or(was.vin),
        part_number: now.part_number.or(was.part_number),
        calibration_ids: said(now.calibration_ids, was.calibration_ids),
        verification_numbers: said(now.verification_numbers, was.verification_numbers),
        name: now.name.or(was.name),
        others: if now.others.is_empty() { was.others } else { now.others },
        sources,
        problems,
    }
}

fn both(was: TalkEntry, now: TalkEntry) -> TalkEntry {
    let mut negative: BTreeMap<u8, u64> = was.negative.into_iter().collect();
    for (reason, count) in now.negative {
        *negative.entry(reason).or_default() += count;
    }
    TalkEntry {
        module: now.module,
        positive: was.positive + now.positive,
        negative: negative.into_iter().collect(),
        unanswered: was.unanswered + now.unanswered,
        pending: was.pending + now.pending,
        late: was.late + now.late,
        mute: was.mute.into_iter().chain(now.mute).collect(),
        answered: was.answered.into_iter().chain(now.answered).collect(),
        slowest: was.slowest.into_iter().chain(now.slowest).reduce(f64::max),
    }
}

fn vehicle(drives: &[Own<'_>], moved: &[Vec<usize>]) -> VehicleEntry {
    let mut all = VehicleEntry::default();
    for (at, drive) in drives.iter().enumerate() {
        let own = &drive.0.analysis.diagnosis.vehicle;
        all.vin = all.vin.or_else(|| own.vin.clone());
        for (module, vin) in &own.vin_conflicts {
            let conflict = (drive.module(*module), vin.clone());
            if !all.vin_conflicts.contains(&conflict) {
                all.vin_conflicts.push(conflict);
            }
        }
        if let Some(supply) = &own.supply {
            let supply = shifted(drive, supply, &moved[at]);
            all.supply = Some(all.supply.map_or(supply.clone(), |was| wider(was, supply)));
        }
        for monitor in &own.monitors {
            let monitor = MonitorEntry { module: drive.module(monitor.module), ..*monitor };
            let same = |was: &&mut MonitorEntry| {
                (was.module, was.monitor) == (monitor.module, monitor.monitor)
            };
            match all.monitors.iter_mut().find(same) {
                Some(was) => *was = monitor,
                None => all.monitors.push(monitor),
            }
        }
        all.mil = own.mil.or(all.mil);
        for (module, lamps) in &own.lamps {
            let module = drive.module(*module);
            all.lamps.retain(|(was, _)| *was != module);
            all.lamps.push((module, *lamps));
        }
    }
    all
}

fn shifted(drive: &Own<'_>, supply: &SupplyEntry, moved: &[usize]) -> SupplyEntry {
    let dip = |entry: &DipEntry| DipEntry {
        dip: Dip {
            span: (drive.time(entry.dip.span.0), drive.time(entry.dip.span.1)),
            least_at: drive.time(entry.dip.least_at),
            ..entry.dip
        },
        outages: entry.outages.iter().map(|outage| moved[*outage]).collect(),
    };
    SupplyEntry {
        min_at: supply.min_at.map(|time| drive.time(time)),
        series: supply.series.iter().map(|(time, volts)| (drive.time(*time), *volts)).collect(),
        dips: supply.dips.iter().map(dip).collect(),
        ..*supply
    }
}

fn wider(mut was: SupplyEntry, now: SupplyEntry) -> SupplyEntry {
    if now.min < was.min {
        (was.min, was.min_at) = (now.min, now.min_at);
    }
    was.max = was.max.max(now.max);
    was.series.extend(now.series);
    was.dips.extend(now.dips);
    was
}
