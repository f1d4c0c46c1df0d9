//! What goes wrong, and the exceptions that it becomes.

use std::fmt::Display;

use lostnode::capture::{self, ErrorKind};
use pyo3::exceptions::{PyFileNotFoundError, PyPermissionError, PyRuntimeError};
use pyo3::prelude::*;

pyo3::create_exception!(
    lostnode,
    Error,
    pyo3::exceptions::PyException,
    "Something could not be read or written. `path` is the file, `reason` what is wrong with it, \
     `line` the line from 1 where the first thing is wrong, or None."
);
pyo3::create_exception!(lostnode, CaptureError, Error, "A capture cannot be read.");
pyo3::create_exception!(
    lostnode,
    InputError,
    Error,
    "A roster, wiring file, job file or scenario is not as it has to be."
);

/// Why there is no result.
pub enum Failure {
    /// A capture cannot be read.
    Capture(capture::Error),
    /// Another file is not as it has to be.
    Input { path: String, line: Option<u64>, reason: String },
    /// A capture ends early: a damaged packed file.
    CutShort { path: String, reason: String },
    /// Nobody wants it any more.
    Stopped,
    /// A defect of this package.
    Internal(String),
}

impl Failure {
    /// What is wrong with a file that is no capture.
    pub fn about(path: &str, reason: impl Display) -> Self {
        let reason = reason.to_string();
        Failure::Input { path: path.to_owned(), line: line_of(&reason), reason }
    }

    /// What should not happen.
    pub fn internal(error: impl Display) -> Self {
        Failure::Internal(error.to_string())
    }

    /// A part of the program that ended where it must not.
    pub fn panicked() -> Self {
        Failure::Internal("a defect of lostnode; please report it with the file".to_owned())
    }
}

/// The line that a reason begins with: `line 3: …`, as all readers of text files here say it.
fn line_of(reason: &str) -> Option<u64> {
    let rest = reason.split_once("line ")?.1;
    let digits = rest.split(|c: char| !c.is_ascii_digit()).next()?;
    digits.parse().ok()
}

impl From<lostnode::Error> for Failure {
    fn from(error: lostnode::Error) -> Self {
        match error {
            lostnode::Error::Capture(error) => Failure::Capture(error),
            lostnode::Error::Job(error) => Failure::about("readings", error),
            lostnode::Error::Wiring(error) => Failure::about("wiring", error),
        }
    }
}

impl From<capture::Error> for Failure {
    fn from(error: capture::Error) -> Self {
        Failure::Capture(error)
    }
}

impl From<Failure> for PyErr {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::Capture(error) => of_capture(&error),
            Failure::Input { path, line, reason } => {
                let told = format!("{path}: {reason}");
                with::<InputError>(told, &path, line, &reason)
            }
            Failure::CutShort { path, reason } => {
                with::<CaptureError>(format!("{path}: {reason}"), &path, None, &reason)
            }
            Failure::Stopped => PyRuntimeError::new_err("stopped"),
            Failure::Internal(reason) => PyRuntimeError::new_err(reason),
        }
    }
}

fn of_capture(error: &capture::Error) -> PyErr {
    let told = error.to_string();
    let line = match &error.kind {
        ErrorKind::Io(io) if io.kind() == std::io::ErrorKind::NotFound => {
            return PyFileNotFoundError::new_err(told);
        }
        ErrorKind::Io(io) if io.kind() == std::io::ErrorKind::PermissionDenied => {
            return PyPermissionError::new_err(told);
        }
        ErrorKind::NoFrames { first: Some(first), .. } => Some(first.line),
        _ => None,
    };
    with::<CaptureError>(told, &error.path, line, &error.kind_text())
}

fn with<T: pyo3::PyTypeInfo>(told: String, path: &str, line: Option<u64>, reason: &str) -> PyErr {
    let error = PyErr::new::<T, _>(told);
    Python::attach(|py| {
        let value = error.value(py);
        let set = value
            .setattr("path", path)
            .and_then(|()| value.setattr("line", line))
            .and_then(|()| value.setattr("reason", reason));
        // An exception without its particulars is better than none.
        set.ok();
    });
    error
}
