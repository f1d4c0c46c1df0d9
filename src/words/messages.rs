//! A diagnostic message in one sentence.

use std::fmt::Write;

use lostnode_parsers::j1939::{self, SpnFmi};
use lostnode_parsers::obd;
use lostnode_parsers::uds::{self, DtcRecord, DtcReport, DtcsByStatus, Storage};

use super::diagnosis::occurrences;
use super::terms::plural;
use super::values;
use crate::fold::diagnostics::{Carrier, Message, meaning};

/// What a message says; its bytes where that is not known.
pub fn describe(message: &Message<'_>) -> String {
    if let Some(incomplete) = message.incomplete {
        let (fault, length) = (incomplete.fault.text(), incomplete.length);
        let text = format!("incomplete, {fault}: {} of {length} bytes", incomplete.received);
        if message.data.is_empty() {
            return text;
        }
        return format!("{text}, {}", hex::encode_upper(message.data));
    }
    match message.carrier {
        Carrier::J1939 { pgn } => j1939_group(message, pgn),
        Carrier::IsoTp => match uds::Message::parse(message.data) {
            uds::Message::Request { service, data } => match request(service.id, data) {
                Some(what) => format!("{}: {what}", service.name),
                None => with_bytes(service.name, data),
            },
            uds::Message::Positive { service, data } => match answer(service.id, data) {
                Some(what) => format!("{} answer: {what}", service.name),
                None => with_bytes(&format!("{} answer", service.name), data),
            },
            uds::Message::Negative { service, reason } => {
                let name = uds::service_of(service).map_or_else(
                    || format!("service 0x{service:02X}"),
                    |known| known.name.to_owned(),
                );
                // "Answer pending" is no refusal: the answer follows.
                let verb = if reason == uds::RESPONSE_PENDING { "" } else { " refused" };
                format!("{name}{verb}: {} (0x{reason:02X})", uds::negative_text(reason))
            }
            uds::Message::Unknown => hex::encode_upper(message.data),
        },
    }
}

fn with_bytes(name: &str, data: &[u8]) -> String {
    if data.is_empty() { name.to_owned() } else { format!("{name} {}", hex::encode_upper(data)) }
}

fn request(service: u8, data: &[u8]) -> Option<String> {
    Some(match (service, data) {
        (0x01, pids) if !pids.is_empty() => {
            let names = pids.iter().map(|pid| match obd::pid(*pid) {
                Some(known) => format!("{pid:02X} {}", known.name),
                None => format!("{pid:02X}"),
            });
            names.collect::<Vec<_>>().join(", ")
        }
        (0x22, dids) if dids.len() >= 2 => {
            let names = dids.chunks_exact(2).map(|did| {
                let did = u16::from_be_bytes([did[0], did[1]]);
                record_name(did)
                    .map_or_else(|| format!("0x{did:04X}"), |name| format!("0x{did:04X} {name}"))
            });
            names.collect::<Vec<_>>().join(", ")
        }
        (0x10, [session, ..]) => session_name(session & 0x7F).to_owned(),
        (0x14, [a, b, c, ..]) => format!("group {a:02X}{b:02X}{c:02X}"),
        // ISO 14230-3.
        (0x14, [a, b]) => format!("group {a:02X}{b:02X}"),
        (0x18, [kind, a, b]) => format!("kind {kind:02X}, group {a:02X}{b:02X}"),
        (0x09, [kind, ..]) => obd::information_name(*kind)?.to_owned(),
        (0x19, [report, mask]) => format!("report {report:02X}, mask {mask:02X}"),
        (0x3E, [sub, ..]) if sub & 0x80 != 0 => "no answer wanted".to_owned(),
        _ => return None,
    })
}

/// What a data identifier stands for, where a standard says so.
fn record_name(did: u16) -> Option<&'static str> {
    match did.to_be_bytes() {
        [0xF4, pid] => obd::pid(pid).map(|pid| pid.name),
        [0xF8, kind] => obd::information_name(kind),
        _ => uds::identification(did),
    }
}

