//! How times, durations, identifiers and kinds of outage are written.

use jiff::Timestamp;
use lostnode_parsers::Id;

use crate::analysis::drives::Moment;
use crate::analysis::{Analysis, Cause, Nanoseconds, Outage, Scope};

/// A duration as people write it: `0.42 s`, `101.5 s`, `12 min 30 s`, `2 h 05 min`.
///
/// ```
/// use lostnode::words::terms::duration;
/// assert_eq!(duration(0.1234), "0.12 s");
/// assert_eq!(duration(2105.9), "35 min 06 s");
/// ```
pub fn duration(seconds: f64) -> String {
    let whole = seconds.round() as i64;
    match seconds {
        s if s < 100.0 => format!("{seconds:.2} s"),
        s if s < 600.0 => format!("{seconds:.1} s"),
        s if s < 3600.0 => format!("{} min {:02} s", whole / 60, whole % 60),
        _ => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
    }
}

/// A duration to about two places, as people say it: `0.42 s`, `31 s`, `3 min 30 s`, `49 min`.
///
/// ```
/// use lostnode::words::terms::short_duration;
/// assert_eq!(short_duration(14.41), "14 s");
/// assert_eq!(short_duration(2.561), "2.6 s");
/// assert_eq!(short_duration(2940.0), "49 min");
/// assert_eq!(short_duration(210.0), "3 min 30 s");
/// ```
pub fn short_duration(seconds: f64) -> String {
    let whole = seconds.round() as i64;
    match seconds {
        s if s < 1.0 => format!("{seconds:.2} s"),
        s if s < 10.0 => format!("{seconds:.1} s"),
        s if s < 99.5 => format!("{whole} s"),
        s if s < 600.0 && whole % 60 == 0 => format!("{} min", whole / 60),
        s if s < 600.0 => format!("{} min {:02} s", whole / 60, whole % 60),
        s if s < 3600.0 => format!("{:.0} min", seconds / 60.0),
        _ => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
    }
}

/// A time from the first frame, and in which drive where there are several: `31.2 s`, `31.2 s of
/// drive 2`.
pub fn at(analysis: &Analysis, time: Nanoseconds) -> String {
    let moment = analysis.moment(time);
    format!("{:.1} s{}", moment.seconds, of_drive(moment))
}

/// ` of drive 2`; nothing where there is only one.
pub fn of_drive(moment: Moment) -> String {
    moment.drive.map_or(String::new(), |drive| format!(" of drive {}", drive + 1))
}

/// Names in a row, with a word before the last: `a, b and c`.
///
/// ```
/// use lostnode::words::terms::listed;
/// let names = ["a", "b", "c"].map(str::to_owned);
/// assert_eq!(listed(&names, "or"), "a, b or c");
/// ```
pub fn listed(names: &[String], last: &str) -> String {
    match names {
        [rest @ .., end] if !rest.is_empty() => format!("{} {last} {end}", rest.join(", ")),
        names => names.join(", "),
    }
}

/// Time of day in UTC, where the stamps are a date; `None` where they count from some zero.
pub fn time_of_day(time: Nanoseconds) -> Option<String> {
    clock(time, "%H:%M:%S")
}

/// Date and time of day in UTC, where the stamps are a date.
pub fn date(time: Nanoseconds) -> Option<String> {
    clock(time, "%Y-%m-%d %H:%M:%S UTC")
}

fn clock(time: Nanoseconds, form: &str) -> Option<String> {
    // Before September 2001: a clock that counts from the start of the recording, or was never set.
    if time < 1_000_000_000 * 1_000_000_000 {
        return None;
    }
    let stamp = Timestamp::from_nanosecond(i128::from(time)).ok()?;
    Some(stamp.strftime(form).to_string())
}

/// What kind of outage, in words.
pub fn kind(outage: &Outage) -> &'static str {
    match (outage.scope, outage.cause) {
        (Scope::Node, _) if outage.ids.is_empty() => "module never heard",
        (Scope::Identifier, _) if outage.ids.is_empty() => "identifier never heard",
        (_, Cause::CaptureGap) => "recording paused",
        (_, Cause::SwitchedOff) => "switched off",
        (Scope::Bus, _) if outage.benign && outage.doubt.is_none() => "nothing heard",
        (Scope::Bus, Cause::Unknown) if outage.benign => "bus or recording stopped",
        (_, Cause::Unknown) if outage.benign => "pauses",
        (Scope::Bus, Cause::BusSleep) => "bus went to sleep",
        (Scope::Bus, Cause::BusFault) => "bus fault",
        (Scope::Bus, _) => "whole bus silent",
        (Scope::Branch, Cause::OpenCircuit) => "branch open",
        (Scope::Branch, Cause::LostPower) => "branch without power",
        (Scope::Branch, _) => "branch silent",
        (Scope::Node, Cause::OpenCircuit) => "module cut off but still running",
        (_, Cause::LostAddress) => "lost its address",
        (Scope::Node, Cause::LostPower) => "module lost power or reset",
        (Scope::Node, _) => "module silent",
        (Scope::Identifier, _) => "identifier silent",
        (Scope::Capture, _) => "recording stopped",
    }
}

/// An identifier as reports write it: `0x1A0` for 11 bits, `0x18FEF100` for 29 bits.
pub fn id_label(id: Id) -> String {
    format!("0x{}", lostnode_parsers::frame::DisplayId(id))
}

/// A number with the right word after it: `1 time`, `3 times`.
pub fn plural(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// A probability in words.
pub fn sureness(probability: f64) -> &'static str {
    match probability {
        sure if sure >= 0.9 => "almost certainly",
        likely if likely >= 0.6 => "most likely",
        _ => "perhaps",
    }
}
