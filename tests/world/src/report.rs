//! Runs the tool on a case, and reads what it says: only what docs/json.md promises.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde::Deserialize;

use crate::case::Case;

/// Name of a case's roster.
const ROSTER: &str = "roster.toml";

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

/// Writes a case into a folder.
pub fn write(folder: &Path, case: &Case) -> Result<(), String> {
    std::fs::create_dir_all(folder).map_err(|error| error.to_string())?;
    let write = |name: &str, text: &str| -> Result<(), String> {
        std::fs::write(folder.join(name), text).map_err(|error| error.to_string())
    };
    let truth = serde_json::to_string_pretty(&case.truth).map_err(|error| error.to_string())?;
    write("truth.json", &truth)?;
    write("capture.log", &case.text)?;
    if let Some(roster) = &case.roster {
        return write(ROSTER, roster);
    }
    for (number, lesson) in case.lessons.iter().enumerate() {
        write(&format!("sound-{number}.log"), lesson)?;
    }
    Ok(())
}

/// Runs the tool on a case that is written: with the roster that lies there, or with one it learns
/// from the sound captures that do. What it learns and says is kept in another folder, or the same.
pub fn run(binary: &Path, folder: &Path, kept: &Path) -> Result<Report, String> {
    let lessons = lessons(folder).map_err(|error| error.to_string())?;
    let mut roster = folder.join(ROSTER);
    if !lessons.is_empty() {
        roster = kept.join(ROSTER);
        let mut learn = Command::new(binary);
        learn.arg("learn").arg("-o").arg(&roster).args(&lessons);
        let done = learn.output().map_err(|error| error.to_string())?;
        if !roster.exists() {
            return Err(format!("learn: {}", String::from_utf8_lossy(&done.stderr)));
        }
    }
    let mut command = Command::new(binary);
    command.arg("report").arg(folder.join("capture.log")).args(["--format", "json"]);
    if roster.exists() {
        command.arg("--roster").arg(roster);
    }
    let done = command.output().map_err(|error| error.to_string())?;
    std::fs::write(kept.join("report.json"), &done.stdout).map_err(|error| error.to_string())?;
    serde_json::from_slice(&done.stdout)
        .map_err(|error| format!("{error}: {}", String::from_utf8_lossy(&done.stderr)))
}

fn lessons(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if name.starts_with("sound-") && name.ends_with(".log") {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}
