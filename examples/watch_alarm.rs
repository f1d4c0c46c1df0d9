//! How soon `lostnode watch` tells of a loss, and what it costs: docs/watch.md.
//!
//! `watch_alarm BINARY alarm [LOSSES]` pipes 20 invented nodes with 60 messages into it in real
//! time, stops one after another, and compares when the line came with when the node's last frame
//! went into the pipe. `watch_alarm BINARY load [SECONDS]` pipes eight full channels into it, and
//! `watch_alarm BINARY hour` an hour of eight channels as fast as it takes them.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::Value;

const NODES: usize = 20;
/// Periods of the three messages of a node, in milliseconds: those that vehicles use.
const PERIODS: [[u64; 3]; 4] = [[10, 20, 100], [20, 50, 100], [20, 100, 1000], [50, 100, 500]];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number =
        |default: f64| arguments.get(2).map_or(default, |text| text.parse().expect("a number"));
    let [binary, what, ..] = arguments.as_slice() else {
        eprintln!("watch_alarm BINARY alarm|load|hour [NUMBER]");
        std::process::exit(2);
    };
    println!("load of the machine (1, 5, 15 min): {}", read("/proc/loadavg").trim());
    match what.as_str() {
        "alarm" => alarm(binary, number(200.0) as usize),
        "load" => full(binary, number(30.0), true),
        _ => full(binary, number(3600.0), false),
    }
}

fn read(path: &str) -> String {
    std::fs::read_to_string(path).unwrap_or_default()
}

fn id(node: usize, message: usize) -> u64 {
    0x100 + (node * 3 + message) as u64 * 0x10
}

/// The roster of the invented vehicle, each time-out as five periods and at least 0.1 s.
fn roster() -> String {
    let mut out = String::new();
    for node in 0..NODES {
        write!(out, "[[node]]\nname = \"node {node}\"\nchannel = \"can0\"\nmessages = [\n")
            .unwrap();
        for (message, period) in PERIODS[node % 4].iter().enumerate() {
            let (period, id) = (*period as f64 / 1e3, id(node, message));
            let timeout = (5.0 * period).max(0.1);
            writeln!(out, "{{ id = \"0x{id:03X}\", period = {period}, timeout = {timeout} }},")
                .unwrap();
        }
        out += "]\n";
    }
    out
}

fn timeout(node: usize) -> f64 {
    (PERIODS[node % 4][0] as f64 * 5e-3).max(0.1)
}

fn start(binary: &str, arguments: &[&str]) -> (Child, Receiver<(Instant, String)>) {
    let mut child = Command::new(binary)
        .args(["watch", "-", "--format", "jsonl"])
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let (to, from) = channel();
    std::thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            let _ = to.send((Instant::now(), line));
        }
    });
    (child, from)
}

fn alarm(binary: &str, losses: usize) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("roster.toml");
    std::fs::write(&path, roster()).unwrap();
    let (mut child, lines) = start(binary, &["--roster", path.to_str().unwrap()]);
    let mut to = child.stdin.take().unwrap();
    let (epoch, begun) = (1_700_000_000.0, Instant::now());
    // One node stops every 0.7 s and is back 1.4 s later, after five seconds in which all send.
    let stop = |loss: usize| 5.0 + loss as f64 * 0.7;
    let end = stop(losses) + 2.0;
    let mut last: HashMap<usize, (f64, Instant)> = HashMap::new();
    let mut gone: Vec<(usize, f64, Instant)> = Vec::new();
    let mut told = 0;
    for millisecond in 0..(end * 1e3) as u64 {
        let time = millisecond as f64 / 1e3;
        let due = begun + Duration::from_millis(millisecond);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        let silent = |node: usize| {
            (0..losses).rev().find(|loss| stop(*loss) <= time).is_some_and(|latest| {
                (latest.saturating_sub(2)..=latest)
                    .any(|loss| loss % NODES == node && time < stop(loss) + 1.4)
            })
        };
        let mut text = String::new();
        let mut now_sent = Vec::new();
        for node in (0..NODES).filter(|node| !silent(*node)) {
            for (message, period) in PERIODS[node % 4].iter().enumerate() {
                // Each has its own phase.
                if (millisecond + id(node, message) / 16 * 7).is_multiple_of(*period) {
                    let id = id(node, message);
                    writeln!(text, "({:.6}) can0 {id:03X}#{:016X}", epoch + time, millisecond)
                        .unwrap();
                    now_sent.push(node);
                }
            }
        }
        if !text.is_empty() {
            to.write_all(text.as_bytes()).unwrap();
        }
        let now = Instant::now();
        last.extend(now_sent.into_iter().map(|node| (node, (time, now))));
        while told < losses && stop(told) <= time {
            let node = told % NODES;
            let (time, at) = last[&node];
            gone.push((node, epoch + time, at));
            told += 1;
        }
    }
    drop(to);
    child.wait().unwrap();
    let alarms: Vec<(Instant, Value)> = lines
        .iter()
        .map(|(at, line)| (at, serde_json::from_str::<Value>(&line).unwrap()))
        .filter(|(_, event)| event["event"] == "silent")
        .collect();
    let mut late: Vec<f64> = Vec::new();
    // By the stamps, and by when the writer, who may be late himself, wrote the last frame.
    let (mut missed, mut early, mut early_by_writer) = (0, 0, 0);
    for (node, since, at) in &gone {
        let own = alarms.iter().find(|(_, event)| {
            event["node"] == format!("node {node}")
                && (event["since"].as_f64().unwrap() - since).abs() < 1e-4
        });
        let Some((told, event)) = own else {
            missed += 1;
            continue;
        };
        let after = told.duration_since(*at).as_secs_f64() - timeout(*node);
        early += usize::from(event["for_s"].as_f64().unwrap() < timeout(*node));
        early_by_writer += usize::from(after < 0.0);
        late.push(after);
    }
    late.sort_by(f64::total_cmp);
    let at = |share: f64| late[((late.len() - 1) as f64 * share).round() as usize] * 1e3;
    let within = late.iter().filter(|late| **late <= 0.2).count();
    let of_none = alarms.len() - late.len();
    println!(
        "{} losses: {missed} not told, {early} before the time-out by the stamps \
         ({early_by_writer} by when the writer, who is late at times, wrote the last frame), \
         {within} within the time-out and 0.2 s; after the time-out by {:.1} ms (median), \
         {:.1} ms (99 %), {:.1} ms (most); {of_none} alarms of nothing",
        gone.len(),
        at(0.5),
        at(0.99),
        at(1.0),
    );
    println!("load of the machine afterwards: {}", read("/proc/loadavg").trim());
}

