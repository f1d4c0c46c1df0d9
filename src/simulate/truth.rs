//! What really happened in a simulated capture.

use serde::{Deserialize, Serialize};

/// The ground truth beside a capture, written as JSON.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Truth {
    /// Title of the scenario.
    pub title: String,
    /// True: no real vehicle is behind it.
    pub invented: bool,
    /// Who sends what.
    pub nodes: Vec<TruthNode>,
    /// What went wrong.
    pub events: Vec<TruthEvent>,
}

/// A node as it was simulated.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TruthNode {
    /// Its name.
    pub name: String,
    /// Its channel.
    pub channel: String,
    /// Its identifiers, as in reports.
    pub ids: Vec<String>,
    /// Its clock.
    pub drift_ppm: f64,
}

/// One trouble as it happened.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TruthEvent {
    /// Kind as in the scenario.
    pub kind: String,
    /// Nodes that could not be heard.
    pub nodes: Vec<String>,
    /// Channel, where one is concerned.
    pub channel: Option<String>,
    /// Beginning, seconds since the epoch.
    pub start: f64,
    /// End; for nodes that start anew, without their time to start.
    pub end: f64,
}
