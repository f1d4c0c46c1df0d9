//! `lostnode frames`: the decoded frames as text or as a table, as they are read.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use lostnode_parsers::candump;

use super::filter::Filter;
use super::options::{Identity, Reading};
use super::streaming::{Format, Output, account, into_file, stream};
use super::{Failure, NOTHING_LOST};
use crate::capture::Frame;
use crate::capture::frame_table::{COLUMNS, cells};

/// Print the frames of a capture, filtered
#[derive(Args)]
#[command(
    after_help = "Example: lostnode frames samples/van-door.log.gz --id 3B0 --from 30 --to 40 \
     --format csv"
)]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print frames: as log text or as a table (docs/tables.md)
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    filter: Filter,
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
    arguments.filter.check()?;
    let (mut put, mut channels) = (0_u64, Vec::new());
    let mut out = Output::new(arguments.format, &COLUMNS)?;
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
                out.put(|| cells(frame, channel), |out| line(frame, channel, out))?;
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
