//! From bytes to frames: opening, recognising, decompressing, cutting at line ends, parsing on
//! several cores.
//!
//! Frames come out in the order of the file, in batches, whatever the number of threads; so what is
//! folded from them does not depend on it either.

mod apart;
mod channels;
mod clock;
mod columns;
mod copies;
mod fill;
pub mod frame_table;
mod grouped;
mod hide;
mod input;
mod lines;
pub mod mdf;
mod measure;
mod mending;
mod packets;
mod parquet;
mod parsed;
mod pipeline;
pub(crate) mod plain;
mod pool;
mod seems;
pub mod several;
mod stamps;
mod text;
mod workers;
pub mod write_packets;

use std::fmt;
use std::io;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use lostnode_parsers::wire::Length;
use lostnode_parsers::{FdFrame, FrameKind, Timestamp};

use self::plain::plain;
pub use crate::ids::ChannelIndex;
pub use columns::Columns;
pub use grouped::{Group, Grouped, TimeSummary};
pub use hide::Hider;
pub use pipeline::{IN_FLIGHT, read, read_while};
pub(crate) use pool::lock;
pub use seems::Seems;

/// List capacities are rounded up to a multiple of this, so that a chunk with a few frames more
/// than the one before does not have its memory doubled and copied.
const ROUNDED: usize = 1024;

/// What a record holds; an FD frame is kept aside, so that the many others are small.
pub type Kind = FrameKind<Box<FdFrame>>;

/// One frame of a capture.
#[derive(Clone, Debug)]
pub struct Frame {
    /// Time stamp, `None` where the capture has none.
    pub time: Option<Timestamp>,
    /// Which channel it was heard on.
    pub channel: ChannelIndex,
    /// The frame itself.
    pub kind: Kind,
    /// Its exact length on the wire; zero for an error frame.
    pub length: Length,
}

impl Frame {
    /// When it was heard, in nanoseconds, where the capture says so; an error frame of the
    /// controller was not.
    #[inline]
    pub fn heard(&self) -> Option<i64> {
        match self.kind {
            FrameKind::Error(_) => None,
            _ => self.time.map(Timestamp::nanoseconds),
        }
    }
}

/// Consecutive frames of a capture and the channel names they point to.
#[derive(Debug, Default)]
pub struct Batch {
    /// Frames in the order of the file.
    pub frames: Vec<Frame>,
    /// All channels seen so far, in order of appearance.
    pub channels: Vec<String>,
    grouped: OnceLock<Grouped>,
}

impl Batch {
    /// Of frames and the channels that they point to.
    pub fn new(frames: Vec<Frame>, channels: Vec<String>) -> Self {
        Batch { frames, channels, grouped: OnceLock::new() }
    }

    /// The frames grouped by identifier: grouped now where they have not yet been, as
    /// [`Options::grouped`] has it done on several threads. Frames that are added later are not in
    /// it.
    ///
    /// ```
    /// use lostnode::capture::{self, Options, Source};
    /// let bytes = b"(1.000000) can0 123#\n(1.500000) can0 456#\n(2.000000) can0 123#\n".to_vec();
    /// let source = Source::Bytes { name: "example".into(), bytes };
    /// capture::read(source, &Options::default(), |batch| {
    ///     let groups: Vec<_> =
    ///         batch.grouped().iter().map(|group| (group.frames, group.times[0])).collect();
    ///     assert_eq!(groups, [(2, 1_000_000_000), (1, 1_500_000_000)]);
    /// })
    /// .unwrap();
    /// ```
    pub fn grouped(&self) -> &Grouped {
        self.grouped.get_or_init(|| Grouped::of(&self.frames, Grouped::default()))
    }

    /// The time stamps in short; `None` where a frame has none or is an error frame, and of no
    /// frames.
    ///
    /// ```
    /// use lostnode::capture::{self, Options, Source};
    /// let bytes = b"(1.000000) can0 123#\n(1.000003) can0 456#\n(1.000007) can0 123#\n".to_vec();
    /// let source = Source::Bytes { name: "example".into(), bytes };
    /// capture::read(source, &Options::default(), |batch| {
    ///     let times = batch.time_summary().unwrap();
    ///     assert_eq!((times.channel, times.last - times.first), (Some(0), 7000));
    ///     assert!((4000..8000).contains(&times.gap_bound));
    /// })
    /// .unwrap();
    /// ```
    pub fn time_summary(&self) -> Option<&TimeSummary> {
        self.grouped().time_summary()
    }
}

