//! Whether the engine runs, where a standard says so: then a key-off is known for what it is.

use lostnode_parsers::Id;
use lostnode_parsers::j1939;

use crate::capture::{Batch, ChannelIndex, Group};
use crate::fold::timing::Nanoseconds;

/// The engine runs above this many revolutions a minute: below the slowest idle, above what a
/// starter turns (common practice, no source) …
const RUNS: f64 = 300.0;
/// … and has stopped below this many, so that a slow crank is not several starts.
const STOPPED: f64 = 200.0;

/// Electronic engine controller 1 (SAE J1939-71).
const ENGINE_CONTROLLER: u32 = 0xF004;

/// When the engine started and stopped.
#[derive(Clone, Debug, Default)]
pub struct Engine {
    /// From when on it runs or not, each unlike the one before it, in order of time.
    changes: Vec<(Nanoseconds, bool)>,
    /// Who tells: the first identifier that showed a running engine. A second engine, or a second
    /// module that answers a tester, would be taken for starts and stops of the first.
    teller: Option<(ChannelIndex, Id)>,
}

impl Engine {
    /// Most changes that are kept: a day of deliveries.
    pub const KEPT: usize = 512;

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        for group in batch.grouped().iter() {
            let here = (group.channel, group.id);
            if let Some(speed) = speed_of(group.id)
                && self.teller.is_none_or(|teller| teller == here)
            {
                self.push_group(batch, group, speed);
            }
        }
    }

    fn push_group(&mut self, batch: &Batch, group: Group<'_>, speed: Speed) {
        let here = (group.channel, group.id);
        for (time, position) in group.times.iter().zip(group.positions) {
            let (payload, length) = batch.frames[*position as usize].kind.first_eight();
            let Some(speed) = speed(&payload[..length.min(8)]) else { continue };
            let runs = match self.changes.last() {
                Some((_, true)) => speed > STOPPED,
                Some((_, false)) => speed > RUNS,
                None => speed > STOPPED,
            };
            let (last, before) = self
                .changes
                .last()
                .map_or((Nanoseconds::MIN, !runs), |(time, runs)| (*time, *runs));
            if self.teller.is_none() {
                if !runs {
                    continue;
                }
                self.teller = Some(here);
            }
            if runs != before && *time >= last && self.changes.len() < Self::KEPT {
                self.changes.push((*time, runs));
            }
        }
    }

    /// Times in which it stood after it had run: from the stop to the next start, or to the end of
    /// time.
    pub fn stops(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds)> + '_ {
        // What came after the last that was kept is not known.
        let known = self.changes.len().min(Self::KEPT - 1);
        self.changes.iter().enumerate().take(known).skip(1).filter(|(_, (_, runs))| !runs).map(
            |(at, stop)| {
                (stop.0, self.changes.get(at + 1).map_or(Nanoseconds::MAX, |start| start.0))
            },
        )
    }
}

/// Reads revolutions a minute from the data of a frame, where they are there.
type Speed = fn(&[u8]) -> Option<f64>;

/// How an identifier tells the speed of the engine, if it does.
fn speed_of(id: Id) -> Option<Speed> {
    match id {
        Id::Extended(id) if j1939::Fields::of(id).pgn == ENGINE_CONTROLLER => Some(of_j1939),
        // Answers to a tester (ISO 15765-4, 6.3.2.2).
        Id::Standard(id) if (0x7E8..=0x7EF).contains(&id.as_raw()) => Some(of_obd),
        _ => None,
    }
}

/// Engine speed (SPN 190): bytes 4 and 5, 0.125 revolutions a minute a bit; above 0xFAFF it is not
/// a value (SAE J1939-71).
fn of_j1939(data: &[u8]) -> Option<f64> {
    let raw = u16::from_le_bytes([*data.get(3)?, *data.get(4)?]);
    (raw <= 0xFAFF).then(|| f64::from(raw) * 0.125)
}

/// Engine speed (service 01, PID 0C): a quarter of a revolution a minute a bit (SAE J1979, ISO
/// 15031-5), in a single frame.
fn of_obd(data: &[u8]) -> Option<f64> {
    match data {
        [length, 0x41, 0x0C, high, low, ..] if *length >= 4 => {
            Some(f64::from(u16::from_be_bytes([*high, *low])) / 4.0)
        }
        _ => None,
    }
}
