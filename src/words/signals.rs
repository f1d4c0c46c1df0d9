//! Standard signals of the traffic in words.

use crate::analysis::signals::{SignalTrack, SignalValue};
use crate::analysis::{Analysis, Outage};
use crate::fold::diagnostics::{Module, Party};

/// A value with its unit, in as many places as a mechanic reads.
///
/// ```
/// use lostnode::words::signals::amount;
/// assert_eq!(amount(27.951, "V"), "27.95 V");
/// assert_eq!(amount(1448.5, "rpm"), "1448 rpm");
/// ```
pub fn amount(value: f64, unit: &str) -> String {
    match unit {
        "V" => format!("{value:.2} {unit}"),
        "rpm" => format!("{value:.0} {unit}"),
        _ => format!("{value:.1} {unit}"),
    }
}

/// What the vehicle did when an outage began; `None` where the traffic does not tell.
pub fn at_begin(report: &Analysis, outage: &Outage) -> Option<String> {
    if !outage.never_heard.is_empty() {
        return None;
    }
    let values: Vec<String> = report.signals_at(outage.start).iter().map(value).collect();
    (!values.is_empty()).then(|| format!("when it began: {}", values.join(", ")))
}

fn value(own: &SignalValue) -> String {
    format!("{} {}", own.signal.name, amount(own.value, own.signal.unit))
}

/// What a trace shows: `engine speed, 0 to 1650 rpm`.
pub fn trace(track: &SignalTrack) -> String {
    let (low, high) = track.range;
    let unit = track.signal.unit;
    let low = amount(low, unit);
    let low = low.strip_suffix(unit).map_or(low.as_str(), str::trim_end);
    format!("{}, {low} to {}", track.signal.name, amount(high, unit))
}

/// Who tells a signal.
pub fn teller(report: &Analysis, track: &SignalTrack) -> String {
    let module = Module { channel: track.channel, party: Party::Address(track.address) };
    report.module_name(module).to_string()
}
