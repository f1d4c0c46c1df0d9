//! A progress bar on standard error for work that takes more than a second, where standard error is
//! a terminal.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::standard_input;
use crate::analysis::Analysis;
use crate::capture::{self, Progress, Source, several};
use crate::{Error, Options, Recordings};

/// Work that takes less than this shows no bar.
const PATIENCE: Duration = Duration::from_secs(1);

/// Reads and analyses a capture with a bar of its own.
///
/// # Errors
/// Where there is no answer.
pub fn analyse(path: &Path, options: &Options) -> Result<Analysis, Error> {
    during(path, &options.reading, true, |source, reading| {
        crate::analyse(source, &Options { reading, ..options.clone() })
    })
}

/// Reads and analyses one capture, or several of one vehicle, in order of time and not as they
/// were named.
///
/// # Errors
/// Where there is no answer.
pub fn analyse_all(paths: &[PathBuf], options: &Options) -> Result<Analysis, Error> {
    if let [path] = paths {
        return analyse(path, options);
    }
    recordings(paths, options)?.finish()
}

/// Reads and analyses captures of one vehicle, in order of time, each drive by itself. What is no
/// file, and so cannot be looked at before, is a drive by itself where it was named.
///
/// # Errors
/// Where one cannot be read.
pub fn drives(paths: &[PathBuf], options: &Options) -> Result<Vec<Analysis>, Error> {
    match paths.len() > 1 && paths.iter().all(|path| path.is_file()) {
        true => Ok(recordings(paths, options)?.drives()),
        false => paths.iter().map(|path| analyse(path, options)).collect(),
    }
}

fn recordings<'o>(paths: &[PathBuf], options: &'o Options) -> Result<Recordings<'o>, Error> {
    let several::Order { parts, twice } = several::order(paths, &options.reading)?;
    let mut recordings = Recordings::new(options);
    for part in &parts {
        during(&part.path, &options.reading, true, |source, reading| {
            recordings.read(source, part, &reading)
        })?;
    }
    let shown = |path: PathBuf| path.display().to_string();
    twice.into_iter().for_each(|(path, read)| recordings.leave_out(shown(path), shown(read)));
    Ok(recordings)
}

/// Reads a capture, with a bar of its own where one is wanted, which is gone afterwards.
pub fn during<T>(
    path: &Path,
    reading: &capture::Options,
    with_bar: bool,
    read: impl FnOnce(Source, capture::Options) -> T,
) -> T {
    let bar = if with_bar { bar(path) } else { ProgressBar::hidden() };
    let begun = Instant::now();
    let shown = bar.clone();
    let progress = Progress::new(move |bytes| {
        if begun.elapsed() > PATIENCE {
            shown.set_position(bytes);
        }
    });
    let reading = capture::Options { progress: Some(progress), ..reading.clone() };
    // Where Ctrl-C cannot be waited for it ends the program, as it always did.
    let input = (path == Path::new("-")).then(standard_input::open).and_then(Result::ok);
    let source = match input {
        Some(reader) => Source::Reader { name: path.display().to_string(), reader },
        None => Source::Path(path.to_owned()),
    };
    let done = read(source, reading);
    bar.finish_and_clear();
    done
}

/// A bar over the bytes of the file at `path`; of unknown length for standard input and pipes.
fn bar(path: &Path) -> ProgressBar {
    let length = std::fs::metadata(path).ok().filter(|meta| meta.is_file()).map(|meta| meta.len());
    // indicatif draws nothing where standard error is no terminal.
    let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::stderr_with_hz(10));
    let template = match length {
        Some(_) => "{bar:40} {bytes}/{total_bytes}, {eta} left",
        None => "{spinner} {bytes} read",
    };
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    bar
}
