//! Codes, blame, identity and answers, for a terminal.

use std::io::{self, Write};

use super::paper::Paper;
use super::{BAD, GOOD, HEAD, cut};
use crate::analysis::Analysis;
use crate::analysis::diagnosis::{CodeEntry, IdentityEntry, TalkEntry, TestEntry};
use crate::words::diagnosis::{self as words, CodeWords};
use crate::words::signals;
use crate::words::terms::at as at_time;

/// Most codes shown one by one.
const MOST_CODES: usize = 60;
/// Most modules shown with how they answered.
const MOST_TALKS: usize = 40;

pub(super) fn render(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    blame(analysis, out)?;
    codes(analysis, out)?;
    identity(analysis, out)?;
    vehicle(analysis, out)?;
    stored(analysis, out)?;
    talks(analysis, out)
}

/// Freeze frames, and the results of tests on board that lie outside their limits.
fn stored(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let diagnosis = &analysis.diagnosis;
    for frame in &diagnosis.freeze_frames {
        let code = frame.code.map_or(String::new(), |code| format!(", stored with {code}"));
        let module = analysis.module_name(frame.module);
        writeln!(out, "{HEAD}Freeze frame {} of {module}{code}{HEAD:#}", frame.frame)?;
        out.hanging(&words::freeze_values(frame).join("; "), "  ", "  ")?;
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
            let module = analysis.module_name(*module);
            let (monitor, test, unit) =
                (result.monitor, result.test, result.unit.unwrap_or("(raw)"));
            writeln!(
                out,
                "  {module}: monitor {monitor:02X} test {test:02X}: {:.4} {unit}, \
                 allowed {:.4} to {:.4}",
                result.value, result.low, result.high
            )?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn bullet(out: &mut Paper<'_>, text: &str) -> io::Result<()> {
    out.hanging(text, "- ", "  ")
}

fn blame(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let diagnosis = &analysis.diagnosis;
    if diagnosis.blame.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Who is missed by whom{HEAD:#}")?;
    for row in &diagnosis.blame {
        bullet(out, &words::blame(analysis, row))?;
        let codes: Vec<String> = row.codes.iter().map(|code| words::code_label(*code)).collect();
        let reporters = words::names(analysis, &row.reporters);
        let where_from = format!("{} in {}", codes.join(", "), reporters.join(", "));
        out.hanging(&where_from, "    ", "    ")?;
    }
    for (reporter, count) in words::accusers(analysis) {
        let text = format!(
            "{reporter} misses {count} modules: suspect {reporter} itself, its connection or its \
             branch"
        );
        bullet(out, &text)?;
    }
    writeln!(out)
}

fn codes(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let diagnosis = &analysis.diagnosis;
    if let Some(none) = words::no_codes(analysis) {
        out.hanging(&format!("{HEAD}Trouble codes:{HEAD:#} {none}"), "", "  ")?;
        return writeln!(out);
    }
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
    if shown.len() >= MANY && shown.iter().any(|own| held(&shown, own).len() >= SHARED) {
        by_code(analysis, &shown, out)?;
        return writeln!(out);
    }
    let mut last = None;
    for code in shown.iter().take(MOST_CODES) {
        let there = code.gone.is_none();
        let words = CodeWords::of(analysis, code);
        if last != Some((code.module, there)) {
            writeln!(out, "  {}{}", words.reporter, if there { "" } else { ", gone" })?;
            last = Some((code.module, there));
        }
        let style = if there { BAD } else { HEAD };
        let meaning = words.meaning.as_deref().unwrap_or("meaning not known");
        writeln!(out, "    {style}{}{style:#}", words.code)?;
        for sentence in
            [Some(meaning), Some(&words.story), words.event.as_deref()].into_iter().flatten()
        {
            out.hanging(sentence, "        ", "        ")?;
        }
    }
    if shown.len() > MOST_CODES {
        writeln!(out, "  … and {} more (all of them: lostnode codes)", shown.len() - MOST_CODES)?;
    }
    writeln!(out)
}

/// From so many codes on they stand once for all modules …
const MANY: usize = 8;
/// … where one of them is in so many modules.
const SHARED: usize = 3;

/// The entries of a code, in all modules.
fn held<'a>(all: &[&'a CodeEntry], own: &CodeEntry) -> Vec<&'a CodeEntry> {
    all.iter().filter(|other| other.number == own.number).copied().collect()
}

