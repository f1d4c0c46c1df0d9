//! Captures as JSON.

use serde::Serialize;

use crate::analysis::Analysis;

#[derive(Serialize)]
pub(super) struct CaptureJson {
    path: String,
    format: String,
    frames: u64,
    rejected_lines: u64,
    first_rejected: Option<RejectedJson>,
    start: Option<f64>,
    end: Option<f64>,
    out_of_order_frames: u64,
    thinned: bool,
}

#[derive(Serialize)]
struct RejectedJson {
    line: u64,
    reason: String,
}

pub(super) fn all(report: &Analysis) -> Vec<CaptureJson> {
    let capture = |capture: &crate::capture::Capture| CaptureJson {
        path: capture.path.clone(),
        format: capture.format.clone(),
        frames: capture.frames,
        rejected_lines: capture.rejected,
        first_rejected: capture
            .rejections
            .first()
            .map(|first| RejectedJson { line: first.line, reason: first.reason.clone() }),
        start: capture.span.map(|(start, _)| start.seconds()),
        end: capture.span.map(|(_, end)| end.seconds()),
        out_of_order_frames: report.channels.iter().map(|channel| channel.out_of_order.0).sum(),
        thinned: report.channels.iter().any(|channel| channel.thinned.is_some()),
    };
    report.captures.iter().map(capture).collect()
}
