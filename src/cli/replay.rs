//! `lostnode replay`: the frames of a capture in their own time, as log text on standard output or
//! on CAN interfaces.

use std::collections::HashMap;
use std::io::{self, Write};
use std::path::PathBuf;
use std::thread::sleep;
use std::time::{Duration, Instant};

use clap::{Args, value_parser};
use lostnode_parsers::error::is_channel_name;
use lostnode_parsers::{FrameKind, Timestamp, candump};

use super::filter::Filter;
use super::options::{Identity, Reading, positive};
use super::streaming::{account, into_file, stream};
use super::{Failure, NOTHING_LOST};
use crate::capture::{Batch, Hider, Kind};
use crate::fault::advice;
use crate::interface::{self, Interface, Wiring};

/// Write the frames of a capture in real time, as log text or onto CAN interfaces
///
/// Each frame is written when it is due, counted from the first one. The timing error (median and
/// 99th percentile) is printed at the end. Without --send nothing is sent on a bus; with it, only
/// on virtual interfaces unless --allow-physical-bus is given. Frames on a real vehicle bus can
/// move things.
#[derive(Args)]
#[command(
    after_help = "Example: lostnode replay samples/van-door.log.gz --from 30 --to 34 --speed 2 \
     --onto can0:vcan0"
)]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How many times faster than it was recorded
    #[arg(long, value_name = "TIMES", default_value_t = 1.0, value_parser = positive)]
    speed: f64,
    /// Do not wait at all
    #[arg(long, conflicts_with = "speed")]
    no_wait: bool,
    /// How many times to play the capture; the time stamps run on from round to round
    #[arg(
        long,
        value_name = "TIMES",
        default_value_t = 1,
        value_parser = value_parser!(u64).range(1..)
    )]
    rounds: u64,
    /// Map a recorded channel to an interface or channel, such as can0:vcan0
    #[arg(long, value_name = "FROM:TO", value_parser = mapping)]
    onto: Vec<(String, String)>,
    /// Send each frame on the CAN interface with the same name as its channel (see --onto) instead
    /// of printing it
    #[arg(long)]
    send: bool,
    /// Also send on interfaces that are not virtual. Frames on a real vehicle bus can move things
    /// and set off airbags
    #[arg(long, requires = "send")]
    allow_physical_bus: bool,
    #[command(flatten)]
    filter: Filter,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    reading: Reading,
}