/// Each code once, with the modules that hold it, those with the same story in a row.
fn by_code(analysis: &Analysis, all: &[&CodeEntry], out: &mut Paper<'_>) -> io::Result<()> {
    let first = |(at, own): &(usize, &&CodeEntry)| {
        all[..*at].iter().all(|before| before.number != own.number)
    };
    let codes: Vec<&CodeEntry> =
        all.iter().enumerate().filter(first).map(|(_, own)| *own).collect();
    for code in codes.iter().take(MOST_CODES) {
        let words = CodeWords::of(analysis, code);
        let style = if code.gone.is_none() { BAD } else { HEAD };
        let meaning = words.meaning.as_deref().unwrap_or("meaning not known");
        let begin = format!("  {style}{}{style:#} ", words.code);
        out.hanging(meaning, &begin, "      ")?;
        let entries = held(all, code);
        // What all have in common is said once.
        let event = words.event.filter(|_| entries.iter().all(|own| own.event == code.event));
        let mut stories: Vec<(String, Vec<String>)> = Vec::new();
        for entry in entries {
            let own = CodeWords::of(analysis, entry);
            let more = own.event.filter(|_| event.is_none());
            let story = own.story + &more.map_or(String::new(), |more| format!("; {more}"));
            match stories.iter_mut().find(|(known, _)| *known == story) {
                Some((_, modules)) => modules.push(own.reporter),
                None => stories.push((story, vec![own.reporter])),
            }
        }
        for (story, modules) in stories {
            let text = format!("{}: {story}", modules.join(", "));
            out.hanging(&text, "      ", "        ")?;
        }
        if let Some(event) = event {
            out.hanging(&event, "      ", "        ")?;
        }
    }
    if codes.len() > MOST_CODES {
        writeln!(out, "  … and {} more (all of them: lostnode codes)", codes.len() - MOST_CODES)?;
    }
    Ok(())
}

