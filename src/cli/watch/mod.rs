//! `lostnode watch`: who falls silent, at the moment it happens.

mod bell;
mod board;
mod follow;
mod lines;
mod marks;
mod screen;
mod serve;
mod session;
mod show;
mod source;
mod stream;
mod teller;

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

use self::board::Board;
use self::serve::Page;
use self::session::Session;
use self::show::Wanted;
use self::source::{Arrival, From, Shared};
use self::teller::Teller;
use super::options::{
    Expected, Harness, Identity, Limits, RARELY, Reading, explaining, no_answer, positive,
};
use super::record::{Listener, advise};
use super::{Failure, exit_code, report, terminal_width};
use crate::Options;
use crate::analysis::Analysis;
use crate::capture::Capture;
use crate::interface::{self, Wiring};
use crate::render::Renderer;
use crate::render::text::Text;

/// Watch the bus and say at once which module falls silent and which is back
///
/// Ends with the whole report, also after Ctrl-C, a closed pipe or a kill signal. Exit codes are
/// those of `report`.
///
/// On the road, the driver drives and a passenger watches.
#[derive(Args)]
#[command(
    after_help = "Example: lostnode watch --replay samples/van-door.log.gz --speed 60 --quiet"
)]
pub struct Arguments {
    /// What to listen to: CAN interfaces such as can0 can1; or `-` for standard input, a pipe, or a
    /// file that another program is writing
    #[arg(required = true, value_name = "SOURCE")]
    sources: Vec<String>,
    /// The source is a finished capture: play it in its own time, for practice
    #[arg(long, conflicts_with = "save")]
    replay: bool,
    /// How many times faster than it was recorded
    #[arg(long, value_name = "TIMES", requires = "replay", default_value_t = 1.0,
        value_parser = positive)]
    speed: f64,
    /// Also save what is heard to this file, which must not exist yet
    #[arg(long, value_name = "FILE")]
    save: Option<PathBuf>,
    /// At the end, also write report.html, report.json and pictures into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Serve a page that shows and sounds all this on a phone, and takes marks
    ///
    /// Put this option after the sources. Without an address only this machine sees the page, to
    /// try it out. A phone needs the address of this machine in the phone's network, such as
    /// --serve 192.168.1.20; then everyone on that network can reach it, and the secret in its
    /// link, which is shown here and as a QR code, is all that keeps them out. It is plain HTTP:
    /// anyone who can read traffic on that network also has the link. Anyone with the link can see
    /// the page and set marks, nothing else.
    #[arg(long, value_name = "ADDRESS[:PORT]", num_args = 0..=1,
        default_missing_value = "127.0.0.1")]
    serve: Option<serve::Address>,
    /// How to report what happens
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// No bell
    #[arg(long)]
    quiet: bool,
    /// Plain lines instead of the screen, also on a terminal
    #[arg(long)]
    lines: bool,
    /// Draw the screen without block characters
    #[arg(long)]
    ascii: bool,
    /// Each line written to this file or named pipe is a mark: what is being done now
    #[arg(long, value_name = "FILE")]
    marks: Option<PathBuf>,
    /// Show a bit or a byte of a message as it is now, such as 3B0:2.4 or 3B0:2 (byte and bit from
    /// 0)
    #[arg(long, value_name = "ID:BYTE.BIT")]
    show: Vec<Wanted>,
    /// End after this many seconds
    #[arg(long = "for", value_name = "SECONDS", value_parser = positive)]
    duration: Option<f64>,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    harness: Harness,
    /// What was measured, tried and done on the vehicle, as a job file
    #[arg(long, value_name = "FILE")]
    readings: Option<PathBuf>,
    /// Changes to the numbers behind the findings (docs/findings.md)
    #[arg(long, value_name = "FILE", help_heading = RARELY)]
    knowledge: Option<PathBuf>,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    reading: Reading,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people: a line for each event, then the report
    Text,
    /// For programs: one JSON object a line (docs/json.md); the report only with --out
    Jsonl,
}

/// The longest wait before all is looked at again.
const TICK: Duration = Duration::from_millis(20);
/// Batches that wait to be folded.
const WAITING: usize = 256;

/// Runs the command.
///
/// # Errors
/// Where the source cannot be read or a result not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let stop = stopped_by_signals()?;
    let mut options = options(arguments)?;
    let from = source(arguments, &mut options)?;
    let (speed, name) = (from.speed(), from.name());
    let again = arguments.save.clone().or_else(|| from.file());
    let board = Arc::new(Board::default());
    let page = arguments.serve.map(|at| Page::serve(at, Arc::clone(&board))).transpose()?;
    page.iter().for_each(Page::invite);
    let (to, arrivals) = sync_channel(WAITING);
    let drops = Arc::new(AtomicU64::new(0));
    let shared = Shared { to, stop: Arc::clone(&stop), drops: Arc::clone(&drops) };
    let hider = arguments.identity.hider();
    let mut session = Session::new(&options, speed);
    let reading = options.reading.clone();
    source::start(from, reading, arguments.save.as_deref(), hider, shared)?;
    let mut teller = Teller::new(arguments, &board, &stop);
    if let Some(path) = &arguments.marks {
        marks::read(path.clone(), Arc::clone(&board));
    }
    let deadline = arguments.duration.map(Duration::from_secs_f64);
    let capture = listen(&mut session, &arrivals, &mut teller, &stop, deadline, &drops);
    session.end();
    let (marks, lines) = teller.finish(&mut session);
    // Results first: the reader of standard output may hang. Where the report itself goes there and
    // nowhere else, there is nothing better to do than to wait for him.
    let patient = arguments.format == Format::Text && arguments.out.is_none();
    // A replay that was broken off is not read to an end that nobody saw.
    let whole = arguments.save.is_some() || !stop.load(Ordering::Relaxed);
    let again = again.filter(|_| whole);
    let finished =
        capture.map_err(|error| Failure::Message(error.to_string())).and_then(|capture| {
            let analysis = session.finish(Capture { path: name, ..capture }, marks, again);
            let readings = arguments.readings.as_deref();
            let told = |error| no_answer(error, readings, &arguments.harness, &arguments.expected);
            let mut analysis = analysis.map_err(told)?;
            arguments.identity.hide(&mut analysis);
            if let Some(folder) = &arguments.out {
                report::written(folder, &analysis)?;
            }
            Ok(analysis)
        });
    let is_read = teller::finish(lines, patient);
    let analysis = finished?;
    if is_read && arguments.format == Format::Text {
        print(arguments, &analysis)?;
    }
    Ok(exit_code(&analysis))
}

