//! The live line: what the report would say of the recording so far, in one line.

use std::sync::Arc;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use lostnode_parsers::Timestamp;

use crate::analysis::Analysis;
use crate::capture::{Batch, Capture};
use crate::words::outage::who;
use crate::words::terms::duration;
use crate::{Analyser, Options};

/// The line is made anew this often at most.
const EVERY: Duration = Duration::from_secs(1);
/// … and it may take this share of the time.
const SHARE: u32 = 20;

pub(super) struct Live<'o> {
    analyser: Analyser<'o>,
    capture: Capture,
    bar: ProgressBar,
    begun: Instant,
    due: Instant,
}

impl<'o> Live<'o> {
    pub fn new(options: &'o Options) -> Self {
        // indicatif draws nothing where standard error is no terminal.
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(4));
        if let Ok(style) = ProgressStyle::with_template("{wide_msg}") {
            bar.set_style(style);
        }
        let now = Instant::now();
        Live {
            analyser: Analyser::new(options),
            capture: Capture::default(),
            bar,
            begun: now,
            due: now + EVERY,
        }
    }

    /// Frames taken so far.
    pub fn frames(&self) -> u64 {
        self.capture.frames
    }

    /// Folds what was heard.
    pub fn push(&mut self, batch: &Arc<Batch>) {
        self.capture.frames += batch.frames.len() as u64;
        for time in batch.frames.iter().filter_map(|frame| frame.time) {
            let (start, end) = self.capture.span.unwrap_or((time, time));
            self.capture.span = Some((start.min(time), end.max(time)));
        }
        self.analyser.push(batch);
    }

    /// Draws the line, where it is time and somebody sees it.
    pub fn show(&mut self, dropped: u64) {
        let begun = Instant::now();
        if begun < self.due || self.bar.is_hidden() {
            return;
        }
        let analysis = self.analyser.so_far(self.capture_until_now());
        self.bar.set_message(line(&analysis, self.begun.elapsed(), dropped));
        self.bar.tick();
        self.due = Instant::now() + EVERY.max(begun.elapsed() * SHARE);
    }

    /// The recording as if it ended now.
    fn capture_until_now(&self) -> Capture {
        let now = jiff::Timestamp::now().as_nanosecond();
        let now = Timestamp::from_nanoseconds(i64::try_from(now).unwrap_or(i64::MAX));
        Capture {
            span: self.capture.span.map(|(start, end)| (start, end.max(now))),
            ..self.capture.clone()
        }
    }

    /// A line that stays.
    pub fn say(&self, text: &str) {
        self.bar.suspend(|| eprintln!("lostnode: {text}"));
    }

    /// Removes the line.
    pub fn end(&self) {
        self.bar.finish_and_clear();
    }
}

/// Time, who is heard, load, drops, and who has just gone.
fn line(analysis: &Analysis, elapsed: Duration, dropped: u64) -> String {
    let nodes = analysis.nodes.iter().filter(|node| node.heard).count();
    let lone = analysis.identifiers.iter().filter(|id| id.node.is_none()).count();
    let load = analysis
        .channels
        .iter()
        .filter_map(|channel| Some(channel.load.as_ref()?.load.last().copied()? * 100.0));
    let load: Vec<String> = load.map(|load| format!("{load:.0} %")).collect();
    let frames: u64 = analysis.channels.iter().map(|channel| channel.frames).sum();
    let mut parts = vec![duration(elapsed.as_secs_f64())];
    // What has gone comes first: a narrow terminal cuts the end.
    let lost: Vec<_> = analysis.lost().filter(|outage| outage.ongoing).collect();
    if let Some(latest) = lost.last() {
        let more =
            if lost.len() > 1 { format!(" and {} more", lost.len() - 1) } else { String::new() };
        parts.push(format!(
            "silent: {} for {}{more}",
            who(analysis, latest),
            duration(latest.duration())
        ));
    }
    parts.push(format!("{frames} frames"));
    parts.push(format!("{nodes} node{}", if nodes == 1 { "" } else { "s" }));
    if lone > 0 {
        parts.push(format!("{lone} identifiers without a known node"));
    }
    parts.push(match load.is_empty() {
        true => "load unknown (--bit-rate)".to_owned(),
        false => format!("load {}", load.join(" ")),
    });
    if dropped > 0 {
        parts.push(format!("{dropped} dropped"));
    }
    parts.join(", ")
}
