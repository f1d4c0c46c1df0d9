//! Losses that never were, cut out of real captures.

use std::io::Read;
use std::path::Path;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// The lines of a packed capture with their times and senders; `None` where it is not there.
pub fn lines(path: &Path) -> Option<Vec<(f64, String, String)>> {
    let mut text = String::new();
    let file = std::fs::File::open(path).ok()?;
    flate2::read::MultiGzDecoder::new(file).read_to_string(&mut text).ok()?;
    let line = |line: &str| {
        let time: f64 = line.strip_prefix('(')?.split(')').next()?.parse().ok()?;
        let (head, _) = line.split_once('#')?;
        let (front, id) = head.rsplit_once(' ')?;
        let channel = front.rsplit(' ').next()?;
        let sender = format!("{channel} {}", id.get(id.len().checked_sub(2)?..)?);
        Some((time, sender, line.to_owned()))
    };
    Some(text.lines().filter_map(line).collect())
}

/// The capture without what a sender sent in so many stretches of two to five seconds, at random
/// times that lie more than fifteen seconds apart. `beside` are senders who speak all through the
/// ten seconds around each: what stops while the key is turned off is no loss, and is not told as
/// one.
pub fn with_losses(
    lines: &[(f64, String, String)],
    sender: &str,
    beside: &[&str],
    count: usize,
    random: &mut ChaCha8Rng,
) -> Vec<u8> {
    let times = |sender: &str| -> Vec<f64> {
        lines.iter().filter(|(_, from, _)| from == sender).map(|(time, ..)| *time).collect()
    };
    let (own, beside) = (times(sender), beside.iter().map(|sender| times(sender)));
    let beside: Vec<Vec<f64>> = beside.collect();
    let (begin, end) = (own[0], own[own.len() - 1]);
    let speaks = |times: &[f64], from: f64, to: f64| {
        let first = times.partition_point(|time| *time < from);
        let within = times[first..].iter().take_while(|time| **time < to);
        let (gap, last) =
            within.fold((0.0_f64, from), |(gap, last), time| (gap.max(time - last), *time));
        gap.max(to - last) < 0.5
    };
    let mut cut: Vec<(f64, f64)> = Vec::new();
    while cut.len() < count {
        let from = random.random_range(begin + 10.0..end - 10.0);
        let to = from + random.random_range(2.0..5.0);
        let apart = cut.iter().all(|(other, _)| (other - from).abs() > 15.0);
        let around = |times: &Vec<f64>| speaks(times, from - 5.0, to + 5.0);
        if apart && around(&own) && beside.iter().all(around) {
            cut.push((from, to));
        }
    }
    let mut out = Vec::new();
    for (time, from, line) in lines {
        if from == sender && cut.iter().any(|(begin, end)| (*begin..*end).contains(time)) {
            continue;
        }
        out.extend_from_slice(line.as_bytes());
        out.push(b'\n');
    }
    out
}