/// How the time stamps of console text, and of log text with fewer than ten digits of seconds, are
/// to be read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stamps {
    /// Decide from the first lines: stamps that keep falling back are relative ones.
    #[default]
    Auto,
    /// Each stamp is a time (of day, or counted from the start).
    Absolute,
    /// Each stamp is the time since the line before.
    Relative,
}

/// Is told how many bytes of the input have been taken so far, compressed ones as they lie there.
#[derive(Clone)]
pub struct Progress(Arc<dyn Fn(u64) + Send + Sync>);

impl Progress {
    /// Calls `tell` with the number of bytes.
    pub fn new(tell: impl Fn(u64) + Send + Sync + 'static) -> Self {
        Progress(Arc::new(tell))
    }
}

impl fmt::Debug for Progress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Progress")
    }
}

/// How to read a capture.
#[derive(Clone, Debug)]
pub struct Options {
    /// Meaning of the time stamps of console text, and of log text with fewer than ten digits of
    /// seconds.
    pub stamps: Stamps,
    /// Columns of a CSV capture; one that this tool wrote needs none.
    pub columns: Option<Columns>,
    /// Most threads that cut and parse, the caller's own among them; fewer are started where more
    /// would only wait. The result does not depend on it.
    pub threads: usize,
    /// Bytes of text per unit of work; the result does not depend on it.
    pub chunk: usize,
    /// Whether to group the frames of each batch by identifier ([`Batch::grouped`]) before it is
    /// handed on: on all threads at once, outside the order in which batches are.
    pub grouped: bool,
    /// Whether to hand on what has come at once instead of waiting for a whole chunk: for a stream
    /// that is watched while it comes. The result does not depend on it.
    pub at_once: bool,
    /// Channels that are known already, in their order: those of the files that this one goes on
    /// from.
    pub channels: Vec<String>,
    /// Told how far reading has come, for a display.
    pub progress: Option<Progress>,
}

/// Most threads that read one capture where nobody asked for a number: what is done on one thread
/// at a time leaves no work for more. A machine with 16 cores was slower with 16 threads than with
/// 8 (docs/performance.md).
pub const MOST_THREADS: usize = 8;

/// How many threads can run at once here.
pub fn processors() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

impl Default for Options {
    fn default() -> Self {
        Options {
            stamps: Stamps::Auto,
            columns: None,
            threads: processors().min(MOST_THREADS),
            chunk: 1 << 18,
            grouped: false,
            at_once: false,
            channels: Vec::new(),
            progress: None,
        }
    }
}

/// Where a capture comes from.
pub enum Source {
    /// A file, or standard input where the path is `-`.
    Path(PathBuf),
    /// Bytes in memory, for tests and examples.
    Bytes {
        /// Shown as the path.
        name: String,
        /// The capture as it would stand in a file.
        bytes: Vec<u8>,
    },
    /// Whatever else can be read.
    Reader {
        /// Shown as the path.
        name: String,
        /// Gives the capture as it would stand in a file.
        reader: Box<dyn io::Read + Send>,
    },
}

impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Source").field(&self.name()).finish()
    }
}

impl Source {
    /// What to call it in messages.
    pub fn name(&self) -> String {
        match self {
            Source::Path(path) => plain(&path.display().to_string()).into_owned(),
            Source::Bytes { name, .. } | Source::Reader { name, .. } => name.clone(),
        }
    }

    /// The same once more, where it can be read twice: a file, or bytes.
    pub fn again(&self) -> Option<Source> {
        match self {
            Source::Path(path) => {
                let is_input = path.as_os_str() == "-";
                path.metadata().ok().filter(|found| found.is_file() && !is_input)?;
                Some(Source::Path(path.clone()))
            }
            Source::Bytes { name, bytes } => {
                Some(Source::Bytes { name: name.clone(), bytes: bytes.clone() })
            }
            Source::Reader { .. } => None,
        }
    }
}