/// Set by Ctrl-C and by signals to end; a second Ctrl-C ends at once.
fn stopped_by_signals() -> Result<Arc<AtomicBool>, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    let shut =
        signal_hook::flag::register_conditional_shutdown(SIGINT, 128 + SIGINT, Arc::clone(&stop));
    shut.map_err(Failure::message)?;
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        signal_hook::flag::register(signal, Arc::clone(&stop)).map_err(Failure::message)?;
    }
    Ok(stop)
}

fn options(arguments: &Arguments) -> Result<Options, Failure> {
    // What is named and may be wrong is told of before anything is listened to.
    let roster = arguments.expected.read()?;
    let (readings, knowledge) = (arguments.readings.as_deref(), arguments.knowledge.as_deref());
    let findings = Some(explaining(readings, knowledge, &arguments.harness)?);
    let mut options = Options {
        roster,
        findings,
        precursors: true,
        ..arguments.reading.analysis(&arguments.limits)
    };
    // A bus is slow: a second thread would cost more than it brings.
    options.reading.threads = 1;
    Ok(options)
}

/// What the arguments name: interfaces, or one other source.
fn source(arguments: &Arguments, options: &mut Options) -> Result<From, Failure> {
    let names = &arguments.sources;
    let path = |name: &String| PathBuf::from(name);
    match names.as_slice() {
        [name] if arguments.replay => Ok(From::Replay(path(name), arguments.speed)),
        [name] if name == "-" => Ok(From::Pipe(None)),
        [name] if Path::new(name).is_file() => Ok(From::Growing(path(name))),
        [name] if Path::new(name).exists() => Ok(From::Pipe(Some(path(name)))),
        _ if arguments.replay => Err(Failure::message("--replay plays one capture")),
        names => {
            let mut listeners = Vec::new();
            for name in names {
                if name == "-" || Path::new(name).exists() {
                    return Err(Failure::message(format!(
                        "{name}: several sources can only be interfaces; `lostnode report` reads \
                         several captures"
                    )));
                }
                let interface = interface::open(name).map_err(|error| {
                    Failure::Message(format!("{name}: no file, and no interface: {error}"))
                })?;
                advise(name, interface.wiring());
                if let Wiring::Physical { bit_rate: Some(rate), .. } = interface.wiring() {
                    options.settings.bit_rate.get_or_insert(*rate);
                }
                listeners.push((name.clone(), Listener::new(interface)));
            }
            Ok(From::Interfaces(listeners))
        }
    }
}

/// Takes what comes until nothing more does or the watch is over; the account of what was read.
fn listen(
    session: &mut Session<'_>,
    arrivals: &Receiver<Arrival>,
    teller: &mut Teller,
    stop: &AtomicBool,
    deadline: Option<Duration>,
    drops: &AtomicU64,
) -> Result<Capture, crate::capture::Error> {
    let begun = Instant::now();
    loop {
        if deadline.is_some_and(|most| begun.elapsed() >= most) {
            stop.store(true, Ordering::Relaxed);
        }
        let first = match arrivals.recv_timeout(TICK) {
            Ok(first) => Some(first),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => return Ok(Capture::default()),
        };
        // No more at once than is taken quickly: then all is looked at.
        for arrival in first.into_iter().chain(arrivals.try_iter().take(WAITING / 8)) {
            match arrival {
                Arrival::Frames(batch, arrived) => {
                    session.take(&batch, arrived);
                    teller.take(&batch);
                    teller.tell_due(session);
                }
                Arrival::Idle(at) => session.idle(at),
                Arrival::Note(text) => teller.note(&text),
                Arrival::Ended(capture) => return capture,
            }
        }
        session.watch.dropped(drops.load(Ordering::Relaxed));
        teller.take_marks(session);
        teller.tell_due(session);
    }
}

/// The report, as `report` gives it.
fn print(arguments: &Arguments, analysis: &Analysis) -> Result<(), Failure> {
    let mut out = BufWriter::new(anstream::AutoStream::auto(io::stdout()));
    Text { width: terminal_width(), page: arguments.out.is_some(), ..Text::default() }
        .render(analysis, &mut out)?;
    out.flush()?;
    Ok(())
}