fn identity(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let diagnosis = &analysis.diagnosis;
    let told = diagnosis.identity.iter().map(|entry| (entry, identified(entry)));
    let told: Vec<(&IdentityEntry, Vec<String>)> =
        told.filter(|(entry, facts)| !facts.is_empty() || !entry.problems.is_empty()).collect();
    let vin = diagnosis.vehicle.vin.as_ref().filter(|_| !diagnosis.identity.is_empty());
    if vin.is_none() && told.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Who the modules say they are{HEAD:#}")?;
    if let Some(vin) = vin {
        writeln!(out, "  VIN of the vehicle: {vin}")?;
    }
    for (entry, facts) in told {
        let facts = if facts.is_empty() { "-".to_owned() } else { facts.join("; ") };
        let module = analysis.module_name(entry.module);
        out.hanging(&format!("{module}: {facts}"), "  ", "    ")?;
        for problem in &entry.problems {
            out.hanging(&words::problem(problem), "    ! ", "      ")?;
        }
    }
    writeln!(out)
}

/// What a module says of itself.
fn identified(entry: &IdentityEntry) -> Vec<String> {
    let part = entry.part_number.iter().map(|number| format!("part {number}"));
    let calibrations = entry.calibration_ids.iter().map(|id| format!("calibration {id}"));
    let others = entry.others.iter().filter(|(_, value)| !value.is_empty());
    let others = others.map(|(what, value)| format!("{what} {value}"));
    part.chain(calibrations).chain(others).collect()
}

fn vehicle(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let vehicle = &analysis.diagnosis.vehicle;
    if vehicle.supply.is_none() && vehicle.mil.is_none() && analysis.signals.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Vehicle{HEAD:#}")?;
    if let Some(supply) = &vehicle.supply {
        let since = |time| at_time(analysis, time);
        let at = supply.min_at.map_or(String::new(), |at| format!(", lowest at {}", since(at)));
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
                "    below {} V at {}, lowest {:.2} V, until {}: {losses}",
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
        writeln!(out, "  malfunction lamp {}", if mil { "requested" } else { "off" })?;
    }
    for track in analysis.traces() {
        let (shown, who) = (signals::trace(track), signals::teller(analysis, track));
        out.hanging(&format!("{shown}, reported by {who}"), "  ", "    ")?;
    }
    for line in words::lamps(analysis) {
        out.hanging(&line, "  ", "    ")?;
    }
    let open: Vec<String> = vehicle
        .monitors
        .iter()
        .filter(|entry| !entry.complete)
        .map(|entry| format!("{} ({})", entry.monitor, analysis.module_name(entry.module)))
        .collect();
    if !vehicle.monitors.is_empty() {
        let text = if open.is_empty() {
            "readiness monitors: all complete".to_owned()
        } else {
            format!("readiness monitors not complete: {}", open.join(", "))
        };
        out.hanging(&text, "  ", "    ")?;
    }
    writeln!(out)
}

fn talks(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let diagnosis = &analysis.diagnosis;
    let messages = &diagnosis.messages;
    if messages.complete == 0 && messages.incomplete.is_empty() {
        return Ok(());
    }
    let all = diagnosis.talks.iter();
    let (well, told): (Vec<&TalkEntry>, Vec<&TalkEntry>) = all.partition(|row| went_well(row));
    // One or two need no summary.
    let (well, told) = match well.len() < FEW {
        true => (Vec::new(), diagnosis.talks.iter().collect()),
        false => (well, told),
    };
    if out.width >= 80 && !told.is_empty() {
        writeln!(
            out,
            "{HEAD}{:<32} {:>8} {:>8} {:>8} {:>7} {:>10}{HEAD:#}",
            "module", "answers", "refused", "silent", "late", "slowest"
        )?;
    }
    for row in told.iter().take(MOST_TALKS) {
        talk(&analysis.module_name(row.module).to_string(), row, out)?;
    }
    if told.len() > MOST_TALKS {
        writeln!(out, "… and {} more", told.len() - MOST_TALKS)?;
    }
    if !well.is_empty() {
        let slowest = well.iter().filter_map(|row| row.slowest).fold(0.0, f64::max);
        let others = if told.is_empty() { "modules" } else { "other modules" };
        let text = format!(
            "{} {others} answered every request in time (slowest answer {:.0} ms)",
            well.len(),
            slowest * 1e3
        );
        out.hanging(&text, "", "  ")?;
    }
    let broken: String = messages
        .incomplete
        .iter()
        .map(|(fault, count)| format!(", {count} incomplete ({})", fault.text()))
        .collect();
    let (complete, ignored) = (messages.complete, messages.ignored);
    let text = format!("{complete} whole messages{broken}, {ignored} stray data units");
    out.hanging(&text, "", "  ")?;
    writeln!(out)
}

/// From so many modules that answered all that was asked on they are one line.
const FEW: usize = 3;

/// Whether a module answered all that it was asked, without refusal and in time.
fn went_well(row: &TalkEntry) -> bool {
    row.negative.is_empty() && row.unanswered == 0 && row.late == 0 && row.positive > 0
}

fn talk(module: &str, talk: &TalkEntry, out: &mut Paper<'_>) -> io::Result<()> {
    let refused: u64 = talk.negative.iter().map(|(_, count)| count).sum();
    let slowest = talk.slowest.map_or("-".to_owned(), |slowest| format!("{:.0} ms", slowest * 1e3));
    if out.width < 80 {
        let text = format!(
            "{module}: {} answers, {refused} refused, {} silent, {} late, slowest {slowest}",
            talk.positive, talk.unanswered, talk.late
        );
        return out.hanging(&text, "", "  ");
    }
    let style = if talk.unanswered > 0 && talk.positive + refused == 0 { BAD } else { GOOD };
    writeln!(
        out,
        "{style}{:<32}{style:#} {:>8} {refused:>8} {:>8} {:>7} {slowest:>10}",
        cut(module, 32),
        talk.positive,
        talk.unanswered,
        talk.late
    )
}
