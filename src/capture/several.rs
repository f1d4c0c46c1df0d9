//! Several files of one vehicle: in which order they were recorded, which of them are the same
//! twice, and whether one goes on from another.
//!
//! Of each file only the beginning is looked at, so that all of them can then be read one after
//! another, each once, as one stream.

use std::fs::{self, File};
use std::io;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use lostnode_parsers::Timestamp;

use super::fill::fill;
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
    /// Files that hold the same bytes as one of those, and which.
    pub twice: Vec<(PathBuf, PathBuf)>,
}

/// The order in which files were recorded.
///
/// # Errors
/// Where one cannot be read, or holds no frame.
pub fn order(paths: &[PathBuf], options: &Options) -> Result<Order, Error> {
    let mut order = Order::default();
    let mut lengths: Vec<u64> = Vec::new();
    for (named, path) in paths.iter().enumerate() {
        let told = |error| Error { path: path.display().to_string(), kind: ErrorKind::Io(error) };
        let length = length(path).map_err(told)?;
        let same = |at: &usize| lengths[*at] == length;
        let mut alike = (0..order.parts.len()).filter(same).map(|at| &order.parts[at].path);
        match alike
            .find_map(|known| same_bytes(known, path).map(|is| is.then_some(known)).transpose())
        {
            Some(Err(error)) => return Err(told(error)),
            Some(Ok(known)) => order.twice.push((path.clone(), known.clone())),
            None => {
                let begin = begin(path, options)?;
                order.parts.push(Part { path: path.clone(), named, begin });
                lengths.push(length);
            }
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
/// let at = |seconds| Timestamp::from_nanoseconds(seconds * 1_000_000_000);
/// assert!(goes_on(at(100), at(101)) && !goes_on(at(100), at(3700)) && !goes_on(at(100), at(60)));
/// ```
pub fn goes_on(end: Timestamp, begin: Timestamp) -> bool {
    (-OUT_OF_STEP..=CHANGE).contains(&begin.since(end))
}

/// Bytes of a file. What is none cannot be opened twice.
fn length(path: &Path) -> io::Result<u64> {
    let what = "it is no file; of several captures each must be one, for it is opened twice";
    let none = || Err(io::Error::new(io::ErrorKind::InvalidInput, what));
    if path == Path::new("-") {
        return none();
    }
    let meta = fs::metadata(path)?;
    if meta.is_file() { Ok(meta.len()) } else { none() }
}

fn same_bytes(one: &Path, other: &Path) -> io::Result<bool> {
    let (mut one, mut other) = (File::open(one)?, File::open(other)?);
    let (mut own, mut others) = (vec![0; BLOCK], vec![0; BLOCK]);
    let next = |file: &mut File, block: &mut [u8]| match fill(file, block) {
        (_, Some(error)) => Err(error),
        (length, None) => Ok(length),
    };
    loop {
        let (left, right) = (next(&mut one, &mut own)?, next(&mut other, &mut others)?);
        if own[..left] != others[..right] {
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
