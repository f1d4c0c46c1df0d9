//! Values that modules measured or stored, in words: PIDs, readiness, vehicle information, test
//! results.

use std::fmt::Write;

use lostnode_parsers::dtc::Code;
use lostnode_parsers::obd::{self, Monitor, Readiness};
use lostnode_parsers::uds;

use super::terms::plural;

/// PIDs and what they say, in the data of an answer of service 01; `None` where none is known.
pub fn current(data: &[u8]) -> Option<String> {
    let parts: Vec<String> =
        obd::answers(data).filter_map(|(pid, bytes)| pid_value(pid, bytes)).collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// A data record of service 22: the PIDs and the vehicle information that have a data identifier
/// of their own (F4xx, F8xx), and the identification records; `None` where it is the maker's.
pub fn record(data: &[u8]) -> Option<String> {
    let [high, low, rest @ ..] = data else { return None };
    if *high == 0xF4 {
        let parts: Vec<String> = obd::identified(data)
            .filter_map(|(pid, bytes)| Some(format!("0xF4{}", pid_value(pid, bytes)?)))
            .collect();
        return (!parts.is_empty()).then(|| parts.join(", "));
    }
    if let Some((kind, rest)) = obd::vehicle_information(data) {
        let text = information(kind, rest)?;
        return Some(format!("0xF8{kind:02X} {text}"));
    }
    let did = u16::from_be_bytes([*high, *low]);
    let name = uds::identification(did)?;
    Some(format!("0x{did:04X} {name} = {}", readable(rest)))
}

/// An item of vehicle information (SAE J1979, service 09): what it is, and its value.
pub fn information(kind: u8, data: &[u8]) -> Option<String> {
    let value = match kind {
        0x06 => data.chunks_exact(4).map(hex::encode_upper).collect::<Vec<_>>().join(", "),
        0x02 | 0x04 | 0x0A => readable(data),
        _ => return None,
    };
    Some(format!("{} = {value}", obd::information_name(kind)?))
}

/// Text where the bytes are text, else the bytes.
pub fn readable(data: &[u8]) -> String {
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

/// The values in the data bytes of a PID, such as `0C engine speed = 1726 rpm`; `None` where it is
/// not known.
///
/// ```
/// use lostnode::words::values::pid_value;
/// assert_eq!(pid_value(0x0C, &[0x1A, 0xF8]).unwrap(), "0C engine speed = 1726 rpm");
/// let stored = pid_value(0x02, &[0x04, 0x20]).unwrap();
/// assert_eq!(stored, "02 code that stored the freeze frame = P0420");
/// ```
pub fn pid_value(pid: u8, data: &[u8]) -> Option<String> {
    let known = obd::pid(pid)?;
    let mut out = format!("{pid:02X} ");
    match (pid, data) {
        (0x01 | 0x41, _) => {
            let readiness = readiness(pid, Readiness::parse(data)?);
            return Some(format!("{out}{}: {readiness}", known.name));
        }
        (0x02, [0, 0]) => return Some(format!("{out}{} = none", known.name)),
        (0x02, [high, low]) => {
            let code = Code::new([*high, *low], None);
            return Some(format!("{out}{} = {code}", known.name));
        }
        _ => {}
    }
    if known.number % 0x20 == 0 {
        let list: Vec<_> = obd::supported(pid, data).map(|pid| format!("{pid:02X}")).collect();
        return Some(format!("{out}{}: {}", known.name, list.join(" ")));
    }
    let before = out.len();
    for value in obd::values(pid, data) {
        let comma = if out.len() > before { ", " } else { "" };
        let (name, unit) = (value.signal.name, value.signal.unit);
        let _ = write!(out, "{comma}{name} = {} {unit}", round(value.value));
    }
    for (coded, raw, meaning) in obd::coded(pid, data) {
        let comma = if out.len() > before { ", " } else { "" };
        let meaning = meaning.map_or_else(|| format!("reserved (0x{raw:02X})"), str::to_owned);
        let _ = write!(out, "{comma}{} = {meaning}", coded.name);
    }
    if out.len() == before {
        let _ = write!(out, "{} = {}", known.name, hex::encode_upper(data));
    }
    Some(out.trim_end().to_owned())
}

/// Lamp and codes where the PID has them, the ignition type, and each monitor.
fn readiness(pid: u8, readiness: Readiness) -> String {
    let names = |keep: &dyn Fn(&Monitor) -> bool| {
        let names: Vec<&str> =
            readiness.monitors().filter(keep).map(|monitor| monitor.name).collect();
        if names.is_empty() { "none".to_owned() } else { names.join(", ") }
    };
    let lamp = if readiness.mil { "lamp on" } else { "lamp off" };
    let count = plural(usize::from(readiness.codes), "code", "codes");
    let since = if pid == 0x01 { format!("{lamp}, {count}, ") } else { String::new() };
    let ignition = if readiness.compression { "compression" } else { "spark" };
    format!(
        "{since}{ignition} ignition; monitors complete: {}; not complete: {}; not there: {}",
        names(&|monitor| monitor.supported && monitor.complete),
        names(&|monitor| monitor.supported && !monitor.complete),
        names(&|monitor| !monitor.supported),
    )
}

/// Results of tests on board in an answer of service 06; `None` where there are none.
pub fn test_results(data: &[u8]) -> Option<String> {
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

/// Four decimals at most, without trailing zeros.
fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}
