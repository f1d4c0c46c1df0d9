//! Small files that are named in arguments, read; results, written.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use super::Failure;
use crate::analysis::marks::Mark;
use crate::capture::Seems;
use crate::capture::plain::{has_unprinted, plain, printed_xml, unprinted_in_toml};
use crate::fault::{Job, Knowledge};
use crate::learn::unplugged::Unplugging;
use crate::roster_file::{self, RosterFile};
use crate::wiring_file::WiringFile;

/// A file of text. Where it is something else altogether that is said first: what a reader of TOML
/// makes of a PDF document helps nobody.
fn read_text(path: &Path, wanted: &str, fits: &[Seems]) -> Result<String, Failure> {
    let bytes = fs::read(path).map_err(|error| {
        Failure::message(format!("{}: cannot be read: {error}", path.display()))
    })?;
    let odd = Seems::of(&bytes).filter(|seems| !fits.contains(seems) && *seems != Seems::Toml);
    if let Some(seems) = odd {
        return Err(Failure::about(path, format!("no {wanted}: it seems to be {}", seems.what())));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        Failure::about(path, format!("byte {at} is no UTF-8 text; save it again as UTF-8"))
    })?;
    // What stands in it is shown on terminals and in pages.
    if text.trim_start_matches('\u{FEFF}').trim_start().starts_with('<') {
        return Ok(printed_xml(&text).into_owned());
    }
    match unprinted_in_toml(&text) {
        Some(own) => Err(Failure::about(
            path,
            format!("`{own}` holds a character that is not printed; type it again"),
        )),
        None => Ok(text),
    }
}

/// The built-in knowledge with the changes of a file.
pub fn read_knowledge(path: &Path) -> Result<Knowledge, Failure> {
    let text = read_text(path, "file of changes to the numbers (--knowledge)", &[])?;
    Knowledge::with(&text).map_err(|error| Failure::about(path, error))
}

/// A job file.
pub fn read_job(path: &Path) -> Result<Job, Failure> {
    let text = read_text(path, "job file (--readings)", &[Seems::Job])?;
    Job::parse(&text).map_err(|error| Failure::about(path, error))
}

/// A wiring file, or a harness description in KBL, told apart by how it begins.
pub fn read_wiring(path: &Path) -> Result<WiringFile, Failure> {
    let fits = [Seems::Other("XML")];
    let text = read_text(path, "wiring file (--wiring)", &fits)?;
    let file = WiringFile::parse(&text).map_err(|error| Failure::about(path, error))?;
    match (file.elements.is_empty(), file.described.is_some()) {
        (true, true) => Err(Failure::about(path, "no plug in it hangs on anything by a wire")),
        (true, false) => Err(Failure::about(path, "there is no [[element]] in it")),
        (false, _) => Ok(file),
    }
}

/// A roster file, or an AUTOSAR system description, told apart by what is in it.
pub fn read_roster(path: &Path) -> Result<RosterFile, Failure> {
    let fits = [Seems::Roster, Seems::Arxml, Seems::Other("XML")];
    let text = read_text(path, "roster and no AUTOSAR system description (--roster)", &fits)?;
    let roster = roster_file::read(&text).map_err(|error| Failure::about(path, error))?;
    warn_of_twice(path, &roster);
    match roster.nodes.is_empty() && roster.lone.is_empty() {
        true => {
            Err(Failure::about(path, "it names no node and no message, so nothing is expected"))
        }
        false => Ok(roster),
    }
}

/// A roster file with its text, to be changed; a system description cannot be.
pub fn read_roster_text(path: &Path) -> Result<(String, RosterFile), Failure> {
    let fits = [Seems::Roster, Seems::Arxml, Seems::Other("XML")];
    let text = read_text(path, "roster", &fits)?;
    if roster_file::is_system_description(&text) {
        return Err(Failure::about(
            path,
            "a system description has its names already; this is for rosters of `lostnode learn`",
        ));
    }
    let roster = RosterFile::parse(&text).map_err(|error| Failure::about(path, error))?;
    warn_of_twice(path, &roster);
    Ok((text, roster))
}

