//! The captures that all figures are measured on: invented, the same on every machine.

use std::fmt::Write as _;

/// An xorshift generator (Marsaglia 2003): the traffic needs variety, not quality.
fn random() -> impl FnMut() -> f64 {
    let mut state = 0x1234_5678_9ABC_DEF0_u64;
    move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Log text of `frames` frames: 60 identifiers of 11 bits, 8 bytes each, periods of 10 to 500 ms
/// with a jitter of 1 %, and counters.
pub fn log(frames: usize) -> String {
    const PERIODS: [f64; 10] = [10.0, 20.0, 20.0, 50.0, 50.0, 100.0, 100.0, 100.0, 200.0, 500.0];
    let mut random = random();
    let mut due = std::collections::BinaryHeap::new();
    for id in 0..60_u32 {
        let period = PERIODS[id as usize % 10];
        due.push((std::cmp::Reverse((random() * period * 1000.0) as u64), id, 0_u32));
    }
    let mut out = String::with_capacity(frames * 46);
    for _ in 0..frames {
        let Some((std::cmp::Reverse(at), id, count)) = due.pop() else { break };
        let number = 0x100 + id * 13;
        let (slow, fast) = (count.wrapping_mul(7919) & 0xFF_FFFF, count & 0xFF_FFFF);
        let _ = writeln!(
            out,
            "({}.{:06}) can0 {number:03X}#{:02X}{:02X}{slow:06X}{fast:06X}",
            1_790_000_000 + at / 1_000_000,
            at % 1_000_000,
            count & 15,
            number & 255
        );
        let step = PERIODS[id as usize % 10] * 1000.0 * (1.0 + 0.02 * (random() - 0.5));
        due.push((std::cmp::Reverse(at + step as u64), id, count.wrapping_add(1)));
    }
    out
}

/// Log text of 100 s of so many senders of one message each that fall silent for 0.6 to 2.1 s now
/// and then, each by itself, and start anew, and of 20 that never do: each needs its own fault.
#[allow(dead_code, reason = "not every bench needs it")]
pub fn flickering(count: u32) -> String {
    const STEADY: u32 = 20;
    const END: f64 = 100.0;
    let mut random = random();
    let mut frames: Vec<(u64, u32, u8)> = Vec::new();
    for id in 0..count + STEADY {
        // Each has its own clock.
        let period = 0.05 * (1.0 + 2e-4 * (random() - 0.5));
        let (mut time, mut counter) = (random() * period, 0_u8);
        let mut next = if id < count { 2.0 + 30.0 * random() } else { END };
        while time < END {
            if time >= next && time < END - 4.0 {
                (time, counter) = (time + 0.6 + 1.5 * random(), 0);
                next = time + 5.0 + 30.0 * random();
            }
            let late = time + 0.001 * random();
            frames.push(((late * 1e6) as u64, 0x100 + 3 * id, counter));
            (time, counter) = (time + period, counter.wrapping_add(1));
        }
    }
    frames.sort_unstable();
    let mut out = String::new();
    for (time, id, counter) in frames {
        let (seconds, micros) = (1_790_000_000 + time / 1_000_000, time % 1_000_000);
        let _ = writeln!(out, "({seconds}.{micros:06}) can0 {id:03X}#{counter:02X}00000000000000");
    }
    out
}
