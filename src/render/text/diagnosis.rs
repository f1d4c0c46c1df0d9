//! Codes, blame, identity and answers, for a terminal.

use std::io::{self, Write};

use super::{BAD, GOOD, HEAD, cut, hanging};
use crate::analysis::Analysis;
use crate::analysis::diagnosis::{CodeEntry, Diagnosis, TestEntry};

/// Most codes shown one by one.
const MOST_CODES: usize = 60;

pub(super) fn render(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let diagnosis = &report.diagnosis;
    blame(diagnosis, out)?;
    codes(diagnosis, out)?;
    identity(diagnosis, out)?;
    vehicle(report, out)?;
    stored(diagnosis, out)?;
    talks(diagnosis, out)
}

/// Freeze frames, and the results of tests on board that lie outside their limits.
fn stored(diagnosis: &Diagnosis, out: &mut dyn Write) -> io::Result<()> {
    for frame in &diagnosis.freeze_frames {
        let code =
            frame.code.as_deref().map_or(String::new(), |code| format!(", stored with {code}"));
        writeln!(out, "{HEAD}Freeze frame {} of {}{code}{HEAD:#}", frame.frame, frame.module)?;
        hanging(out, &frame.values.join("; "), "  ", "  ")?;
        writeln!(out)?;
    }
    if !diagnosis.tests.is_empty() {
        let failed: Vec<&TestEntry> =
            diagnosis.tests.iter().filter(|entry| !entry.passed()).collect();
        writeln!(
            out,
            "{HEAD}Tests on board: {} results, {} outside their limits{HEAD:#}",
            diagnosis.tests.len(),
            failed.len()
        )?;
        for TestEntry { module, result } in failed {
            let (monitor, test, unit) =
                (result.monitor, result.test, result.unit.unwrap_or("(raw)"));
            writeln!(
                out,
                "  {module}: monitor {monitor:02X} test {test:02X}: {:.4} {unit}, allowed {:.4} to {:.4}",
                result.value, result.low, result.high
            )?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn bullet(out: &mut dyn Write, text: &str) -> io::Result<()> {
    hanging(out, text, "- ", "  ")
}

fn blame(diagnosis: &Diagnosis, out: &mut dyn Write) -> io::Result<()> {
    if diagnosis.blame.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Who is missed by whom{HEAD:#}")?;
    for row in &diagnosis.blame {
        bullet(out, &row.sentence)?;
        hanging(
            out,
            &format!("{} in {}", row.codes.join(", "), row.reporters.join(", ")),
            "    ",
            "    ",
        )?;
    }
    for (reporter, count) in &diagnosis.accusers {
        bullet(
            out,
            &format!(
                "{reporter} misses {count} modules: that points at itself, its connection or its branch"
            ),
        )?;
    }
    writeln!(out)
}

fn codes(diagnosis: &Diagnosis, out: &mut dyn Write) -> io::Result<()> {
    if diagnosis.codes.is_empty() {
        return Ok(());
    }
    let present = diagnosis.codes.iter().filter(|code| code.gone.is_none()).count();
    writeln!(
        out,
        "{HEAD}Trouble codes: {present} there when last read, {} in all{HEAD:#}",
        diagnosis.codes.len()
    )?;
    let (there, gone): (Vec<&CodeEntry>, Vec<&CodeEntry>) =
        diagnosis.codes.iter().partition(|code| code.gone.is_none());
    let shown: Vec<&CodeEntry> = there.into_iter().chain(gone).collect();
    let mut last = ("", true);
    for code in shown.iter().take(MOST_CODES) {
        let there = code.gone.is_none();
        if (code.reporter.as_str(), there) != last {
            writeln!(out, "  {}{}", code.reporter, if there { "" } else { ", gone" })?;
            last = (&code.reporter, there);
        }
        let style = if there { BAD } else { HEAD };
        let meaning = code.meaning.as_deref().unwrap_or("meaning not known");
        writeln!(out, "    {style}{}{style:#}", code.code)?;
        for sentence in
            [Some(meaning), Some(&code.story), code.event.as_deref()].into_iter().flatten()
        {
            hanging(out, sentence, "        ", "        ")?;
        }
    }
    if shown.len() > MOST_CODES {
        writeln!(out, "  … and {} more (all of them: lostnode codes)", shown.len() - MOST_CODES)?;
    }
    writeln!(out)
}

fn identity(diagnosis: &Diagnosis, out: &mut dyn Write) -> io::Result<()> {
    if diagnosis.identity.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Who the modules say they are{HEAD:#}")?;
    if let Some(vin) = &diagnosis.vehicle.vin {
        writeln!(out, "  VIN of the vehicle: {vin}")?;
    }
    for entry in &diagnosis.identity {
        let mut facts: Vec<String> = Vec::new();
        facts.extend(entry.part_number.iter().map(|number| format!("part {number}")));
        facts.extend(entry.calibration_ids.iter().map(|id| format!("calibration {id}")));
        facts.extend(
            entry
                .others
                .iter()
                .filter(|(_, value)| !value.is_empty())
                .map(|(what, value)| format!("{what} {value}")),
        );
        if facts.is_empty() && entry.problems.is_empty() {
            continue;
        }
        hanging(
            out,
            &format!(
                "{}: {}",
                entry.module,
                if facts.is_empty() { "-".to_owned() } else { facts.join("; ") }
            ),
            "  ",
            "    ",
        )?;
        for problem in &entry.problems {
            hanging(out, problem, "    ! ", "      ")?;
        }
    }
    writeln!(out)
}

fn vehicle(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let vehicle = &report.diagnosis.vehicle;
    if vehicle.supply.is_none() && vehicle.mil.is_none() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Vehicle{HEAD:#}")?;
    if let Some(supply) = &vehicle.supply {
        let begin = report.span.map_or(0, |(start, _)| start);
        let since = |time| crate::fold::timing::seconds(time - begin);
        let at = supply.min_at.map_or(String::new(), |at| format!(", least at {:.1} s", since(at)));
        writeln!(out, "  supply {:.2} to {:.2} V{at}", supply.min, supply.max)?;
        for entry in supply.dips.iter().take(10) {
            let dip = entry.dip;
            let losses = match entry.outages.len() {
                0 => "no loss near it".to_owned(),
                1 => "1 loss began or ended in it".to_owned(),
                several => format!("{several} losses began or ended in it"),
            };
            writeln!(
                out,
                "    below {} V at {:.1} s, least {:.2} V, up to {:.1} s: {losses}",
                dip.below,
                since(dip.span.0),
                dip.least,
                since(dip.span.1)
            )?;
        }
        if supply.dips.len() > 10 {
            writeln!(out, "    … and {} more dips", supply.dips.len() - 10)?;
        }
    }
    if let Some(mil) = vehicle.mil {
        writeln!(out, "  malfunction lamp {}", if mil { "asked for" } else { "off" })?;
    }
    let open: Vec<String> = vehicle
        .monitors
        .iter()
        .filter(|(.., complete)| !complete)
        .map(|(module, name, _)| format!("{name} ({module})"))
        .collect();
    if !vehicle.monitors.is_empty() {
        let text = if open.is_empty() {
            "readiness monitors: all complete".to_owned()
        } else {
            format!("readiness monitors not complete: {}", open.join(", "))
        };
        hanging(out, &text, "  ", "    ")?;
    }
    writeln!(out)
}

fn talks(diagnosis: &Diagnosis, out: &mut dyn Write) -> io::Result<()> {
    let (complete, incomplete, ignored) = &diagnosis.messages;
    if *complete == 0 && incomplete.is_empty() {
        return Ok(());
    }
    writeln!(
        out,
        "{HEAD}{:<32} {:>8} {:>8} {:>8} {:>7} {:>10}{HEAD:#}",
        "module", "answers", "refused", "silent", "late", "slowest"
    )?;
    for talk in diagnosis.talks.iter().take(40) {
        let refused: u64 = talk.negative.iter().map(|(.., count)| count).sum();
        let slowest =
            talk.slowest.map_or("–".to_owned(), |slowest| format!("{:.0} ms", slowest * 1e3));
        let style = if talk.unanswered > 0 && talk.positive + refused == 0 { BAD } else { GOOD };
        writeln!(
            out,
            "{style}{:<32}{style:#} {:>8} {refused:>8} {:>8} {:>7} {slowest:>10}",
            cut(&talk.module, 32),
            talk.positive,
            talk.unanswered,
            talk.late
        )?;
    }
    if diagnosis.talks.len() > 40 {
        writeln!(out, "… and {} more", diagnosis.talks.len() - 40)?;
    }
    let broken: Vec<String> =
        incomplete.iter().map(|(reason, count)| format!("{count} incomplete ({reason})")).collect();
    let broken = if broken.is_empty() { String::new() } else { format!(", {}", broken.join(", ")) };
    hanging(
        out,
        &format!("{complete} whole messages{broken}, {ignored} stray data units"),
        "",
        "  ",
    )?;
    writeln!(out)
}
