//! A diagnostic message in one sentence.

use std::fmt::Write;

use lostnode_parsers::j1939;
use lostnode_parsers::obd;
use lostnode_parsers::uds::{self, DtcReport};

use crate::fold::diagnostics::{Carrier, Message, meaning};

/// What a message says; its bytes where that is not known.
pub fn describe(message: &Message<'_>) -> String {
    if let Some(incomplete) = message.incomplete {
        return format!(
            "incomplete, {}: {} of {} bytes, {}",
            incomplete.fault.text(),
            incomplete.received,
            incomplete.length,
            hex::encode_upper(message.data)
        );
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
                format!("{name} refused: {} (0x{reason:02X})", uds::negative_text(reason))
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
                uds::identification(did)
                    .map_or_else(|| format!("0x{did:04X}"), |name| format!("0x{did:04X} {name}"))
            });
            names.collect::<Vec<_>>().join(", ")
        }
        (0x10, [session, ..]) => session_name(session & 0x7F).to_owned(),
        (0x14, [a, b, c, ..]) => format!("group {a:02X}{b:02X}{c:02X}"),
        (0x19, [report, mask]) => format!("report {report:02X}, mask {mask:02X}"),
        (0x3E, [sub, ..]) if sub & 0x80 != 0 => "no answer wanted".to_owned(),
        _ => return None,
    })
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
        (0x01, _) => values(data),
        (0x02, [pid, _, rest @ ..]) => pid_value(*pid, rest),
        (0x03 | 0x07 | 0x0A, [_, codes @ ..]) => {
            let codes = lostnode_parsers::dtc::two_byte_codes(codes)
                .map(|code| code.to_string())
                .collect::<Vec<_>>();
            Some(if codes.is_empty() { "no codes".to_owned() } else { codes.join(", ") })
        }
        (0x06, _) => {
            let results = obd::test_results(data).map(|result| {
                let unit = result.unit.unwrap_or("(raw)");
                format!(
                    "monitor {:02X} test {:02X}: {} {unit} (allowed {} to {})",
                    result.monitor,
                    result.test,
                    round(result.value),
                    round(result.low),
                    round(result.high)
                )
            });
            Some(results.collect::<Vec<_>>().join("; ")).filter(|text| !text.is_empty())
        }
        (0x19, _) => codes(data),
        (0x10, [session, ..]) => Some(session_name(session & 0x7F).to_owned()),
        (0x22, [high, low, rest @ ..]) => {
            let did = u16::from_be_bytes([*high, *low]);
            let name = uds::identification(did)?;
            Some(format!("0x{did:04X} {name} = {}", readable(rest)))
        }
        (0x09, [kind @ (0x02 | 0x04 | 0x0A), _, rest @ ..]) => {
            let name = match kind {
                0x02 => "VIN",
                0x04 => "calibration identifier",
                _ => "module name",
            };
            Some(format!("{name} = {}", readable(rest)))
        }
        _ => None,
    }
}

fn readable(data: &[u8]) -> String {
    if data.iter().all(|byte| byte.is_ascii_graphic() || matches!(byte, b' ' | 0 | 0xFF)) {
        let text: String = data
            .iter()
            .filter(|byte| byte.is_ascii_graphic() || **byte == b' ')
            .map(|byte| *byte as char)
            .collect();
        return format!("\"{}\"", text.trim());
    }
    hex::encode_upper(data)
}

fn values(data: &[u8]) -> Option<String> {
    let parts: Vec<String> =
        obd::answers(data).filter_map(|(pid, bytes)| pid_value(pid, bytes)).collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// The values in the data bytes of a PID, such as `0C engine speed = 1726 rpm`; `None` where it is
/// not known.
pub fn pid_value(pid: u8, data: &[u8]) -> Option<String> {
    let known = obd::pid(pid)?;
    let mut out = format!("{pid:02X} ");
    if pid == 0x01 || pid == 0x41 {
        let readiness = obd::Readiness::parse(data)?;
        let open: Vec<_> = readiness
            .monitors()
            .filter(|monitor| monitor.supported && !monitor.complete)
            .map(|monitor| monitor.name)
            .collect();
        let lamp = if readiness.mil { "lamp on" } else { "lamp off" };
        let open = if open.is_empty() { "none".to_owned() } else { open.join(", ") };
        return Some(format!(
            "{out}{}: {lamp}, {} codes, monitors not complete: {open}",
            known.name, readiness.codes
        ));
    }
    if known.number % 0x20 == 0 {
        let list: Vec<_> = obd::supported(pid, data).map(|pid| format!("{pid:02X}")).collect();
        return Some(format!("{out}{}: {}", known.name, list.join(" ")));
    }
    let before = out.len();
    for value in obd::values(pid, data) {
        let comma = if out.len() > before { ", " } else { "" };
        let _ = write!(
            out,
            "{comma}{} = {} {}",
            value.signal.name,
            round(value.value),
            value.signal.unit
        );
    }
    for (coded, raw, meaning) in obd::coded(pid, data) {
        let comma = if out.len() > before { ", " } else { "" };
        let _ = write!(
            out,
            "{comma}{} = {}",
            coded.name,
            meaning.map_or_else(|| format!("reserved (0x{raw:02X})"), str::to_owned)
        );
    }
    if out.len() == before {
        let _ = write!(out, "{} = {}", known.name, hex::encode_upper(data));
    }
    Some(out.trim_end().to_owned())
}

/// Four decimals at most, without trailing zeros.
fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn codes(data: &[u8]) -> Option<String> {
    let report = DtcReport::parse(data)?;
    if let Some(count) = report.count {
        return Some(format!("{count} codes"));
    }
    let list: Vec<String> = report
        .records()
        .map(|record| {
            let mut text = record.code.to_string();
            if let Some(status) = record.status {
                let names: Vec<_> = status.names().collect();
                let _ = write!(
                    text,
                    " [{}]",
                    if names.is_empty() { "no status bit".to_owned() } else { names.join(" ") }
                );
            }
            if let Some(failure) = record.code.failure_type().and_then(meaning::failure_type) {
                let _ = write!(text, " ({failure})");
            }
            text
        })
        .collect();
    Some(if list.is_empty() { "no codes".to_owned() } else { list.join(", ") })
}

fn j1939_group(message: &Message<'_>, pgn: u32) -> String {
    match pgn {
        j1939::DM1 | j1939::DM2 => {
            let which = if pgn == j1939::DM1 { "active codes" } else { "previously active codes" };
            let Some((_, codes)) = j1939::codes(message.data) else { return which.to_owned() };
            let list: Vec<String> = codes
                .map(|code| {
                    format!(
                        "SPN {} FMI {} ({})",
                        code.spn,
                        code.fmi,
                        j1939::failure_mode(code.fmi).unwrap_or("reserved")
                    )
                })
                .collect();
            format!(
                "{which}: {}",
                if list.is_empty() { "none".to_owned() } else { list.join(", ") }
            )
        }
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
        j1939::ELECTRICAL_POWER => match j1939::battery_potential(message.data) {
            Some(volts) => format!("battery potential = {:.2} V", volts),
            None => "battery potential not available".to_owned(),
        },
        j1939::VEHICLE_IDENTIFICATION
        | j1939::COMPONENT_IDENTIFICATION
        | j1939::SOFTWARE_IDENTIFICATION => {
            format!("group 0x{pgn:04X} = {}", readable(message.data))
        }
        _ => format!("group 0x{pgn:04X} {}", hex::encode_upper(message.data)),
    }
}