/// Seconds of a processor that a process has used, and its memory in kB.
fn used(id: u32) -> (f64, u64) {
    let stat = read(&format!("/proc/{id}/stat"));
    let behind = stat.rsplit(')').next().unwrap_or_default();
    let fields: Vec<f64> =
        behind.split_whitespace().map(|field| field.parse().unwrap_or(0.0)).collect();
    // Fields 14 and 15 of proc(5), in hundredths of a second.
    let ticks = fields.get(11).zip(fields.get(12)).map_or(0.0, |(user, system)| user + system);
    let status = read(&format!("/proc/{id}/status"));
    let memory = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    let memory = memory.and_then(|text| text.split_whitespace().next()?.parse().ok());
    (ticks / 100.0, memory.unwrap_or(0))
}

/// Eight channels with 8,000 frames a second each: 80 messages of 10 ms on each.
fn full(binary: &str, length: f64, in_time: bool) {
    let (mut child, lines) = start(binary, &["--bit-rate", "1000000"]);
    let mut to = child.stdin.take().unwrap();
    let begun = Instant::now();
    let (mut text, mut frames, mut warm) = (String::new(), 0_u64, None);
    let mut memory = Vec::new();
    for slice in 0..(length * 100.0) as u64 {
        text.clear();
        // Ten milliseconds: each message once, one every 125 us on its channel.
        for message in 0..80_u64 {
            for channel in 0..8 {
                let microseconds = slice * 10_000 + message * 125 + channel;
                writeln!(
                    text,
                    "({}.{:06}) can{channel} {:03X}#{:016X}",
                    1_700_000_000 + microseconds / 1_000_000,
                    microseconds % 1_000_000,
                    0x100 + message,
                    slice.wrapping_mul(0x9E37_79B9_7F4A_7C15),
                )
                .unwrap();
                frames += 1;
            }
        }
        to.write_all(text.as_bytes()).unwrap();
        if in_time {
            let due = begun + Duration::from_millis((slice + 1) * 10);
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
        }
        // What it learns at first is not what it costs to watch.
        if slice == 500 {
            warm = Some((Instant::now(), used(child.id()).0));
        }
        if slice % ((length * 100.0) as u64 / 6).max(1) == 0 {
            memory.push(used(child.id()).1 / 1024);
        }
    }
    let (processor, last) = used(child.id());
    memory.push(last / 1024);
    let late = begun.elapsed().as_secs_f64() - length;
    if let Some((at, before)) = warm {
        let share = (processor - before) / at.elapsed().as_secs_f64();
        println!("{:.1} % of one core", share * 100.0);
    }
    drop(to);
    child.wait().unwrap();
    let end = lines.iter().map(|(_, line)| line).last().unwrap_or_default();
    let end: Value = serde_json::from_str(&end).unwrap();
    println!(
        "{frames} frames written, {} read, {} dropped; {length} s of capture in {:.1} s; memory at \
         sixths of the time, MB: {memory:?}",
        end["frames"],
        end["dropped"],
        begun.elapsed().as_secs_f64(),
    );
    if in_time {
        println!("the writer was late by {late:.2} s at the end");
    }
    println!("load of the machine afterwards: {}", read("/proc/loadavg").trim());
}
