//! Runs the tool on a case, and reads what it says: only what docs/json.md promises.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde::Deserialize;

use crate::case::Case;

/// A report, as far as it is scored.
#[derive(Debug, Default, Deserialize)]
pub struct Report {
    /// Senders.
    #[serde(default)]
    pub nodes: Vec<Sender>,
    /// Findings by rank.
    #[serde(default)]
    pub findings: Vec<Finding>,
    /// All tests in order.
    #[serde(default)]
    pub next_tests: Vec<Test>,
    /// Channels.
    #[serde(default)]
    pub channels: Vec<Channel>,
}

/// A sender.
#[derive(Debug, Deserialize)]
pub struct Sender {
    /// Name.
    pub name: String,
    /// Identifiers.
    #[serde(default)]
    pub ids: Vec<String>,
}

/// A finding.
#[derive(Debug, Deserialize)]
pub struct Finding {
    /// Rank from 1.
    pub rank: usize,
    /// Class of fault.
    #[serde(default)]
    pub class: String,
    /// Probability.
    pub probability: f64,
    /// What it was before it was held against how often findings like it were true.
    #[serde(default)]
    pub uncalibrated: f64,
    /// Names of its nodes.
    #[serde(default)]
    pub nodes: Vec<String>,
    /// No fault of the vehicle.
    #[serde(default)]
    pub benign: bool,
    /// What to be careful of.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Tests for it.
    #[serde(default)]
    pub next_tests: Vec<Test>,
}

/// A test.
#[derive(Clone, Debug, Deserialize)]
pub struct Test {
    /// Title.
    pub title: String,
    /// Minutes.
    #[serde(default)]
    pub minutes: f64,
    /// Ranks of the findings it is for.
    #[serde(default)]
    pub findings: Vec<usize>,
}

/// A channel.
#[derive(Debug, Deserialize)]
pub struct Channel {
    /// Name.
    pub name: String,
    /// Errors in order.
    #[serde(default)]
    pub error_events: Vec<ErrorEvent>,
}

/// An error.
#[derive(Debug, Deserialize)]
pub struct ErrorEvent {
    /// The identifier it destroyed, as the tool thinks.
    #[serde(default)]
    pub destroyed_id: Option<String>,
}

/// Writes a case into a folder and runs the tool on it.
pub fn run(binary: &Path, folder: &Path, case: &Case) -> Result<Report, String> {
    std::fs::create_dir_all(folder).map_err(|error| error.to_string())?;
    let write = |name: &str, text: &str| -> Result<PathBuf, String> {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|error| error.to_string())?;
        Ok(path)
    };
    let truth = serde_json::to_string_pretty(&case.truth).map_err(|error| error.to_string())?;
    write("truth.json", &truth)?;
    let capture = write("capture.log", &case.text)?;
    let mut command = Command::new(binary);
    command.arg("report").arg(&capture).args(["--format", "json"]);
    if let Some(roster) = &case.roster {
        command.arg("--roster").arg(write("roster.toml", roster)?);
    } else if !case.lessons.is_empty() {
        let mut learn = Command::new(binary);
        let roster = folder.join("roster.toml");
        learn.arg("learn").arg("-o").arg(&roster);
        for (number, lesson) in case.lessons.iter().enumerate() {
            learn.arg(write(&format!("sound-{number}.log"), lesson)?);
        }
        let done = learn.output().map_err(|error| error.to_string())?;
        if roster.exists() {
            command.arg("--roster").arg(roster);
        } else {
            return Err(format!("learn: {}", String::from_utf8_lossy(&done.stderr)));
        }
    }
    let done = command.output().map_err(|error| error.to_string())?;
    write("report.json", &String::from_utf8_lossy(&done.stdout))?;
    serde_json::from_slice(&done.stdout)
        .map_err(|error| format!("{error}: {}", String::from_utf8_lossy(&done.stderr)))
}