/// A line that was not a frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rejected {
    /// Line number from 1.
    pub line: u64,
    /// What was wrong with it and where in the line.
    pub reason: String,
}

/// A step of the logger's clock: all stamps behind it were shifted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockMend {
    /// What happened.
    pub step: ClockStep,
    /// The first frame behind it, as mended.
    pub at: Timestamp,
}

/// Why a clock steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ClockStep {
    /// A counter of 32 bits in microseconds began anew: nothing is lost.
    Wrapped,
    /// It was set; how long the pause there was is not known.
    SetBack {
        /// By so many nanoseconds.
        by: i64,
    },
    /// It was set ahead, by more than a recorder can have paused; how long the pause there was is
    /// not known.
    SetAhead {
        /// By so many nanoseconds.
        by: i64,
    },
    /// No step: a channel has a clock of its own, which was set to that of another.
    Apart {
        /// The channel.
        channel: ChannelIndex,
        /// The one whose clock was kept.
        against: ChannelIndex,
        /// How many nanoseconds its clock is ahead.
        ahead: i64,
    },
}

/// What became of one capture file.
#[derive(Clone, Debug, Default)]
pub struct Capture {
    /// Path as given.
    pub path: String,
    /// Text form and compression found, such as `log text, gzip`.
    pub format: String,
    /// Records that were frames, error frames among them.
    pub frames: u64,
    /// All lines that were not blank and not notes below an error frame.
    pub lines: u64,
    /// Lines that were no frames.
    pub rejected: u64,
    /// Records among them of something else than CAN, by their own word: packets of another
    /// protocol.
    pub foreign: u64,
    /// CAN XL frames, which are counted and not analysed; they are no rejected lines.
    pub xl: u64,
    /// The first of them, at most [`Capture::KEPT_REJECTIONS`].
    pub rejections: Vec<Rejected>,
    /// Time stamp of the first and of the last frame, earliest and latest; `None` without time
    /// stamps, and where they are no clock.
    pub span: Option<(Timestamp, Timestamp)>,
    /// Frames that were logged a second time, where nearly all were; they are no frames.
    pub copies: u64,
    /// Time stamps that are no time (before 1970 or after 2116), or lie far from those around
    /// them; such frames have the time of the frame before.
    pub strays: u64,
    /// Where the logger's clock stepped and was mended, in order of the file.
    pub clock: Vec<ClockMend>,
    /// How often the clock was set back, where that was so often, or so many stamps are stray, that
    /// it is no clock.
    pub no_clock: Option<u32>,
    /// Why reading ended before the end of the file, where it did (a damaged compressed stream).
    pub cut_short: Option<String>,
}

impl Capture {
    /// How many rejected lines are kept with their reason; the rest is counted.
    pub const KEPT_REJECTIONS: usize = 20;

    /// Whether so many stamps are stray that which are right cannot be told: more than a tenth, and
    /// more than a few.
    ///
    /// ```
    /// use lostnode::capture::Capture;
    /// let of = |strays, frames| Capture { strays, frames, ..Capture::default() }.is_astray();
    /// assert!(of(3000, 6000) && !of(300, 6000) && !of(2, 3));
    /// ```
    pub fn is_astray(&self) -> bool {
        self.strays > 10 && self.strays.saturating_mul(10) > self.frames
    }

    /// How many records were refused that should have been frames, where those are so many that
    /// what was read may not be what was recorded: more than a hundredth. One alone is how a
    /// recording ends that was stopped in the middle of a line.
    ///
    /// ```
    /// use lostnode::capture::Capture;
    /// let of = |rejected, lines| Capture { rejected, lines, ..Capture::default() }.refused();
    /// assert_eq!((of(30, 6000), of(3000, 6000), of(1, 50)), (None, Some(3000), None));
    /// ```
    pub fn refused(&self) -> Option<u64> {
        let refused = self.rejected.saturating_sub(self.foreign);
        (refused > 1 && refused.saturating_mul(100) > self.lines).then_some(refused)
    }
}

