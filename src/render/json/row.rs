//! One capture in one row: what a folder of thousands is judged by.

use serde::{Deserialize, Serialize};

use crate::analysis::{Analysis, Scope};
use crate::fold::timing::seconds;
use crate::words::diagnosis::code_label;
use crate::words::fault::title;
use crate::words::terms::date;

/// The row of a capture. Missing values stay missing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// The capture, relative to the folder.
    pub path: String,
    /// `nothing lost`, `lost`, or `not read`.
    pub verdict: String,
    /// Why it was not read, or not to its end.
    pub reason: Option<String>,
    /// Date and time of the first frame, where stamps are a date.
    pub start: Option<String>,
    /// Seconds from the first frame to the last.
    pub span_s: Option<f64>,
    /// Frames.
    pub frames: u64,
    /// Lines that were no frames.
    pub rejected_lines: u64,
    /// Nodes that were heard.
    pub nodes: usize,
    /// Losses by scope.
    pub lost_identifiers: usize,
    /// … of whole nodes.
    pub lost_nodes: usize,
    /// … of several nodes together.
    pub lost_branches: usize,
    /// … of whole buses.
    pub lost_buses: usize,
    /// The node that was lost for longest in all, and for how many seconds.
    pub worst_node: Option<String>,
    /// Its seconds.
    pub worst_lost_s: Option<f64>,
    /// Nodes that were lost.
    pub lost: Vec<String>,
    /// Trouble codes there when last read.
    pub codes: Vec<String>,
    /// VIN of the vehicle.
    pub vin: Option<String>,
    /// Highest mean and peak load of a channel, 0 to 1.
    pub load_mean: Option<f64>,
    /// … its peak.
    pub load_peak: Option<f64>,
    /// The first finding that is a fault of the vehicle.
    pub finding: Option<String>,
    /// Its probability.
    pub probability: Option<f64>,
}

impl Row {
    /// The row of a capture that was read.
    pub fn of(path: String, report: &Analysis) -> Row {
        let count = |scope: Scope| report.lost().filter(|outage| outage.scope == scope).count();
        let mut lost: Vec<(String, f64)> = Vec::new();
        for outage in
            report.lost().filter(|outage| matches!(outage.scope, Scope::Node | Scope::Branch))
        {
            for node in &outage.nodes {
                let name = &report.nodes[*node].name;
                match lost.iter_mut().find(|(known, _)| known == name) {
                    Some(known) => known.1 += outage.duration(),
                    None => lost.push((name.clone(), outage.duration())),
                }
            }
        }
        let worst = lost.iter().max_by(|a, b| a.1.total_cmp(&b.1)).cloned();
        let loads: Vec<_> =
            report.channels.iter().filter_map(|channel| channel.load.as_ref()).collect();
        let highest = |values: Vec<f64>| values.into_iter().reduce(f64::max);
        let finding = report.ranked().iter().find(|finding| !finding.benign);
        let mut codes: Vec<String> = report
            .diagnosis
            .codes
            .iter()
            .filter(|code| code.gone.is_none())
            .map(|code| code_label(code.number))
            .collect();
        codes.sort();
        codes.dedup();
        Row {
            path,
            verdict: if report.lost().next().is_some() { "lost" } else { "nothing lost" }
                .to_owned(),
            reason: report.captures.iter().find_map(|capture| capture.cut_short.clone()),
            start: report.span.and_then(|(begin, _)| date(begin)),
            span_s: report.span.map(|(begin, end)| seconds(end - begin)),
            frames: report.captures.iter().map(|capture| capture.frames).sum(),
            rejected_lines: report.captures.iter().map(|capture| capture.rejected).sum(),
            nodes: report.nodes.iter().filter(|node| node.heard).count(),
            lost_identifiers: count(Scope::Identifier),
            lost_nodes: count(Scope::Node),
            lost_branches: count(Scope::Branch),
            lost_buses: count(Scope::Bus),
            worst_node: worst.as_ref().map(|(name, _)| name.clone()),
            worst_lost_s: worst.map(|(_, seconds)| seconds),
            lost: lost.into_iter().map(|(name, _)| name).collect(),
            codes,
            vin: report.diagnosis.vehicle.vin.clone(),
            load_mean: highest(loads.iter().map(|load| load.mean()).collect()),
            load_peak: highest(loads.iter().filter_map(|load| Some(load.peak()?.0)).collect()),
            finding: finding.map(|finding| title(report, finding)),
            probability: finding.map(|finding| finding.probability),
        }
    }

    /// The row of a capture that could not be read.
    pub fn unread(path: String, reason: String) -> Row {
        Row { path, verdict: "not read".to_owned(), reason: Some(reason), ..Row::default() }
    }
}
