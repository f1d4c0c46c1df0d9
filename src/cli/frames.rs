//! `lostnode frames`: the decoded frames as text or as a table, as they are read.

use std::io::{BufWriter, IsTerminal, Stdout, Write};
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use lostnode_parsers::candump;

use super::filter::Filter;
use super::options::{Identity, Reading};
use super::streaming::{Output, account, into_file, stream};
use super::{Failure, NOTHING_LOST, streaming};
use crate::capture::frame_table::{COLUMNS, cells};
use crate::capture::{Frame, mdf, write_packets};

/// Print the frames of a capture, filtered
#[derive(Args)]
#[command(
    after_help = "Example: lostnode frames samples/van-door.log.gz --id 3B0 --from 30 --to 40 \
     --format csv"
)]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to write frames: as log text, as a table (docs/tables.md), or as a capture in another
    /// format (docs/formats.md)
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    filter: Filter,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    reading: Reading,
}

/// How to write frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Log text, one line a frame
    Text,
    /// Comma-separated values
    Csv,
    /// One JSON object a line
    Jsonl,
    /// Apache Parquet, for a file or a pipe
    Parquet,
    /// pcap, one channel, for a file or a pipe
    Pcap,
    /// pcapng, for a file or a pipe
    Pcapng,
    /// Bus logging of ASAM MDF 4, for a file or a pipe
    Mdf4,
}

/// Where frames go.
enum Frames {
    Shown(Output<'static>),
    Packets(write_packets::Writer<BufWriter<Stdout>>),
    Measurement(mdf::write::Writer<BufWriter<Stdout>>),
}

impl Frames {
    fn new(format: Format) -> Result<Self, Failure> {
        let shown = |format| Output::new(format, &COLUMNS).map(Frames::Shown);
        let name = match format {
            Format::Text => return shown(streaming::Format::Text),
            Format::Csv => return shown(streaming::Format::Csv),
            Format::Jsonl => return shown(streaming::Format::Jsonl),
            Format::Parquet => return shown(streaming::Format::Parquet),
            Format::Pcap => "pcap",
            Format::Pcapng => "pcapng",
            Format::Mdf4 => "mdf4",
        };
        if std::io::stdout().is_terminal() {
            return Err(Failure::message(format!(
                "{name} is not for a terminal; write it into a file: … --format {name} > FILE"
            )));
        }
        let out = BufWriter::with_capacity(64 << 10, std::io::stdout());
        let form = match format {
            Format::Mdf4 => return Ok(Frames::Measurement(mdf::write::Writer::new(out))),
            Format::Pcap => write_packets::Form::Pcap,
            _ => write_packets::Form::Pcapng,
        };
        Ok(Frames::Packets(write_packets::Writer::new(form, out)))
    }

    fn put(&mut self, frame: &Frame, channel: &str) -> std::io::Result<()> {
        match self {
            Frames::Shown(out) => {
                out.put(|| cells(frame, channel), |out| line(frame, channel, out))
            }
            Frames::Packets(out) => out.put(frame.time, channel, &frame.kind),
            Frames::Measurement(out) => out.put(frame.time, channel, &frame.kind),
        }
    }

    fn finish(self) -> std::io::Result<()> {
        match self {
            Frames::Shown(out) => out.finish(),
            Frames::Packets(out) => out.finish(),
            Frames::Measurement(out) => out.finish(),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    arguments.filter.check()?;
    let (mut put, mut channels) = (0_u64, Vec::new());
    let mut out = Frames::new(arguments.format)?;
    let mut start = None;
    let mut hider = arguments.identity.hider();
    let capture = stream(&arguments.capture, &arguments.reading, into_file(), |batch| {
        for frame in &batch.frames {
            let mut hidden;
            let frame = match &mut hider {
                Some(hider) => {
                    hidden = frame.clone();
                    hider.hide(&mut hidden);
                    &hidden
                }
                None => frame,
            };
            start = start.or(frame.time);
            let channel = &batch.channels[usize::from(frame.channel)];
            if arguments.filter.wants(frame, channel, start) {
                put += 1;
                out.put(frame, channel)?;
            }
        }
        for channel in &batch.channels {
            if !channels.contains(channel) {
                channels.push(channel.clone());
            }
        }
        Ok(())
    })?;
    out.finish()?;
    if put == 0 && capture.frames > 0 {
        eprintln!("lostnode: {}", arguments.filter.nothing(&channels));
    }
    account(&capture)?;
    Ok(NOTHING_LOST)
}

fn line(frame: &Frame, channel: &str, out: &mut dyn Write) -> std::io::Result<()> {
    match frame.time {
        Some(time) => writeln!(out, "{}", candump::Line { time, channel, kind: &frame.kind }),
        None => writeln!(out, "{channel} {}", candump::Payload(&frame.kind)),
    }
}