/// A capture that could not be read at all.
#[derive(Debug)]
pub struct Error {
    /// The capture's name.
    pub path: String,
    /// What was wrong and what to do about it.
    pub kind: ErrorKind,
}

/// The ways in which a capture cannot be read.
#[derive(Debug)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The file could not be opened or read.
    Io(io::Error),
    /// The file has no bytes.
    Empty,
    /// The columns that were named do not fit the first line.
    Columns(String),
    /// No record of it is a frame.
    NoFrames {
        /// What records of this form are called.
        unit: Unit,
        /// Records that were tried.
        count: u64,
        /// The first one with its reason.
        first: Option<Rejected>,
        /// Whether the columns of a table were named.
        columns: bool,
        /// What it seems to be instead, where that can be told.
        seems: Option<Seems>,
        /// It is a text of which nothing looks like traffic.
        beside: bool,
    },
}

/// What one record of a capture is called, and counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Of log text, console text or CSV.
    Line,
    /// Of a network capture.
    Packet,
    /// Of a Parquet table.
    Row,
    /// Of a measurement file.
    Record,
}

impl Unit {
    /// The word for one of them.
    pub fn word(self) -> &'static str {
        match self {
            Unit::Line => "line",
            Unit::Packet => "packet",
            Unit::Row => "row",
            Unit::Record => "record",
        }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.path, self.kind)
    }
}

impl Error {
    /// What was wrong, without the name of the capture.
    pub fn kind_text(&self) -> String {
        self.kind.to_string()
    }

    /// Whether it is certainly something else than a capture, as what lies beside captures is.
    pub fn is_no_capture(&self) -> bool {
        match &self.kind {
            ErrorKind::NoFrames { seems, beside, .. } => {
                *beside || seems.is_some_and(Seems::is_no_capture)
            }
            // What keeps a folder there, or marks one, is empty and hidden.
            ErrorKind::Empty => {
                let name = std::path::Path::new(&self.path).file_name();
                name.is_some_and(|name| name.as_encoded_bytes().starts_with(b"."))
            }
            _ => false,
        }
    }
}

impl fmt::Display for ErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ErrorKind::Io(error) => write!(f, "cannot be read: {error}"),
            ErrorKind::Empty => {
                f.write_str("the file is empty; was the recording stopped before any traffic?")
            }
            ErrorKind::Columns(what) => write!(f, "--columns does not fit: {what}"),
            ErrorKind::NoFrames { seems: Some(seems), .. } => {
                write!(f, "no capture that can be read: it seems to be {seems} ({READ})")
            }
            ErrorKind::NoFrames { unit, count, first, columns, seems: None, .. } => {
                let word = unit.word();
                match unit {
                    Unit::Line => write!(f, "none of its {count} lines is a frame")?,
                    _ => write!(f, "none of its {count} {word}s is a CAN frame")?,
                }
                if let Some(first) = first {
                    write!(f, " ({word} {}: {})", first.line, first.reason)?;
                }
                match unit {
                    Unit::Line if *columns => Ok(()),
                    Unit::Line => write!(f, "; {EXAMPLE}; {OTHERWISE} ({READ})"),
                    Unit::Packet => write!(f, "; {INTERFACE}"),
                    Unit::Row | Unit::Record => Ok(()),
                }
            }
        }
    }
}

/// What is read.
const READ: &str = "read are log text, console text, CSV with named columns, pcap, pcapng, bus \
                    logging of ASAM MDF 4 and Parquet of lostnode, plain, gzip or zstd: \
                    docs/formats.md";
/// What to do about a text without frames.
const EXAMPLE: &str = "a frame looks like: (1700000000.123456) can0 7E8#04410C1AF8000000";
const OTHERWISE: &str = "of a CSV file name the columns: --columns";
/// What to do about a network capture without frames.
const INTERFACE: &str = "was it recorded on a CAN interface, not on a network?";

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &self.kind {
            ErrorKind::Io(error) => Some(error),
            _ => None,
        }
    }
}
