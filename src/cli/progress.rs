//! A progress bar on standard error for work that takes more than a second, where standard error is
//! a terminal.

use std::path::Path;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::capture::Source;

static BAR: OnceLock<(ProgressBar, Instant)> = OnceLock::new();

/// Reads a capture with a display.
pub fn during<T>(path: &Path, read: impl FnOnce(Source) -> T) -> T {
    begin(path);
    let done = read(Source::Path(path.to_owned()));
    end();
    done
}

/// Begins a progress display over the bytes of the file at `path`; of unknown length for standard
/// input.
fn begin(path: &Path) {
    let length = std::fs::metadata(path).ok().filter(|meta| meta.is_file()).map(|meta| meta.len());
    // indicatif draws nothing where standard error is no terminal.
    let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::stderr_with_hz(10));
    let template = if length.is_some() {
        "{bar:40} {bytes}/{total_bytes}, {eta} left"
    } else {
        "{spinner} {bytes} read"
    };
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    let _ = BAR.set((bar, Instant::now()));
}

/// Tells how many bytes have been read.
pub fn update(bytes: u64) {
    if let Some((bar, begun)) = BAR.get()
        && begun.elapsed() > Duration::from_secs(1)
    {
        bar.set_position(bytes);
    }
}

/// Removes the display.
fn end() {
    if let Some((bar, _)) = BAR.get() {
        bar.finish_and_clear();
    }
}