/// ISO 14229-1:2020, table 25.
fn session_name(session: u8) -> &'static str {
    match session {
        1 => "default session",
        2 => "programming session",
        3 => "extended session",
        4 => "safety system session",
        _ => "session of the maker",
    }
}

fn answer(service: u8, data: &[u8]) -> Option<String> {
    match (service, data) {
        (0x01, _) => values::current(data),
        (0x02, [pid, _, rest @ ..]) => values::pid_value(*pid, rest),
        (0x03 | 0x07 | 0x0A, [_, codes @ ..]) => {
            let codes = lostnode_parsers::dtc::two_byte_codes(codes)
                .map(|code| code.to_string())
                .collect::<Vec<_>>();
            Some(if codes.is_empty() { "no codes".to_owned() } else { codes.join(", ") })
        }
        (0x06, _) => values::test_results(data),
        (0x18, _) => codes_by_status(data),
        (0x19, _) => codes(data),
        (0x10, [session, ..]) => Some(session_name(session & 0x7F).to_owned()),
        (0x22, _) => values::record(data),
        (0x09, [kind, _, rest @ ..]) => values::information(*kind, rest),
        _ => None,
    }
}

fn codes_by_status(data: &[u8]) -> Option<String> {
    let list = DtcsByStatus::parse(data)?.records().map(|record| {
        let storage = match record.status.storage() {
            Storage::NotDetected => "not detected",
            Storage::Stored => "stored, not present",
            Storage::Maturing => "maturing",
            Storage::Present => "stored, present",
        };
        format!("{} [{:02X} {storage}]", record.code, record.status.0)
    });
    let list: Vec<String> = list.collect();
    Some(if list.is_empty() { "no codes".to_owned() } else { list.join(", ") })
}

fn codes(data: &[u8]) -> Option<String> {
    let report = DtcReport::parse(data)?;
    let format = report.format.map(|format| match uds::format_name(format) {
        Some(name) => format!("codes of {name}"),
        None => format!("codes of a format 0x{format:02X} that is reserved"),
    });
    let group = report.group.map(|group| format!("functional group 0x{group:02X}"));
    if let Some(count) = report.count {
        let count = plural(usize::from(count), "code", "codes");
        return Some([Some(count), format].into_iter().flatten().collect::<Vec<_>>().join(", "));
    }
    let list: Vec<String> = report.records().map(|record| code_record(&record)).collect();
    let list = if list.is_empty() { "no codes".to_owned() } else { list.join(", ") };
    let about: Vec<String> = group.into_iter().chain(format).collect();
    Some(if about.is_empty() { list } else { format!("{}: {list}", about.join(", ")) })
}

/// A code with all that its report says of it.
fn code_record(record: &DtcRecord<'_>) -> String {
    let mut text = record.code.to_string();
    if let Some(status) = record.status {
        let names: Vec<_> = status.names().collect();
        let names = if names.is_empty() { "no status bit".to_owned() } else { names.join(" ") };
        let _ = write!(text, " [{names}]");
    }
    if let Some(counter) = record.counter {
        let _ = write!(text, " fault counter {counter}");
    }
    if let Some((severity, unit)) = record.severity {
        let _ = write!(text, " {}", severity_text(severity));
        if let Some(unit) = unit {
            let _ = write!(text, ", functional unit 0x{unit:02X}");
        }
    }
    if let Some(failure) = record.code.failure_type().and_then(meaning::failure_type) {
        let _ = write!(text, " ({failure})");
    }
    text
}

/// A severity byte in words: `severity 0x82 (check immediately, class A)`.
pub fn severity_text(severity: u8) -> String {
    let names: Vec<&str> = uds::severity(severity).collect();
    let names = if names.is_empty() { "not told".to_owned() } else { names.join(", ") };
    format!("severity 0x{severity:02X} ({names})")
}

