//! `lostnode frames`: the decoded frames as text, CSV or JSON lines, as they are read.

use std::io::{BufWriter, Write};
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use lostnode_parsers::frame::DisplayId;
use lostnode_parsers::{FrameKind, Id, Timestamp, candump};
use serde::Serialize;

use super::filter::Filter;
use super::report::Reading;
use super::{Failure, NOTHING_LOST, progress};
use crate::capture::{self, Batch, Frame, Source};

/// Print the frames of a capture, filtered
#[derive(Args)]
#[command(after_help = "Example: lostnode frames samples/van-door.log.gz --id 3B0 --from 30 --to 40 --format csv")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print frames: log text, CSV, or one JSON object a line
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    filter: Filter,
    #[command(flatten)]
    reading: Reading,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Format {
    Text,
    Csv,
    Jsonl,
}

/// One frame as a JSON line; the field names are those of docs/frames.md.
#[derive(Serialize)]
struct FrameJson<'a> {
    time: Option<f64>,
    channel: &'a str,
    kind: &'static str,
    id: Option<String>,
    extended: Option<bool>,
    dlc: Option<u8>,
    data: String,
    brs: Option<bool>,
    esi: Option<bool>,
    error_class: Option<String>,
    bits: u16,
}

const CSV_HEAD: &str = "time,channel,kind,id,extended,dlc,data,brs,esi,error_class,bits";

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut out = BufWriter::with_capacity(64 << 10, std::io::stdout().lock());
    if arguments.format == Format::Csv {
        writeln!(out, "{CSV_HEAD}")?;
    }
    let mut start = None;
    let mut failure = None;
    progress::begin(&arguments.capture);
    let source = Source::Path(arguments.capture.clone());
    let read = capture::read(source, &arguments.reading.options(), |batch| {
        if failure.is_none() {
            failure = print(arguments, batch, &mut start, &mut out).err();
        }
    });
    progress::end();
    if let Some(error) = failure {
        return Err(error.into());
    }
    out.flush()?;
    let capture = read.map_err(Failure::message)?;
    if capture.rejected > 0 {
        eprintln!("lostnode: {} of {} lines were no frames", capture.rejected, capture.lines);
        for rejected in &capture.rejections {
            eprintln!("  line {}: {}", rejected.line, rejected.reason);
        }
    }
    if let Some(why) = capture.cut_short {
        return Err(Failure::Message(format!("{}: {why}", capture.path)));
    }
    Ok(NOTHING_LOST)
}

fn print(arguments: &Arguments, batch: &Batch, start: &mut Option<Timestamp>, out: &mut impl Write) -> std::io::Result<()> {
    for frame in &batch.frames {
        if start.is_none() {
            *start = frame.time;
        }
        let channel = &batch.channels[usize::from(frame.channel)];
        if !arguments.filter.wants(frame, channel, *start) {
            continue;
        }
        match arguments.format {
            Format::Text => match frame.time {
                Some(time) => writeln!(out, "{}", candump::Line { time, channel, kind: &frame.kind })?,
                None => writeln!(out, "{channel} {}", candump::Payload(&frame.kind))?,
            },
            Format::Csv => csv(&json(frame, channel), frame.time, out)?,
            Format::Jsonl => {
                serde_json::to_writer(&mut *out, &json(frame, channel))?;
                writeln!(out)?;
            }
        }
    }
    Ok(())
}

fn json<'a>(frame: &Frame, channel: &'a str) -> FrameJson<'a> {
    let (kind, dlc, flags, error_class) = match &frame.kind {
        FrameKind::Classic(classic) if classic.is_remote() => ("remote", Some(classic.raw_dlc()), None, None),
        FrameKind::Classic(classic) => ("data", Some(classic.raw_dlc()), None, None),
        FrameKind::Fd(fd) => ("fd", Some(fd.dlc()), Some(fd.flags), None),
        FrameKind::Error(error) => ("error", None, None, Some(error.classes().collect::<Vec<_>>().join(" "))),
    };
    let id = frame.kind.id();
    FrameJson {
        time: frame.time.map(Timestamp::seconds),
        channel,
        kind,
        id: id.map(|id| format!("0x{}", DisplayId(id))),
        extended: id.map(|id| matches!(id, Id::Extended(_))),
        dlc,
        data: hex::encode_upper(frame.kind.bytes()),
        brs: flags.map(|flags| flags.brs),
        esi: flags.map(|flags| flags.esi),
        error_class,
        bits: frame.length.bits(),
    }
}

/// No field can hold a comma or a quotation mark: channel names with them are written in quotes.
fn csv(frame: &FrameJson<'_>, time: Option<Timestamp>, out: &mut impl Write) -> std::io::Result<()> {
    let time = time.map_or(String::new(), |time| {
        let (whole, fraction) = (time.nanoseconds().div_euclid(1_000_000_000), time.nanoseconds().rem_euclid(1_000_000_000));
        format!("{whole}.{:06}", fraction / 1000)
    });
    let channel = if frame.channel.contains([',', '"']) {
        format!("\"{}\"", frame.channel.replace('"', "\"\""))
    } else {
        frame.channel.to_owned()
    };
    let flag = |flag: Option<bool>| flag.map_or("", |on| if on { "true" } else { "false" });
    writeln!(
        out,
        "{time},{channel},{},{},{},{},{},{},{},{},{}",
        frame.kind,
        frame.id.as_deref().unwrap_or_default(),
        flag(frame.extended),
        frame.dlc.map_or(String::new(), |dlc| dlc.to_string()),
        frame.data,
        flag(frame.brs),
        flag(frame.esi),
        frame.error_class.as_deref().unwrap_or_default(),
        frame.bits
    )
}
