//! `lostnode messages`: what testers and modules say to each other, message by message.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::options::{Identity, Reading};
use super::streaming::{Format, Output, account, into_file, stream};
use super::{Failure, NOTHING_LOST};
use crate::fold::diagnostics::{Carrier, Message, Transport};
use crate::render::tables::{MESSAGES, message as cells};
use crate::settings::Pair;
use crate::words::messages::describe;

/// Print the diagnostic messages of a capture: requests, answers, codes, identification
#[derive(Args)]
#[command(after_help = "Example: lostnode messages samples/van-door.log.gz --format jsonl")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print messages: for people or as a table (docs/tables.md)
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Identifiers that carry diagnosis, REQUEST:RESPONSE or REQUEST:RESPONSE:ADDRESSING, such as
    /// 5C1:5D1:extended
    #[arg(long, value_name = "PAIR")]
    pair: Vec<Pair>,
    /// Only messages of the diagnostic transport, not those of SAE J1939
    #[arg(long)]
    only_diagnostic: bool,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    reading: Reading,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut out = Output::new(arguments.format, &MESSAGES)?;
    let mut transport = Transport::new(&arguments.pair);
    let mut channels: Vec<String> = Vec::new();
    let mut hider = arguments.identity.hider();
    let mut print = |message: &Message<'_>, channels: &[String]| -> std::io::Result<()> {
        if arguments.only_diagnostic && message.carrier != Carrier::IsoTp {
            return Ok(());
        }
        let channel = &channels[usize::from(message.channel)];
        out.put(|| cells(message, channel), |out| line(message, channel, out))
    };
    let capture = stream(&arguments.capture, &arguments.reading, into_file(), |batch| {
        channels.clone_from(&batch.channels);
        let mut written = Ok(());
        for frame in &batch.frames {
            let mut frame = frame.clone();
            if let Some(hider) = &mut hider {
                hider.hide(&mut frame);
            }
            transport.push(&frame, &mut |message| {
                if written.is_ok() {
                    written = print(message, &channels);
                }
            });
        }
        written
    })?;
    let mut written = Ok(());
    transport.finish(&mut |message| {
        if written.is_ok() {
            written = print(message, &channels);
        }
    });
    written?;
    out.finish()?;
    account(&capture)?;
    Ok(NOTHING_LOST)
}

fn line(message: &Message<'_>, channel: &str, out: &mut dyn Write) -> std::io::Result<()> {
    let time = message.time.map_or_else(|| "-".to_owned(), |time| format!("{:.6}", time.seconds()));
    writeln!(out, "{time} {channel} {} > {}  {}", message.from, message.to, describe(message))
}
