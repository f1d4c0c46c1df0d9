//! Captures as JSON.

use schemars::JsonSchema;
use serde::Serialize;

use super::{ChannelJson, channel, names, time};
use crate::analysis::Analysis;
use crate::analysis::drives::Drive;

#[derive(JsonSchema, Serialize)]
pub(super) struct CaptureJson {
    path: String,
    format: String,
    frames: u64,
    xl_frames: u64,
    lines: u64,
    rejected_lines: u64,
    first_rejected: Option<RejectedJson>,
    start: Option<f64>,
    end: Option<f64>,
    out_of_order_frames: u64,
    stray_stamps: u64,
    copied_frames: u64,
    thinned: bool,
}

#[derive(JsonSchema, Serialize)]
struct RejectedJson {
    line: u64,
    reason: String,
}

pub(super) fn all(report: &Analysis) -> Vec<CaptureJson> {
    let capture = |drive: &Analysis, capture: &crate::capture::Capture| CaptureJson {
        path: capture.path.clone(),
        format: capture.format.clone(),
        frames: capture.frames,
        xl_frames: capture.xl,
        lines: capture.lines,
        rejected_lines: capture.rejected,
        first_rejected: capture
            .rejections
            .first()
            .map(|first| RejectedJson { line: first.line, reason: first.reason.clone() }),
        start: capture.span.map(|(start, _)| start.seconds()),
        end: capture.span.map(|(_, end)| end.seconds()),
        out_of_order_frames: drive.channels.iter().map(|channel| channel.out_of_order.0).sum(),
        stray_stamps: capture.strays,
        copied_frames: capture.copies,
        thinned: drive.channels.iter().any(|channel| channel.thinned.is_some()),
    };
    let of_drive = |drive: &Analysis| -> Vec<CaptureJson> {
        drive.captures.iter().map(|file| capture(drive, file)).collect()
    };
    report.each_drive().flat_map(of_drive).collect()
}

#[derive(JsonSchema, Serialize)]
pub(super) struct KeptOutJson {
    path: String,
    vin: String,
    vehicle_vin: String,
}

pub(super) fn kept_out(report: &Analysis) -> Vec<KeptOutJson> {
    let own = report.kept_out.iter().cloned();
    own.map(|own| KeptOutJson { path: own.path, vin: own.vin, vehicle_vin: own.vehicle }).collect()
}

#[derive(JsonSchema, Serialize)]
pub(super) struct DriveJson {
    captures: Vec<usize>,
    start: Option<f64>,
    end: Option<f64>,
    #[schemars(with = "names::Verdict")]
    verdict: &'static str,
    losses: usize,
    channels: Vec<ChannelJson>,
}

/// The drives, each with what belongs to its own time line; none where there is only one.
pub(super) fn drives(report: &Analysis) -> Vec<DriveJson> {
    let drive = |drive: &Drive| DriveJson {
        captures: drive.captures.clone().collect(),
        start: drive.analysis.span.map(|(begin, _)| time(begin)),
        end: drive.analysis.span.map(|(_, end)| time(end)),
        verdict: names::verdict(drive.analysis.verdict()),
        losses: drive.analysis.lost().count(),
        channels: drive.analysis.channels.iter().map(|own| channel(&drive.analysis, own)).collect(),
    };
    report.drives.iter().map(drive).collect()
}
