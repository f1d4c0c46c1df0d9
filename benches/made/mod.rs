//! The capture that all figures are measured on: invented, the same on every machine.

use std::fmt::Write as _;

/// Log text of `frames` frames: 60 identifiers of 11 bits, 8 bytes each, periods of 10 to 500 ms
/// with a jitter of 1 %, and counters.
pub fn log(frames: usize) -> String {
    const PERIODS: [f64; 10] = [10.0, 20.0, 20.0, 50.0, 50.0, 100.0, 100.0, 100.0, 200.0, 500.0];
    let mut state = 0x1234_5678_9ABC_DEF0_u64;
    // An xorshift generator (Marsaglia 2003): the traffic needs variety, not quality.
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
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
