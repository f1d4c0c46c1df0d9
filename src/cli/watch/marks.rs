//! What is being done now, as somebody says it: by a key, by the page, or by a line in a file.

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read as _, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use super::board::Board;
use crate::analysis::marks::Mark;
use crate::cli::files::mark_line;
pub(super) use crate::cli::files::marks_beside as beside;

/// A file is looked at for new lines this often.
const EVERY: Duration = Duration::from_millis(50);

/// Takes each line that is written into a file or a named pipe from now on as a mark, on a thread
/// that ends with the program.
pub(super) fn read(path: PathBuf, board: Arc<Board>) {
    std::thread::spawn(move || {
        let mut first = true;
        loop {
            // Opening a pipe waits for somebody who writes; a file may come later.
            if let Ok(mut file) = File::open(&path) {
                let is_file = file.metadata().is_ok_and(|meta| meta.is_file());
                if is_file && std::mem::take(&mut first) {
                    // What stands there already was done before.
                    let _ = file.seek(SeekFrom::End(0));
                }
                lines(file, is_file, &board);
            }
            first = false;
            std::thread::sleep(EVERY);
        }
    });
}

fn lines(file: File, is_file: bool, board: &Board) {
    let mut reader = BufReader::new(file);
    let mut line = Vec::new();
    loop {
        // A line without end is none: what is longer than a mark may be is passed over.
        let read = reader.by_ref().take(4096).read_until(b'\n', &mut line);
        match read {
            Ok(0) | Err(_) if !is_file => return,
            Ok(0) | Err(_) => std::thread::sleep(EVERY),
            Ok(_) if line.ends_with(b"\n") || line.len() >= 4096 => {
                let _ = board.mark(&String::from_utf8_lossy(&line));
                line.clear();
            }
            Ok(_) => {}
        }
    }
}

/// The file beside a capture that holds its marks; made with the first of them.
pub(super) struct SideFile {
    path: PathBuf,
    file: Option<File>,
}

impl SideFile {
    pub fn new(path: PathBuf) -> Self {
        SideFile { path, file: None }
    }

    /// Adds a mark, at once: it would be lost with a pulled plug.
    pub fn put(&mut self, mark: &Mark) -> Result<(), String> {
        let told = |path: &Path, error| format!("{}: cannot be written: {error}", path.display());
        if self.file.is_none() {
            let file = OpenOptions::new().append(true).create(true).open(&self.path);
            self.file = Some(file.map_err(|error| told(&self.path, error))?);
        }
        let Some(file) = &mut self.file else { return Ok(()) };
        file.write_all(mark_line(mark).as_bytes()).map_err(|error| told(&self.path, error))
    }
}