fn warn_of_twice(path: &Path, roster: &RosterFile) {
    let told = roster.twice.iter().map(|own| format!("{}: {own}", path.display()));
    told.for_each(|own| eprintln!("lostnode: {}", plain(&own)));
}

/// When modules were unplugged.
pub fn read_unplugged(path: &Path) -> Result<Vec<Unplugging>, Failure> {
    let text = read_text(path, "file of times (--unplugged-file)", &[])?;
    Unplugging::file(&text).map_err(|error| Failure::about(path, error))
}

/// Writes a file in one step, so that one that is there is whole at any time. What is no file (a
/// pipe, a device, a link) is written through.
pub fn write_over(path: &Path, text: &str) -> Result<(), Failure> {
    let is_file = |found: fs::Metadata| found.is_file();
    let plain = fs::symlink_metadata(path).map_or(true, is_file);
    let folder = path.parent().unwrap_or(Path::new(""));
    match path.file_name().and_then(|name| name.to_str()).filter(|_| plain) {
        Some(name) => write_file(folder, name, |out| out.write_all(text.as_bytes())),
        None => fs::write(path, text).map_err(|error| Failure::writing(path, &error)),
    }
}

/// Writes one result under a temporary name and moves it into place, so that a broken run leaves no
/// half file.
pub fn write_file(
    folder: &Path,
    name: &str,
    render: impl FnOnce(&mut (dyn Write + Send)) -> std::io::Result<()>,
) -> Result<(), Failure> {
    let path = folder.join(name);
    // The process is in the name: two runs do not write into one file.
    let unfinished = folder.join(format!(".{name}.{}.unfinished", std::process::id()));
    let written = File::create(&unfinished).and_then(|file| {
        let mut out = BufWriter::new(file);
        render(&mut out)?;
        out.flush()?;
        fs::rename(&unfinished, &path)
    });
    written.map_err(|error| {
        let _ = fs::remove_file(&unfinished);
        Failure::writing(&path, &error)
    })
}

/// The file of marks that belongs to a capture: `drive.log` has `drive.log.marks`.
pub fn marks_beside(capture: &Path) -> PathBuf {
    let mut name = capture.as_os_str().to_owned();
    name.push(".marks");
    name.into()
}

/// Letters that a mark may have: it is to be read at a glance.
pub const MARK_LETTERS: usize = 120;

/// The text of a mark without blanks around it, or why it is none. It is shown on terminals and
/// pages and stands in files one to a line.
pub fn mark_text(text: &str) -> Result<&str, &'static str> {
    match text.trim() {
        "" => Err("empty"),
        text if has_unprinted(text) => Err("no control characters"),
        text if text.chars().count() > MARK_LETTERS => Err("too long"),
        text => Ok(text),
    }
}

/// A mark as a line of such a file: `1700000000.123456 pressing the harness at the step`.
pub fn mark_line(mark: &Mark) -> String {
    let microseconds = mark.time.div_euclid(1000);
    let (whole, fraction) = (microseconds / 1_000_000, microseconds % 1_000_000);
    format!("{whole}.{fraction:06} {}\n", mark.text)
}

/// A file of marks: a time in seconds as in the capture, and what was done then, one a line. Lines
/// that begin with `#` are notes.
pub fn read_marks(path: &Path) -> Result<Vec<Mark>, Failure> {
    let text = read_text(path, "file of marks (--marks)", &[])?;
    let lines = text.lines().enumerate().map(|(at, line)| (at + 1, line.trim()));
    let lines = lines.filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let mark = |line: &str| {
        let (time, text) = line.split_once(char::is_whitespace)?;
        let time = time.parse::<f64>().ok().filter(|time| time.is_finite() && *time >= 0.0)?;
        let time = (time * 1e6).round() * 1e3;
        // What was written by hand may be longer than a mark of a watch.
        let text = text.trim().replace('\t', " ");
        (time < i64::MAX as f64 && !has_unprinted(&text))
            .then_some(Mark { time: time as i64, text })
    };
    let example = "1700000000.5 pressing the harness at the step";
    lines
        .map(|(at, line)| {
            mark(line).ok_or_else(|| {
                Failure::about(path, format!("line {at}: no mark; one looks like: {example}"))
            })
        })
        .collect()
}
