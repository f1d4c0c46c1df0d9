//! `lostnode replay`: the frames of a capture as log text on standard output, in their own time.

use std::io::Write;
use std::path::PathBuf;
use std::thread::sleep;
use std::time::{Duration, Instant};

use clap::Args;
use lostnode_parsers::{Timestamp, candump};

use super::filter::Filter;
use super::report::{Reading, positive};
use super::{Failure, NOTHING_LOST};
use crate::capture::{self, Batch, Source};

/// Write the frames of a capture to standard output as log text, in real time
///
/// Each frame is written when it is due, counted from the first one. The timing error, median and 99 %, is told at the end. Nothing is sent on a bus.
/// Whoever passes the text on to one answers for it: frames on a real vehicle bus can move things.
#[derive(Args)]
#[command(after_help = "Example: lostnode replay samples/van-door.log.gz --from 30 --to 34 --speed 2 --map can0=vcan0")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How many times faster than it was recorded
    #[arg(long, value_name = "TIMES", default_value_t = 1.0, value_parser = positive)]
    speed: f64,
    /// Do not wait at all
    #[arg(long, conflicts_with = "speed")]
    no_wait: bool,
    /// How many times over; later rounds go on in time where the one before ended
    #[arg(long = "loop", value_name = "TIMES", default_value_t = 1)]
    rounds: u64,
    /// Another name for a channel, such as can0=vcan0
    #[arg(long, value_name = "FROM=TO", value_parser = mapping)]
    map: Vec<(String, String)>,
    #[command(flatten)]
    filter: Filter,
    #[command(flatten)]
    reading: Reading,
}

fn mapping(text: &str) -> Result<(String, String), String> {
    let plain = |name: &str| !name.is_empty() && name.len() <= 31 && name.bytes().all(|byte| byte.is_ascii_graphic());
    match text.split_once('=') {
        Some((from, to)) if plain(from) && plain(to) => Ok((from.to_owned(), to.to_owned())),
        _ => Err(format!("`{text}` is not of the form can0=vcan0, with names of 1 to 31 printable characters")),
    }
}

/// How late frames were written; every so many-th once there are many.
#[derive(Default)]
struct Lateness {
    kept: Vec<Duration>,
    stride: usize,
    skipped: usize,
}

impl Lateness {
    const KEPT: usize = 1 << 16;

    fn note(&mut self, late: Duration) {
        self.skipped += 1;
        if self.skipped < self.stride {
            return;
        }
        self.skipped = 0;
        self.kept.push(late);
        if self.kept.len() > Self::KEPT {
            self.kept = self.kept.iter().copied().step_by(2).collect();
            self.stride = self.stride.max(1) * 2;
        }
    }

    fn quantile(&mut self, share: f64) -> Duration {
        self.kept.sort_unstable();
        let at = ((self.kept.len() as f64 - 1.0) * share).round() as usize;
        self.kept.get(at).copied().unwrap_or_default()
    }
}

struct Player<'a> {
    arguments: &'a Arguments,
    begun: Instant,
    /// First stamp of the capture, first and last stamp written, and what to add to stamps in this round.
    start: Option<Timestamp>,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    shift: i64,
    frames: u64,
    lateness: Lateness,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut out = std::io::stdout().lock();
    let mut player = Player {
        arguments,
        begun: Instant::now(),
        start: None,
        first: None,
        last: None,
        shift: 0,
        frames: 0,
        lateness: Lateness::default(),
    };
    for round in 0..arguments.rounds {
        if round > 0 {
            player.next_round();
        }
        let mut failure = None;
        let source = Source::Path(arguments.capture.clone());
        let read = capture::read(source, &arguments.reading.options(), |batch| {
            if failure.is_none() {
                failure = player.play(batch, &mut out).err();
            }
        });
        if let Some(error) = failure {
            return Err(error.into());
        }
        out.flush()?;
        let capture = read.map_err(Failure::message)?;
        if capture.rejected > 0 && round == 0 {
            eprintln!("lostnode: {} of {} lines were no frames and are left out", capture.rejected, capture.lines);
        }
        if let Some(why) = capture.cut_short {
            return Err(Failure::Message(format!("{}: {why}", capture.path)));
        }
    }
    let milliseconds = |duration: Duration| duration.as_secs_f64() * 1e3;
    match arguments.no_wait {
        true => eprintln!("lostnode: {} frames written", player.frames),
        false => eprintln!(
            "lostnode: {} frames written; late by {:.3} ms (median), {:.3} ms (99 %)",
            player.frames,
            milliseconds(player.lateness.quantile(0.5)),
            milliseconds(player.lateness.quantile(0.99))
        ),
    }
    Ok(NOTHING_LOST)
}

impl Player<'_> {
    /// The next round begins a moment after the last frame, as if the capture had been recorded twice.
    fn next_round(&mut self) {
        if let (Some(first), Some(last)) = (self.first, self.last) {
            self.shift += last.since(first) + 1_000_000;
        }
    }

    fn play(&mut self, batch: &Batch, out: &mut impl Write) -> std::io::Result<()> {
        for frame in &batch.frames {
            self.start = self.start.or(frame.time);
            let channel = &batch.channels[usize::from(frame.channel)];
            if !self.arguments.filter.wants(frame, channel, self.start) {
                continue;
            }
            let mapped = self.arguments.map.iter().find(|(from, _)| from == channel).map_or(channel, |(_, to)| to);
            match frame.time {
                Some(time) => {
                    if self.first.is_none() {
                        self.first = Some(time);
                        self.begun = Instant::now();
                    }
                    self.last = self.last.max(Some(time));
                    let stamp = Timestamp::from_nanoseconds(time.nanoseconds().saturating_add(self.shift));
                    self.wait(stamp, out)?;
                    writeln!(out, "{}", candump::Line { time: stamp, channel: mapped, kind: &frame.kind })?;
                }
                None => writeln!(out, "{mapped} {}", candump::Payload(&frame.kind))?,
            }
            self.frames += 1;
        }
        Ok(())
    }

    /// Waits until a stamp is due; what is written already is handed on before.
    fn wait(&mut self, stamp: Timestamp, out: &mut impl Write) -> std::io::Result<()> {
        let Some(first) = self.first.filter(|_| !self.arguments.no_wait) else { return Ok(()) };
        let due = (stamp.since(first).max(0) as f64 / self.arguments.speed) as u64;
        let due = self.begun + Duration::from_nanos(due);
        let early = due.saturating_duration_since(Instant::now());
        if !early.is_zero() {
            out.flush()?;
            sleep(early);
        }
        self.lateness.note(Instant::now().saturating_duration_since(due));
        Ok(())
    }
}