fn mapping(text: &str) -> Result<(String, String), String> {
    match text.split_once(':') {
        Some((from, to)) if is_channel_name(from.as_bytes()) && is_channel_name(to.as_bytes()) => {
            Ok((from.to_owned(), to.to_owned()))
        }
        _ => Err(format!(
            "`{text}` is not of the form can0:vcan0, with names of 1 to 31 printable characters"
        )),
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

/// Where frames go.
enum Way {
    Text(io::Stdout),
    Bus(Bus),
}

/// The interfaces that have been opened, by name.
struct Bus {
    open: HashMap<String, Interface>,
    allow_physical: bool,
    /// Error reports that were not sent: on a real bus they are nothing that can be.
    left_out: u64,
}

impl Bus {
    fn send(&mut self, name: &str, kind: &Kind) -> io::Result<()> {
        if !self.open.contains_key(name) {
            let told = |error: io::Error| {
                io::Error::new(error.kind(), format!("interface {name}: {error}"))
            };
            let interface = interface::open(name).map_err(told)?;
            if *interface.wiring() != Wiring::Virtual {
                if !self.allow_physical {
                    return Err(io::Error::new(
                        io::ErrorKind::PermissionDenied,
                        format!(
                            "interface {name} is not virtual, or the kernel does not say that it \
                             is; nothing was sent on it. {} If that is \
                             what you want: --allow-physical-bus. Otherwise name a virtual one: \
                             --onto {name}:vcan0",
                            advice::transmitting().text
                        ),
                    ));
                }
                eprintln!("lostnode: caution: {}", advice::transmitting().text);
            }
            self.open.insert(name.to_owned(), interface);
        }
        let Some(interface) = self.open.get(name) else { return Ok(()) };
        if matches!(kind, FrameKind::Error(_)) && *interface.wiring() != Wiring::Virtual {
            self.left_out += 1;
            return Ok(());
        }
        interface
            .send(kind)
            .map_err(|error| io::Error::new(error.kind(), format!("interface {name}: {error}")))
    }
}

struct Player<'a> {
    arguments: &'a Arguments,
    hider: Option<Hider>,
    way: Way,
    begun: Instant,
    /// First stamp of the capture, first and last stamp written, and what to add to stamps in this
    /// round.
    start: Option<Timestamp>,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    shift: i64,
    frames: u64,
    lateness: Lateness,
    /// What kept a frame from being sent: told as it is, since standard output has no part in it.
    refused: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    arguments.filter.check()?;
    let way = match arguments.send {
        true => Way::Bus(Bus {
            open: HashMap::new(),
            allow_physical: arguments.allow_physical_bus,
            left_out: 0,
        }),
        false => Way::Text(io::stdout()),
    };
    let mut player = Player {
        arguments,
        hider: None,
        way,
        begun: Instant::now(),
        start: None,
        first: None,
        last: None,
        shift: 0,
        frames: 0,
        lateness: Lateness::default(),
        refused: None,
    };
    for round in 0..arguments.rounds {
        if round > 0 {
            player.next_round();
        }
        // Messages do not go on from one round into the next.
        player.hider = arguments.identity.hider();
        let bar = arguments.send || into_file();
        let played =
            stream(&arguments.capture, &arguments.reading, bar, |batch| player.play(batch));
        if let Some(refused) = player.refused.take() {
            return Err(Failure::Message(refused));
        }
        let capture = played?;
        if let Way::Text(out) = &mut player.way {
            out.flush()?;
        }
        if round == 0 {
            account(&capture)?;
        }
    }
    player.tell();
    Ok(NOTHING_LOST)
}

impl Player<'_> {
    /// The next round begins a moment after the last frame, as if the capture had been recorded
    /// twice.
    fn next_round(&mut self) {
        if let (Some(first), Some(last)) = (self.first, self.last) {
            self.shift += last.since(first) + 1_000_000;
        }
    }

    /// How much was written, and how late.
    fn tell(&mut self) {
        let frames = self.frames;
        let verb = if self.arguments.send { "sent" } else { "written" };
        let milliseconds = |duration: Duration| duration.as_secs_f64() * 1e3;
        let (median, most) =
            (milliseconds(self.lateness.quantile(0.5)), milliseconds(self.lateness.quantile(0.99)));
        match self.arguments.no_wait {
            true => eprintln!("lostnode: {frames} frames {verb}"),
            false => eprintln!(
                "lostnode: {frames} frames {verb}; late by {median:.3} ms (median), {most:.3} ms \
                 (99 %)"
            ),
        }
        if let Way::Bus(Bus { left_out: left_out @ 1.., .. }) = self.way {
            eprintln!(
                "lostnode: {left_out} error reports of the controller are no frames and were not \
                 sent"
            );
        }
    }

    fn play(&mut self, batch: &Batch) -> io::Result<()> {
        for frame in &batch.frames {
            let mut hidden;
            let frame = match &mut self.hider {
                // Before frames are chosen: a message may have begun before them.
                Some(hider) => {
                    hidden = frame.clone();
                    hider.hide(&mut hidden);
                    &hidden
                }
                None => frame,
            };
            self.start = self.start.or(frame.time);
            let channel = &batch.channels[usize::from(frame.channel)];
            if !self.arguments.filter.wants(frame, channel, self.start) {
                continue;
            }
            let mapped = self
                .arguments
                .onto
                .iter()
                .find(|(from, _)| from == channel)
                .map_or(channel, |(_, to)| to);
            match frame.time {
                Some(time) => {
                    if self.first.is_none() {
                        self.first = Some(time);
                        self.begun = Instant::now();
                    }
                    self.last = self.last.max(Some(time));
                    let stamp =
                        Timestamp::from_nanoseconds(time.nanoseconds().saturating_add(self.shift));
                    self.wait(stamp)?;
                    self.put(Some(stamp), mapped, &frame.kind)?;
                }
                None => self.put(None, mapped, &frame.kind)?,
            }
            self.frames += 1;
        }
        Ok(())
    }

    /// Waits until a stamp is due; what is written already is handed on before.
    fn wait(&mut self, stamp: Timestamp) -> io::Result<()> {
        let Some(first) = self.first.filter(|_| !self.arguments.no_wait) else { return Ok(()) };
        let due = (stamp.since(first).max(0) as f64 / self.arguments.speed) as u64;
        let due = self.begun + Duration::from_nanos(due);
        let early = due.saturating_duration_since(Instant::now());
        if !early.is_zero() {
            if let Way::Text(out) = &mut self.way {
                out.flush()?;
            }
            sleep(early);
        }
        self.lateness.note(Instant::now().saturating_duration_since(due));
        Ok(())
    }

    fn put(&mut self, time: Option<Timestamp>, channel: &str, kind: &Kind) -> io::Result<()> {
        match (&mut self.way, time) {
            (Way::Text(out), Some(time)) => {
                writeln!(out, "{}", candump::Line { time, channel, kind })
            }
            (Way::Text(out), None) => writeln!(out, "{channel} {}", candump::Payload(kind)),
            (Way::Bus(bus), _) => {
                bus.send(channel, kind).inspect_err(|error| self.refused = Some(error.to_string()))
            }
        }
    }
}
