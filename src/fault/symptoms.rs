//! From the report to symptoms: what asks for an explanation, what it is about, and its signs.

use super::subject::Subject;
use crate::analysis::blame::Blame;
use crate::analysis::diagnosis::CodeEntry;
use crate::analysis::{Analysis, Cause, Outage, Scope};
use crate::fold::diagnostics::supply::levels;
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::words::terms::duration;

/// Something that asks for an explanation.
#[derive(Clone, Debug)]
pub struct Symptom {
    /// Its table in `knowledge.toml`.
    pub kind: &'static str,
    /// What it is about.
    pub subject: Subject,
    /// In a sentence with its numbers.
    pub text: String,
    /// Its signs: table, value, and a sentence.
    pub signs: Vec<(&'static str, &'static str, String)>,
    /// Codes in it, each with its reporter.
    pub codes: Vec<String>,
    /// How many of those ask for a lamp.
    pub lamps: usize,
}

impl Symptom {
    fn new(kind: &'static str, subject: Subject, text: String) -> Self {
        Symptom { kind, subject, text, signs: Vec::new(), codes: Vec::new(), lamps: 0 }
    }

    fn sign(mut self, table: &'static str, value: &'static str, text: String) -> Self {
        self.signs.push((table, value, text));
        self
    }

    fn codes<'a>(mut self, report: &Analysis, codes: impl Iterator<Item = &'a CodeEntry>) -> Self {
        for code in codes {
            let label = crate::words::diagnosis::code_label(code.number);
            self.codes.push(format!("{label} in {}", report.module_name(code.module)));
            self.lamps += usize::from(code.lamp);
        }
        self
    }
}

/// Seconds around the beginning of an outage within which an error report is about it.
const NEAR: f64 = 1.0;
/// From this share of the time a bin of the bus counts as full: then frames of low priority wait
/// long (common practice, no source).
const FULL: f64 = 0.80;
/// Full bins that make a flood.
const FULL_BINS: usize = 3;
/// Error reports about the bus, outside of its silences, that are not worth a word.
const FEW_ERRORS: usize = 3;
/// … and that are frequent, a minute.
const FREQUENT: f64 = 10.0;

/// All symptoms of a report.
pub fn of(report: &Analysis) -> Vec<Symptom> {
    let mut out = Vec::new();
    silent_nodes(report, &mut out);
    silent_branches(report, &mut out);
    for channel in 0..report.channels.len() {
        bus(report, channel, &mut out);
    }
    out.extend(recording(report));
    super::told::told(report, &mut out);
    out
}

/// `3 times, 4.2 s in all, first at 31.2 s, last at 84.3 s`.
fn summed(report: &Analysis, outages: &[&Outage]) -> String {
    let begin = report.span.map_or(0, |(begin, _)| begin);
    let at = |outage: &Outage| format!("{:.1} s", seconds(outage.start - begin));
    let total: f64 = outages.iter().map(|outage| outage.duration).sum();
    match outages {
        [one] if one.ongoing => format!("since {} until the end of the recording", at(one)),
        [one] => format!("once, at {} for {}", at(one), duration(one.duration)),
        [first, .., last] => {
            format!(
                "{} times, {} in all, first at {}, last at {}",
                outages.len(),
                duration(total),
                at(first),
                at(last)
            )
        }
        [] => String::new(),
    }
}