fn j1939_group(message: &Message<'_>, pgn: u32) -> String {
    let signals: Vec<String> = j1939::signals_of(pgn)
        .filter_map(|signal| {
            let value = signal.decode(message.data)?;
            Some(format!("{} = {value:.2} {}", signal.name, signal.unit))
        })
        .collect();
    match pgn {
        j1939::REQUEST => match j1939::requested(message.data) {
            Some(asked) => format!("request: {}", group_of_codes(asked)),
            None => "request too short".to_owned(),
        },
        j1939::ACKNOWLEDGEMENT => acknowledgement(message.data),
        _ if j1939::is_of_codes(pgn) => diagnostic_message(message.data, pgn),
        j1939::ADDRESS_CLAIMED => match j1939::Name::parse(message.data) {
            Some(name) => format!(
                "address claimed by NAME {:016X}: manufacturer {}, function {}, identity {}",
                name.0,
                name.manufacturer(),
                name.function(),
                name.identity()
            ),
            None => "address claim too short".to_owned(),
        },
        j1939::ELECTRICAL_POWER if signals.is_empty() => {
            "battery potential not available".to_owned()
        }
        _ if !signals.is_empty() => signals.join(", "),
        j1939::VEHICLE_IDENTIFICATION
        | j1939::COMPONENT_IDENTIFICATION
        | j1939::SOFTWARE_IDENTIFICATION => {
            format!("group 0x{pgn:04X} = {}", values::readable(message.data))
        }
        _ => with_bytes(&format!("group 0x{pgn:04X}"), message.data),
    }
}

/// What a group of SAE J1939-73 lists or does.
fn group_of_codes(pgn: u32) -> String {
    let which = match pgn {
        j1939::DM1 => "active codes",
        j1939::DM2 => "previously active codes",
        j1939::DM3 => "clear the previously active codes (DM3)",
        j1939::DM6 => "pending emission-related codes",
        j1939::DM11 => "clear the active codes (DM11)",
        j1939::DM12 => "active emission-related codes",
        j1939::DM23 => "previously active emission-related codes",
        j1939::DM28 => "permanent emission-related codes",
        _ => return format!("group 0x{pgn:04X}"),
    };
    which.to_owned()
}

/// What became of a request, by its control byte (SAE J1939-21, 5.4.4; from memory).
fn acknowledgement(data: &[u8]) -> String {
    let [control, .., a, b, c] = *data else { return "acknowledgement too short".to_owned() };
    let said = match control {
        0 => "done",
        1 => "refused",
        2 => "access denied",
        3 => "cannot respond now",
        _ => "acknowledgement not known",
    };
    let about = j1939::requested(&[a, b, c]).map(group_of_codes).unwrap_or_default();
    format!("{said}: {about}")
}

/// A list of codes: the lamps asked for, and the codes.
fn diagnostic_message(data: &[u8], pgn: u32) -> String {
    let which = group_of_codes(pgn);
    let Some((lamps, codes)) = j1939::codes(data) else { return which };
    let list: Vec<String> = codes.map(|code| spn_fmi(&code)).collect();
    let list = if list.is_empty() { "none".to_owned() } else { list.join(", ") };
    let lit: Vec<&str> = lamps.lit().collect();
    let lamps = if lit.is_empty() { "no lamp".to_owned() } else { lit.join(", ") };
    format!("{which}: {list}; lamps: {lamps}")
}

fn spn_fmi(code: &SpnFmi) -> String {
    let name = meaning::suspect_parameter(code.spn).map(|(name, _)| name);
    let name =
        name.filter(|name| !name.is_empty()).map_or(String::new(), |name| format!("{name}: "));
    let mode = j1939::failure_mode(code.fmi).unwrap_or("reserved");
    let mut text = format!("SPN {} FMI {} ({name}{mode}", code.spn, code.fmi);
    if code.count != SpnFmi::NO_COUNT {
        let _ = write!(text, "; {}", occurrences(code.count));
    }
    if code.old_conversion {
        text.push_str("; older conversion method, the SPN is not certain");
    }
    text + ")"
}
