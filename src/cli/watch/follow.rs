//! A file that another program writes while it is read.

use std::fs::{File, Metadata};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::mpsc::SyncSender;

use super::source::Arrival;

/// A growing file: read to its end and beyond, through rotation and truncation.
pub(super) struct Follower {
    path: PathBuf,
    file: File,
    /// How far it has been read.
    at: u64,
    /// The last byte was no line end.
    within_line: bool,
}

impl Follower {
    /// From the beginning of the file: what is there already shows the periods.
    ///
    /// # Errors
    /// Where it cannot be opened.
    pub fn open(path: &Path) -> io::Result<Self> {
        Ok(Follower { path: path.to_owned(), file: File::open(path)?, at: 0, within_line: false })
    }

    /// What has been written since; nothing where nothing was.
    ///
    /// # Errors
    /// Where it cannot be read.
    pub fn read(&mut self, into: &mut [u8], notes: &SyncSender<Arrival>) -> io::Result<usize> {
        let length = self.file.read(into)?;
        if length > 0 {
            self.at += length as u64;
            self.within_line = into[length - 1] != b'\n';
            return Ok(length);
        }
        let say = |what: &str| {
            let path = self.path.display();
            let _ = notes.send(Arrival::Note(format!("{path}: {what}")));
        };
        if self.file.metadata()?.len() < self.at {
            say("was cut short; reading on from its beginning");
            self.file.seek(SeekFrom::Start(0))?;
            self.at = 0;
        } else if let Ok(other) = File::open(&self.path)
            && !same(&self.file.metadata()?, &other.metadata()?)
        {
            say("is a new file now; reading on from its beginning");
            (self.file, self.at) = (other, 0);
        } else {
            return Ok(0);
        }
        // What was left of a line does not go on in another file.
        if std::mem::take(&mut self.within_line) && !into.is_empty() {
            into[0] = b'\n';
            return Ok(1);
        }
        Ok(0)
    }
}

/// Whether it is one file under two handles.
#[cfg(unix)]
fn same(own: &Metadata, other: &Metadata) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    (own.dev(), own.ino()) == (other.dev(), other.ino())
}

/// Where files have no number, one that is shorter than before is another.
#[cfg(not(unix))]
fn same(own: &Metadata, other: &Metadata) -> bool {
    own.created().ok() == other.created().ok()
}