fn silent_nodes(report: &Analysis, out: &mut Vec<Symptom>) {
    let whole = |node: usize| -> Vec<&Outage> {
        report
            .lost()
            .filter(|outage| outage.scope == Scope::Node && outage.nodes == [node])
            .collect()
    };
    let of_nodes = (0..report.nodes.len()).map(|node| (Subject::Node(node), whole(node)));
    // An identifier whose sender is not known may be all that a module sends.
    let lone = |outage: &&Outage| {
        outage.scope == Scope::Identifier && outage.nodes.is_empty() && !outage.ids.is_empty()
    };
    let mut ids: Vec<&[usize]> =
        report.lost().filter(lone).map(|outage| outage.ids.as_slice()).collect();
    ids.sort_unstable();
    ids.dedup();
    let of_ids = ids.into_iter().map(|ids| {
        let label = crate::words::terms::id_label(report.identifiers[ids[0]].id);
        let outages = report.lost().filter(lone).filter(|outage| outage.ids == ids).collect();
        (Subject::Sender(report.identifiers[ids[0]].channel, label), outages)
    });
    for (subject, outages) in of_nodes.chain(of_ids) {
        if outages.is_empty() {
            continue;
        }
        let never = outages.iter().any(|outage| outage.ids.is_empty());
        let who = subject.name(report);
        let text = match never {
            true => format!("{who} is expected and was never heard"),
            false => format!("{who} fell silent {}", summed(report, &outages)),
        };
        let (value, sentence) = returned(&outages);
        let mut symptom =
            Symptom::new("node_silent", subject, text).sign("return", value, sentence);
        if !never {
            let (value, sentence) = rhythm(&outages);
            symptom = symptom.sign("rhythm", value, sentence);
            symptom = supply(report, &outages, symptom);
            let (value, sentence) = errors_near(report, &outages);
            symptom = symptom.sign("errors", value, sentence);
        }
        out.push(symptom);
    }
}

fn silent_branches(report: &Analysis, out: &mut Vec<Symptom>) {
    let of_branch = |outage: &&Outage| outage.scope == Scope::Branch;
    let ascending = |outage: &Outage| {
        let mut nodes = outage.nodes.clone();
        nodes.sort_unstable();
        nodes
    };
    let mut sets: Vec<Vec<usize>> = report.lost().filter(of_branch).map(ascending).collect();
    sets.sort_unstable();
    sets.dedup();
    for set in sets {
        let outages: Vec<&Outage> =
            report.lost().filter(of_branch).filter(|outage| ascending(outage) == set).collect();
        let channel = outages[0].channel;
        let all =
            report.nodes.iter().filter(|node| Some(node.channel) == channel && node.heard).count();
        let subject = Subject::Nodes(set.clone());
        let text =
            format!("{} fell silent together {}", subject.name(report), summed(report, &outages));
        let (back, sentence) = returned(&outages);
        let share = if set.len() * 2 >= all { "half_or_more" } else { "few" };
        let (errors, near) = errors_near(report, &outages);
        out.push(
            Symptom::new("nodes_silent", subject, text)
                .sign("return_together", back, sentence)
                .sign("share", share, format!("{} of the {all} nodes of the bus", set.len()))
                .sign("errors_together", errors, near),
        );
    }
}

fn returned(outages: &[&Outage]) -> (&'static str, String) {
    let count = |cause: Cause| outages.iter().filter(|outage| outage.cause == cause).count();
    let (power, open) = (count(Cause::LostPower), count(Cause::OpenCircuit));
    let back = outages.iter().filter(|outage| !outage.ongoing).count();
    match (power, open) {
        _ if back == 0 => ("no_return", "not heard again".to_owned()),
        (0, 0) => ("unclear", format!("how it came back does not tell ({back} returns)")),
        (_, 0) => (
            "started_anew",
            format!("started anew at {power} of {back} returns: counters and phase began afresh"),
        ),
        (0, _) => (
            "ran_on",
            format!(
                "had run on unheard at {open} of {back} returns: counters and phase had carried on"
            ),
        ),
        _ => (
            "unclear",
            format!("{power} returns look like a new start and {open} like having run on"),
        ),
    }
}

