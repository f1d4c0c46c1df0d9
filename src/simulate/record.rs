//! What the recorder makes of the frames that were on the bus.

use std::collections::VecDeque;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::Logged;
use super::scenario::{Cut, Delivers, Recorder, Scenario, Thin, WRAP};
use super::truth::TruthRecording;
use crate::fold::timing::{nanoseconds, seconds};

/// Time from one frame of a burst to the next, in nanoseconds: the host takes them from memory.
const HANDED_OVER: i64 = 1_500;

/// The frames as the recorder wrote them, and what it did to them.
pub(super) fn apply(
    scenario: &Scenario,
    recorder: &Recorder,
    mut frames: Vec<Logged>,
) -> (Vec<Logged>, TruthRecording) {
    let frames_on_bus = frames.len();
    let not_heard = not_heard(scenario, recorder);
    frames.retain(|frame| {
        !not_heard.iter().any(|(from, to)| (*from..*to).contains(&seconds(frame.time)))
    });
    let mut out = Vec::new();
    for channel in 0..scenario.channels.len() {
        let of_channel = frames.iter().filter(|frame| frame.channel == channel).copied();
        let seed = scenario.seed ^ 0x5245_434F_0000_0000 ^ channel as u64;
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let thinned = thin(recorder.thin, of_channel.collect(), &mut random);
        out.extend(deliver(recorder.delivers, thinned, &mut random));
    }
    out.sort_by_key(|frame| frame.time);
    let steps = steps(recorder);
    let start = nanoseconds(scenario.start);
    for frame in &mut out {
        let back: f64 =
            steps.iter().filter(|(at, _)| *at <= seconds(frame.time)).map(|(_, by)| by).sum();
        frame.time += nanoseconds(back);
        if let Some(step) = recorder.stamp_step.map(nanoseconds) {
            frame.time -= (start + frame.time).rem_euclid(step);
        }
    }
    let recording = TruthRecording {
        effects: effects(recorder),
        frames_on_bus,
        frames_written: out.len(),
        pauses: not_heard
            .iter()
            .map(|(from, to)| (scenario.start + from, scenario.start + to))
            .collect(),
        clock_steps: steps.iter().map(|(at, by)| (scenario.start + at, *by)).collect(),
    };
    (out, recording)
}

/// Times in which nothing was recorded, in seconds from the start.
fn not_heard(scenario: &Scenario, recorder: &Recorder) -> Vec<(f64, f64)> {
    let end = scenario.duration;
    let mut out: Vec<(f64, f64)> =
        recorder.pauses.iter().flat_map(|pauses| pauses.times(end)).collect();
    if let Some(Cut { from, lasts }) = recorder.cut {
        out.extend([(0.0, from), (from + lasts, end)].into_iter().filter(|(from, to)| from < to));
    }
    out.sort_by(|a, b| a.0.total_cmp(&b.0));
    out
}

/// When the clock steps and by how much, in seconds.
fn steps(recorder: &Recorder) -> Vec<(f64, f64)> {
    let wrap = recorder.wraps.map(|at| (at, -WRAP));
    let mut out: Vec<(f64, f64)> =
        wrap.into_iter().chain(recorder.set_back.map(|back| (back.at, -back.by))).collect();
    out.sort_by(|a, b| a.0.total_cmp(&b.0));
    out
}

fn effects(recorder: &Recorder) -> Vec<String> {
    let all = [
        ("pauses", recorder.pauses.is_some()),
        ("cut", recorder.cut.is_some()),
        ("thin", recorder.thin.is_some()),
        ("delivers", recorder.delivers.is_some()),
        ("wraps", recorder.wraps.is_some()),
        ("set_back", recorder.set_back.is_some()),
        ("stamp_step", recorder.stamp_step.is_some()),
        ("padded", recorder.padded),
    ];
    all.iter().filter(|(_, there)| *there).map(|(name, _)| (*name).to_owned()).collect()
}

/// Leaves frames out.
fn thin(how: Option<Thin>, frames: Vec<Logged>, random: &mut ChaCha8Rng) -> Vec<Logged> {
    match how {
        Some(Thin { keep: Some(keep), tick: Some(tick), .. }) => {
            mailboxes(&frames, keep, tick, random)
        }
        Some(Thin { every: Some(every), .. }) => frames.into_iter().step_by(every).collect(),
        Some(Thin { share: Some(share), .. }) => {
            frames.into_iter().filter(|_| random.random_bool(share)).collect()
        }
        _ => frames,
    }
}

/// A few mailboxes, read at each tick: what comes while they are full is lost.
fn mailboxes(frames: &[Logged], keep: usize, tick: f64, random: &mut ChaCha8Rng) -> Vec<Logged> {
    let mut out = Vec::new();
    for taken in frames.chunk_by(|a, b| turn(a.time, tick) == turn(b.time, tick)) {
        let read = read_at(turn(taken[0].time, tick), tick, random);
        out.extend(
            taken
                .iter()
                .take(keep)
                .zip(0..)
                .map(|(frame, place)| Logged { time: read + place * HANDED_OVER, ..*frame }),
        );
    }
    out
}

/// Hands frames over at each tick, late but all of them.
fn deliver(how: Option<Delivers>, frames: Vec<Logged>, random: &mut ChaCha8Rng) -> Vec<Logged> {
    let Some(Delivers { every, frames: most }) = how else { return frames };
    let mut waiting: VecDeque<Logged> = VecDeque::new();
    let mut out = Vec::with_capacity(frames.len());
    let mut frames = frames.into_iter().peekable();
    let mut now = 0;
    while !waiting.is_empty() || frames.peek().is_some() {
        if let (true, Some(next)) = (waiting.is_empty(), frames.peek()) {
            // Nothing to hand over until then.
            now = now.max(turn(next.time, every));
        }
        while let Some(frame) = frames.next_if(|frame| turn(frame.time, every) <= now) {
            waiting.push_back(frame);
        }
        let read = read_at(now, every, random);
        let count = most.unwrap_or(waiting.len()).min(waiting.len());
        for (frame, place) in waiting.drain(..count).zip(0..) {
            out.push(Logged { time: read + place * HANDED_OVER, ..frame });
        }
        now += 1;
    }
    out
}

/// In which tick a time lies.
fn turn(time: i64, tick: f64) -> i64 {
    (seconds(time) / tick).floor() as i64
}

/// When the host reads at the end of a tick: a little late by chance, as its other work allows.
fn read_at(turn: i64, tick: f64, random: &mut ChaCha8Rng) -> i64 {
    nanoseconds((turn as f64 + 1.0 + 0.05 * random.random::<f64>()) * tick)
}
