//! Opening and decompressing: what the first bytes say decides, not the name.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use super::fill::fill;
use super::lines::LONGEST_LINE;
use super::seems::LOOKED_AT;
use super::{Options, Progress, Source, lock};

/// An open capture: decompressed bytes and how they were packed.
pub(super) struct Input {
    pub reader: Box<dyn Read + Send>,
    pub packing: &'static str,
    /// Of what is packed, the bytes read so far as they lie there.
    pub packed: Option<Arc<AtomicU64>>,
    /// The first line, or the first bytes of what has no lines; `reader` begins with them.
    pub first: Vec<u8>,
    /// The first bytes that have been read so far, to tell what a file without frames is.
    pub head: Arc<Mutex<Vec<u8>>>,
}

const GZIP: [u8; 2] = [0x1F, 0x8B]; // RFC 1952, 2.3.1
const ZSTD: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD]; // RFC 8878, 3.1.1

const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

pub(super) fn open(source: Source, options: &Options) -> io::Result<Input> {
    let raw: Box<dyn Read + Send> = match source {
        Source::Bytes { bytes, .. } => Box::new(io::Cursor::new(bytes)),
        Source::Reader { reader, .. } => reader,
        Source::Path(path) if path == Path::new("-") => Box::new(io::stdin()),
        Source::Path(path) => {
            let file = File::open(&path)?;
            if file.metadata()?.is_dir() {
                return Err(io::Error::new(
                    io::ErrorKind::IsADirectory,
                    "it is a folder; name the captures in it",
                ));
            }
            Box::new(file)
        }
    };
    let total = Arc::default();
    let counted =
        Counted { inner: raw, total: Arc::clone(&total), progress: options.progress.clone() };
    let mut buffered = BufReader::with_capacity(32 << 10, counted);
    let mut head = [0; 4];
    let (length, failure) = fill(&mut buffered, &mut head);
    if let Some(error) = failure {
        return Err(error);
    }
    let whole = io::Cursor::new(head[..length].to_vec()).chain(buffered);
    let (reader, packing): (Box<dyn Read + Send>, &'static str) = match head {
        [a, b, ..] if [a, b] == GZIP && length >= 2 => {
            (Box::new(flate2::bufread::MultiGzDecoder::new(BufReader::new(whole))), "gzip")
        }
        ZSTD if length == 4 => (Box::new(zstd::stream::read::Decoder::new(whole)?), "zstd"),
        _ => (Box::new(whole), ""),
    };
    // What is in it, once it is unpacked; a damaged stream says so when it is read.
    let mut reader = BufReader::with_capacity(32 << 10, reader);
    let mut first = Vec::new();
    let mut failure = None;
    // The marks of binary forms have up to eight bytes, and one begins with a line end.
    while first.len() < 8 && failure.is_none() {
        match reader.by_ref().take(LONGEST_LINE as u64).read_until(b'\n', &mut first) {
            Ok(0) => break,
            Ok(_) => {}
            Err(error) => failure = Some(error),
        }
    }
    // A byte order mark is no part of the text (Unicode 16.0, 23.8).
    if first.starts_with(BYTE_ORDER_MARK) {
        first.drain(..BYTE_ORDER_MARK.len());
    }
    let begin = io::Cursor::new(first.clone());
    let reader: Box<dyn Read + Send> = match failure {
        Some(error) => Box::new(begin.chain(Failing(Some(error)))),
        None => Box::new(begin.chain(reader)),
    };
    let head = Arc::default();
    let reader = Box::new(Remembering { inner: reader, left: LOOKED_AT, head: Arc::clone(&head) });
    let packed = (!packing.is_empty()).then_some(total);
    Ok(Input { reader, packing, packed, first, head })
}

/// Keeps the first bytes that pass.
struct Remembering<R> {
    inner: R,
    left: usize,
    head: Arc<Mutex<Vec<u8>>>,
}

impl<R: Read> Read for Remembering<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        if self.left > 0 {
            let kept = read.min(self.left);
            self.left -= kept;
            lock(&self.head).extend_from_slice(&buffer[..kept]);
        }
        Ok(read)
    }
}

/// Gives an error that came too early in its place.
struct Failing(Option<io::Error>);

impl Read for Failing {
    fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
        self.0.take().map_or(Ok(0), Err)
    }
}

/// Tells how many bytes of the file have been taken, compressed ones as they lie there.
struct Counted<R> {
    inner: R,
    total: Arc<AtomicU64>,
    progress: Option<Progress>,
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        let total = self.total.fetch_add(read as u64, Ordering::Relaxed) + read as u64;
        if let Some(Progress(tell)) = &self.progress {
            tell(total);
        }
        Ok(read)
    }
}