/// Steps of equal length are those of a watchdog.
fn rhythm(outages: &[&Outage]) -> (&'static str, String) {
    let steps: Vec<f64> =
        outages.windows(2).map(|pair| seconds(pair[1].start - pair[0].start)).collect();
    let mean = steps.iter().sum::<f64>() / steps.len().max(1) as f64;
    let spread = (steps.iter().map(|step| (step - mean).powi(2)).sum::<f64>()
        / steps.len().max(1) as f64)
        .sqrt();
    match steps.len() {
        0 => ("single", "happened once".to_owned()),
        4.. if spread < 0.15 * mean => {
            ("even", format!("came in even steps of {mean:.1} s (spread {spread:.1} s)"))
        }
        _ => ("uneven", format!("came {} times in uneven steps", steps.len() + 1)),
    }
}

fn supply(report: &Analysis, outages: &[&Outage], symptom: Symptom) -> Symptom {
    let Some(supply) = &report.diagnosis.vehicle.supply else { return symptom };
    let place =
        |outage: &Outage| report.outages.iter().position(|other| std::ptr::eq(other, outage));
    // Below 12 V the battery is only not charged: that resets nobody.
    let level = levels(supply.max)[1];
    let dip = supply.dips.iter().filter(|dip| dip.dip.below <= level).find(|dip| {
        outages.iter().any(|outage| place(outage).is_some_and(|at| dip.outages.contains(&at)))
    });
    let sentence = dip.map_or(format!("supply {:.1} to {:.1} V", supply.min, supply.max), |dip| {
        format!("the supply dipped to {:.1} V at that time", dip.dip.least)
    });
    symptom.sign("supply", if dip.is_some() { "dipped" } else { "steady" }, sentence)
}

fn errors_near(report: &Analysis, outages: &[&Outage]) -> (&'static str, String) {
    let near = |time: Nanoseconds| {
        outages.iter().any(|outage| (time - outage.start).abs() <= nanoseconds(NEAR))
    };
    let errors = outages
        .iter()
        .filter_map(|outage| outage.channel)
        .next()
        .map(|channel| &report.channels[channel].errors);
    let count = errors.map_or(0, |errors| {
        errors.iter().filter(|event| event.about_the_bus && near(event.time)).count()
    });
    match count {
        0 => ("none", "no error report about the bus near it".to_owned()),
        _ => ("near", format!("{count} error reports about the bus near it")),
    }
}

fn bus(report: &Analysis, channel: usize, out: &mut Vec<Symptom>) {
    let subject = || Subject::Channel(channel);
    let name = &report.channels[channel].name;
    let stops: Vec<&Outage> = report
        .outages
        .iter()
        .filter(|outage| outage.scope == Scope::Bus && outage.channel == Some(channel))
        .collect();
    // What one or two identifiers do is no matter of the bus: a tester alone on it comes and goes.
    let periodic =
        report.identifiers.iter().filter(|id| id.channel == channel && id.rhythm.is_some()).count();
    let stops: Vec<&Outage> = stops
        .into_iter()
        .filter(|outage| periodic >= 3 || outage.cause == Cause::BusFault)
        .collect();
    let (slept, silent): (Vec<&Outage>, Vec<&Outage>) =
        stops.iter().partition(|outage| outage.cause == Cause::BusSleep);
    if !slept.is_empty() {
        out.push(Symptom::new(
            "bus_slept",
            subject(),
            format!("{name} ended in order {}", summed(report, &slept)),
        ));
    }
    if !silent.is_empty() {
        let faults = silent.iter().filter(|outage| outage.cause == Cause::BusFault).count();
        let (value, sentence) = match faults {
            0 => ("abrupt", "without error reports, from one frame to the next".to_owned()),
            _ => (
                "errors",
                format!("with error reports about the bus, {faults} of {} times", silent.len()),
            ),
        };
        let text = format!("all of {name} fell silent {}", summed(report, &silent));
        out.push(Symptom::new("bus_silent", subject(), text).sign("bus_end", value, sentence));
    }
    errors(report, channel, &silent, out);
    flood(report, channel, out);
}

