//! `lostnode record`: what CAN interfaces hear, as log text, with a live line on who is there and
//! who has just gone.

mod files;
mod listener;
mod live;

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::thread;
use std::time::{Duration, Instant};

use clap::Args;
use lostnode_parsers::wire;

pub(super) use self::files::Files;
pub(super) use self::listener::{Event, Listener};
use self::live::Live;
use super::options::{Identity, Limits, positive};
use super::{Failure, NOTHING_LOST};
use crate::Options;
use crate::capture::{self, Batch, Frame};
use crate::interface::{self, Wiring};

/// Record what CAN interfaces hear, as log text
///
/// Error reports and CAN FD frames are recorded too, with the kernel's time stamps. Frames dropped
/// by the kernel are counted and reported. Ends with Ctrl-C, or after --for. While it runs, a line
/// on the terminal shows which modules are heard, which have just gone silent, and the load.
///
/// Record in listen-only mode: a controller that only listens cannot disturb the bus, not even with
/// a wrong bit rate. For example: ip link set can0 up type can bitrate 500000 listen-only on
#[derive(Args)]
#[command(after_help = "Example: lostnode record can0 --out drive.log --rotate-minutes 30")]
pub struct Arguments {
    /// The interfaces, such as can0 can1
    #[arg(required = true)]
    interface: Vec<String>,
    /// Write to this file instead of standard output; it must not exist yet
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Begin a new file after this many megabytes: drive.log becomes drive-0001.log,
    /// drive-0002.log, …
    #[arg(long, value_name = "MB", requires = "out", value_parser = positive)]
    rotate_mb: Option<f64>,
    /// Begin a new file after this many minutes
    #[arg(long, value_name = "MINUTES", requires = "out", value_parser = positive)]
    rotate_minutes: Option<f64>,
    /// End after this many seconds
    #[arg(long = "for", value_name = "SECONDS", value_parser = positive)]
    duration: Option<f64>,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    limits: Limits,
}

/// How long to wait for frames before looking at the clock.
const TICK: Duration = Duration::from_millis(100);
/// Frames taken together.
const MOST_AT_ONCE: usize = 4096;

/// Runs the command.
///
/// # Errors
/// Where an interface cannot be opened or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(&stop)).map_err(Failure::message)?;
    }
    eprintln!(
        "lostnode: recording. While driving the driver drives and a second person watches this \
         line."
    );
    let mut settings = arguments.limits.settings();
    let mut listeners = Vec::new();
    for name in &arguments.interface {
        let interface = interface::open(name)
            .map_err(|error| Failure::Message(format!("interface {name}: {error}")))?;
        advise(name, interface.wiring());
        if let Wiring::Physical { bit_rate: Some(rate), .. } = interface.wiring() {
            settings.bit_rate.get_or_insert(*rate);
        }
        listeners.push(Listener::new(interface));
    }
    let mut files =
        Files::new(arguments.out.as_deref(), arguments.rotate_mb, arguments.rotate_minutes)?;
    // Frames come one by one: there is no text to cut and parse, and nothing to do beside.
    let reading = capture::Options { threads: 1, ..capture::Options::default() };
    let options = Options { reading, settings, roster: None, findings: None, precursors: false };
    let mut live = Live::new(&options);
    let mut hider = arguments.identity.hider();
    let (sender, events) = sync_channel(1 << 16);
    let begun = Instant::now();
    let ended = thread::scope(|scope| {
        for (channel, listener) in listeners.iter().enumerate() {
            let (sender, stop) = (sender.clone(), &stop);
            scope.spawn(move || listener.listen(channel as u16, stop, &sender));
        }
        drop(sender);
        let over = || {
            stop.load(Ordering::Relaxed)
                || arguments.duration.is_some_and(|most| begun.elapsed().as_secs_f64() >= most)
        };
        let mut record = || -> Result<(), Failure> {
            loop {
                let first = match events.recv_timeout(TICK) {
                    Ok(event) => Some(event),
                    Err(RecvTimeoutError::Timeout) => None,
                    // All listeners have ended, each with its reason.
                    Err(RecvTimeoutError::Disconnected) => return Ok(()),
                };
                let mut batch = Batch::new(Vec::new(), arguments.interface.clone());
                for event in first.into_iter().chain(events.try_iter().take(MOST_AT_ONCE)) {
                    match event {
                        Event::Heard(channel, time, kind) => {
                            let length = wire::length(&kind).unwrap_or_default();
                            let kind = kind.map_fd(Box::new);
                            let mut frame = Frame { time: Some(time), channel, kind, length };
                            if let Some(hider) = &mut hider {
                                hider.hide(&mut frame);
                            }
                            batch.frames.push(frame);
                        }
                        Event::Trouble(channel, what) => live.say(&format!(
                            "interface {}: {what}",
                            arguments.interface[usize::from(channel)]
                        )),
                    }
                }
                let batch = Arc::new(batch);
                files.write(&batch)?;
                live.push(&batch);
                live.show(listeners.iter().map(Listener::dropped).sum());
                if over() {
                    // The listeners hand over what the kernel still holds, and end.
                    stop.store(true, Ordering::Relaxed);
                }
            }
        };
        let ended = record();
        stop.store(true, Ordering::Relaxed);
        // Where it could not be written: so that no listener waits to hand over more.
        for _ in events.iter() {}
        ended
    });
    live.end();
    ended?;
    let names = files.finish()?;
    let dropped: u64 = listeners.iter().map(Listener::dropped).sum();
    eprintln!("lostnode: {} frames recorded, {dropped} dropped by the kernel", live.frames());
    let numbers = if hider.is_some() { "" } else { "the VIN, part numbers, " };
    eprintln!(
        "lostnode: a recording may hold {numbers}time and date, how the vehicle was driven, and \
         perhaps where: share it with care (lostnode frames --hide-identity)"
    );
    if let Some(name) = names.last() {
        eprintln!("lostnode: next: lostnode report {}", name.display());
    }
    Ok(NOTHING_LOST)
}

/// What to say of an interface before recording from it.
pub(super) fn advise(name: &str, wiring: &Wiring) {
    match wiring {
        Wiring::Virtual | Wiring::Physical { listen_only: Some(true), .. } => {}
        Wiring::Physical { .. } => eprintln!(
            "lostnode: interface {name} is not known to be in listen-only mode: it acknowledges \
             frames and can disturb the bus. Better: ip link set {name} down; ip link set \
             {name} up type can bitrate … listen-only on"
        ),
    }
    if let Wiring::Physical { error_reports: Some(false), .. } = wiring {
        eprintln!(
            "lostnode: interface {name} does not report errors on the bus, which tell a bad wire \
             or contact. To switch that on, where its driver can: ip link set {name} down; ip link \
             set {name} up type can bitrate … berr-reporting on"
        );
    }
}
