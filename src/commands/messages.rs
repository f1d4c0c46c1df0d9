//! `lostnode messages`: what testers and modules say to each other, message by message.

use std::io::{BufWriter, Write};
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use serde::Serialize;

use super::report::Reading;
use super::{Failure, NOTHING_LOST, progress};
use crate::capture::{self, Source};
use crate::diagnostics::{Carrier, Message, Transport, describe};
use crate::settings::Pair;

/// Print the diagnostic messages of a capture: requests, answers, codes, identification
#[derive(Args)]
#[command(after_help = "Example: lostnode messages samples/van-door.log.gz --format jsonl")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print messages: text, or one JSON object a line
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Identifiers that carry diagnosis, REQUEST:RESPONSE or REQUEST:RESPONSE:ADDRESSING, such as 6F1:612:extended
    #[arg(long, value_name = "PAIR")]
    pair: Vec<Pair>,
    /// Only messages of the diagnostic transport, not those of SAE J1939
    #[arg(long)]
    only_diagnostic: bool,
    #[command(flatten)]
    reading: Reading,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Format {
    Text,
    Jsonl,
}

/// One message as a JSON line; the field names are those of docs/diagnostics.md.
#[derive(Serialize)]
struct MessageJson<'a> {
    time: Option<f64>,
    channel: &'a str,
    id: String,
    from: String,
    to: String,
    carrier: &'static str,
    length: u32,
    data: String,
    incomplete: Option<&'static str>,
    text: String,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut out = BufWriter::with_capacity(64 << 10, std::io::stdout().lock());
    let mut transport = Transport::new(&arguments.pair);
    let mut failure: Option<std::io::Error> = None;
    let mut channels: Vec<String> = Vec::new();
    progress::begin(&arguments.capture);
    let source = Source::Path(arguments.capture.clone());
    let read = capture::read(source, &arguments.reading.options(), |batch| {
        channels.clone_from(&batch.channels);
        for frame in &batch.frames {
            transport.push(frame, &mut |message| {
                if failure.is_none() {
                    failure = print(arguments, message, &channels, &mut out).err();
                }
            });
        }
    });
    transport.finish(&mut |message| {
        if failure.is_none() {
            failure = print(arguments, message, &channels, &mut out).err();
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
    }
    Ok(NOTHING_LOST)
}

fn print(arguments: &Arguments, message: &Message<'_>, channels: &[String], out: &mut impl Write) -> std::io::Result<()> {
    if arguments.only_diagnostic && message.carrier != Carrier::IsoTp {
        return Ok(());
    }
    let channel = &channels[usize::from(message.channel)];
    match arguments.format {
        Format::Text => {
            let time = message.time.map_or_else(|| "-".to_owned(), |time| format!("{:.6}", time.seconds()));
            writeln!(out, "{time} {channel} {} > {}  {}", message.from, message.to, describe(message))
        }
        Format::Jsonl => {
            let json = MessageJson {
                time: message.time.map(lostnode_parsers::Timestamp::seconds),
                channel,
                id: crate::report::style::id_label(message.id),
                from: message.from.to_string(),
                to: message.to.to_string(),
                carrier: if message.carrier == Carrier::IsoTp { "ISO 15765-2" } else { "SAE J1939" },
                length: message.length,
                data: hex::encode_upper(message.data),
                incomplete: message.incomplete.map(|incomplete| incomplete.fault.text()),
                text: describe(message),
            };
            serde_json::to_writer(&mut *out, &json)?;
            writeln!(out)
        }
    }
}