fn errors(report: &Analysis, channel: usize, silent: &[&Outage], out: &mut Vec<Symptom>) {
    let own = &report.channels[channel];
    let margin = nanoseconds(NEAR);
    let explained = |time: Nanoseconds| {
        silent.iter().any(|outage| (outage.start - margin..=outage.end + margin).contains(&time))
    };
    let loose: Vec<_> =
        own.errors.iter().filter(|event| event.about_the_bus && !explained(event.time)).collect();
    if loose.len() < FEW_ERRORS {
        return;
    }
    let span = report.span.map_or(1.0, |(begin, end)| seconds(end - begin).max(1.0));
    let rate = loose.len() as f64 / span * 60.0;
    let off = loose.iter().filter(|event| event.bus_off).count();
    let (value, sentence) = match off {
        0 if rate >= FREQUENT => ("frequent", format!("{rate:.0} a minute")),
        0 => ("few", format!("{rate:.1} a minute")),
        _ => ("bus_off", format!("the controller left the bus {off} times")),
    };
    let text = format!(
        "{} error reports about {} beside its silences, such as {}",
        loose.len(),
        own.name,
        loose[0].class
    );
    out.push(Symptom::new("bus_errors", Subject::Channel(channel), text).sign(
        "error_kind",
        value,
        sentence,
    ));
}

fn flood(report: &Analysis, channel: usize, out: &mut Vec<Symptom>) {
    let Some(load) = &report.channels[channel].load else { return };
    let full = load.load.iter().filter(|load| **load >= FULL).count();
    if full < FULL_BINS {
        return;
    }
    let busiest =
        report.identifiers.iter().filter(|id| id.channel == channel).max_by_key(|id| id.frames);
    let busiest = busiest.map_or(String::new(), |id| {
        format!(
            "; most frames: {}, {} of {}",
            crate::words::terms::id_label(id.id),
            id.frames,
            report.channels[channel].frames
        )
    });
    let peak = load.peak().map_or(0.0, |(peak, _)| peak);
    out.push(Symptom::new(
        "flood",
        Subject::Channel(channel),
        format!(
            "{} was busy for more than {:.0} % of the time in {full} stretches of {} s, at most {:.0} %{busiest}",
            report.channels[channel].name,
            FULL * 100.0,
            load.bin,
            peak * 100.0
        ),
    ));
}

fn recording(report: &Analysis) -> Option<Symptom> {
    let gaps: Vec<&Outage> =
        report.outages.iter().filter(|outage| outage.cause == Cause::CaptureGap).collect();
    let overflows = report
        .channels
        .iter()
        .flat_map(|channel| &channel.errors)
        .filter(|event| event.overflow)
        .count();
    let mut parts = Vec::new();
    if !gaps.is_empty() {
        parts.push(format!("the recording paused {}", summed(report, &gaps)));
    }
    if overflows > 0 {
        parts.push(format!("the logger ran over {overflows} times"));
    }
    (!parts.is_empty()).then(|| Symptom::new("recording_gap", Subject::Vehicle, parts.join("; ")))
}

/// What codes, identity and answers of modules tell; here so that [`Symptom`]'s parts stay private
/// to this file.
pub(super) fn told<'a>(
    report: &Analysis,
    kind: &'static str,
    subject: Subject,
    text: String,
    signs: Vec<(&'static str, &'static str, String)>,
    codes: impl Iterator<Item = &'a CodeEntry>,
) -> Symptom {
    Symptom { signs, ..Symptom::new(kind, subject, text).codes(report, codes) }
}

/// Codes of a row of blame.
pub(super) fn codes_of<'a>(
    report: &'a Analysis,
    row: &'a Blame,
) -> impl Iterator<Item = &'a CodeEntry> {
    report
        .diagnosis
        .codes
        .iter()
        .filter(|code| code.event.is_none() && code.missed.as_ref() == Some(&row.missed))
}
