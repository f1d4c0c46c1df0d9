//! Several files of one vehicle: in which order they were recorded, which of them are the same
//! twice, and whether one goes on from another.
//!
//! Of each file only the beginning is looked at, so that all of them can then be read one after
//! another, each once, as one stream.

use std::fs;
use std::io;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use lostnode_parsers::Timestamp;

use super::fill::fill;
use super::input::open;
use super::parsed::span;
use super::pipeline::read_while;
use super::{Error, ErrorKind, Options, Source};

/// A recorder that changes files closes one, which on a memory card takes it up to some seconds,
/// and opens the next (common practice, no source); whoever stops it and starts it by hand needs
/// as long, and the vehicle is still on the same drive. In nanoseconds.
const CHANGE: i64 = 10_000_000_000;
/// Channels of one recorder are out of step by some hundredths of a second, at the end of a file
/// as anywhere else. In nanoseconds.
const OUT_OF_STEP: i64 = 100_000_000;
/// Bytes of text looked at at a time for the first time stamp.
const LOOK: usize = 1 << 16;
/// Bytes compared at a time.
const BLOCK: usize = 64 << 10;

/// A file that is to be read, with its first time stamp.
#[derive(Clone, Debug)]
pub struct Part {
    /// The file.
    pub path: PathBuf,
    /// Its place among those that were named.
    pub named: usize,
    /// `None` where it has no time stamps.
    pub begin: Option<Timestamp>,
}

/// Files in the order in which they were recorded.
#[derive(Clone, Debug, Default)]
pub struct Order {
    /// Those to read. What has no time stamps comes last.
    pub parts: Vec<Part>,
    /// Files that hold the same as one of those, packed or not, and which.
    pub twice: Vec<(PathBuf, PathBuf)>,
}

/// The order in which files were recorded.
///
/// # Errors
/// Where one cannot be read, or holds no frame.
pub fn order(paths: &[PathBuf], options: &Options) -> Result<Order, Error> {
    let mut order = Order::default();
    for (named, path) in paths.iter().enumerate() {
        let told = |error| Error { path: path.display().to_string(), kind: ErrorKind::Io(error) };
        is_a_file(path).map_err(told)?;
        let begin = begin(path, options)?;
        // What begins at another time is not the same, so little is read twice.
        let mut alike = order.parts.iter().filter(|part| part.begin == begin);
        let same = |part: &&Part| same_contents(&part.path, path, options).unwrap_or(false);
        match alike.find(same).map(|part| part.path.clone()) {
            Some(known) => order.twice.push((path.clone(), known)),
            None => order.parts.push(Part { path: path.clone(), named, begin }),
        }
    }
    order.parts.sort_by_key(|part| (part.begin.is_none(), part.begin));
    Ok(order)
}

/// Whether a file that begins at one time goes on from one that ended at another.
///
/// ```
/// use lostnode::capture::several::goes_on;
/// use lostnode_parsers::Timestamp;
/// let at = |seconds: i64| Timestamp::from_nanoseconds(seconds * 1_000_000_000);
/// assert!(goes_on(at(100), at(101)) && !goes_on(at(100), at(3700)) && !goes_on(at(100), at(60)));
/// ```
pub fn goes_on(end: Timestamp, begin: Timestamp) -> bool {
    (-OUT_OF_STEP..=CHANGE).contains(&begin.since(end))
}

/// What is no file cannot be opened twice.
fn is_a_file(path: &Path) -> io::Result<()> {
    let what = "it is no file; of several captures each must be one, for it is opened twice";
    match path != Path::new("-") && fs::metadata(path)?.is_file() {
        true => Ok(()),
        false => Err(io::Error::new(io::ErrorKind::InvalidInput, what)),
    }
}

/// Whether two files hold the same bytes once they are unpacked.
fn same_contents(one: &Path, other: &Path, options: &Options) -> io::Result<bool> {
    let options = Options { progress: None, ..options.clone() };
    let read = |path: &Path| open(Source::Path(path.to_owned()), &options);
    let (mut one, mut other) = (read(one)?.reader, read(other)?.reader);
    let (mut own, mut others) = (vec![0; BLOCK], vec![0; BLOCK]);
    loop {
        let (left, failure) = fill(&mut one, &mut own);
        let (right, other_failure) = fill(&mut other, &mut others);
        if own[..left] != others[..right] || failure.is_some() || other_failure.is_some() {
            return Ok(false);
        }
        if left == 0 {
            return Ok(true);
        }
    }
}

/// The first time stamp of a file.
fn begin(path: &Path, options: &Options) -> Result<Option<Timestamp>, Error> {
    let looking =
        Options { threads: 1, chunk: LOOK, grouped: false, progress: None, ..options.clone() };
    let mut begin = None;
    read_while(Source::Path(path.to_owned()), &looking, |batch| {
        begin = span(&batch.frames).map(|(first, _)| first);
        if begin.is_some() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    Ok(begin)
}
