//! An invented truck: four units that send what trucks send every day.
#![allow(dead_code)] // each test file uses some of it

/// Four units with three groups each, of which the one at 0x0B is silent from one second to
/// another; and lone frames.
pub fn truck(seconds: f64, silent: (f64, f64), more: &[(f64, String)]) -> String {
    truck_without(seconds, &[0x0B], silent, more)
}

/// The same where all of these addresses are silent.
pub fn truck_without(
    seconds: f64,
    addresses: &[u32],
    silent: (f64, f64),
    more: &[(f64, String)],
) -> String {
    let mut frames: Vec<(f64, String)> = more.to_vec();
    for (at, address) in [0x00u32, 0x03, 0x0B, 0x17].into_iter().enumerate() {
        // Groups that trucks send every day, each from one unit here.
        let groups = [
            [0xF004, 0xFEEE, 0xFEEF],
            [0xF003, 0xFEF1, 0xFEF5],
            [0xF001, 0xFEBF, 0xFE6E],
            [0xFEE9, 0xFEF2, 0xFEF7],
        ][at];
        for (of, group) in groups.into_iter().enumerate() {
            let period = [0.02, 0.1, 0.5][of];
            let first = 0.0007 * (3 * at + of + 1) as f64;
            let mut time = first;
            while time < seconds {
                if !addresses.contains(&address) || !(silent.0..silent.1).contains(&time) {
                    let id = (if of == 0 { 3 } else { 6 }) << 26 | group << 8 | address;
                    frames.push((time, format!("{id:08X}#FFFFFFFFFFFFFFFF")));
                }
                time += period;
            }
        }
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lines: Vec<(f64, &str)> =
        frames.iter().map(|(time, frame)| (1_000.0 + time, frame.as_str())).collect();
    crate::common::log(&lines)
}

/// A message with a period, from one second to another.
pub fn every(period: f64, span: (f64, f64), frame: &str) -> Vec<(f64, String)> {
    let count = ((span.1 - span.0) / period) as usize;
    (0..count).map(|at| (span.0 + 0.0031 + period * at as f64, frame.to_owned())).collect()
}
