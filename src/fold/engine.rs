//! Whether the engine runs and the key is on, where a standard says so: then a key-off is known for
//! what it is.

use lostnode_parsers::Id;
use lostnode_parsers::j1939;

use super::j1939::J1939;
use crate::capture::{Batch, ChannelIndex, Group};
use crate::fold::diagnostics::answers_about_emissions;
use crate::fold::diagnostics::supply::HIGHEST;
use crate::fold::timing::Nanoseconds;

/// Electronic engine controller 1 (SAE J1939-71).
const ENGINE_CONTROLLER: u32 = 0xF004;

/// When the engine started and stopped, and when the key was turned.
#[derive(Clone, Debug, Default)]
pub struct Engine {
    /// Engine speed as a group of SAE J1939.
    group: Switch,
    /// Engine speed as an answer to a tester.
    answer: Switch,
    /// Voltage behind the key switch.
    key: Switch,
}

/// Something that is on or off, as one identifier tells it.
#[derive(Clone, Debug, Default)]
pub struct Switch {
    /// From when on it is on or not, each unlike the one before it, in order of time.
    changes: Vec<(Nanoseconds, bool)>,
    /// Who tells: the first identifier that showed it on. A second engine, or a second module that
    /// answers a tester, would be taken for starts and stops of the first.
    teller: Option<(ChannelIndex, Id)>,
    /// Its highest value.
    most: f64,
}

/// How the value of a switch is read, and what it means.
#[derive(Clone, Copy)]
struct Reading {
    /// From the data of a frame, where it is there.
    value: fn(&[u8]) -> Option<f64>,
    /// The switch is on above this value.
    on: f64,
    /// The switch is off below this value; between the two it is as before.
    off: f64,
}

/// The engine runs above 300 revolutions a minute: that is below the slowest idle and above what a
/// starter turns (common practice, no source). It has stopped below 200, so that a slow crank does
/// not count as several starts.
const SPEED: Reading = Reading { value: of_j1939, on: 300.0, off: 200.0 };
/// The same limits for the engine speed in an answer to a tester.
const ANSWERED_SPEED: Reading = Reading { value: of_obd, on: 300.0, off: 200.0 };
/// The key is on above 6 V behind its switch, which even an engine of 12 V seldom undercuts while
/// it is cranked; it is off below 3 V, on which no system runs (common practice, no source).
const KEY_SWITCH: Reading = Reading { value: behind_key, on: 6.0, off: 3.0 };

/// No engine that speaks SAE J1939 turns faster (revolutions a minute; common practice, no source):
/// who sends more sends no engine speed.
const FASTEST: f64 = 5000.0;

/// Volts that are lost between the battery and the key switch at most (common practice, no source).
const DROP: f64 = 3.0;

impl Engine {
    /// Most changes that are kept of each: a day of deliveries.
    pub const KEPT: usize = 512;

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        for group in batch.grouped().iter() {
            match group.id {
                Id::Extended(id) => match j1939::Fields::of(id).pgn {
                    ENGINE_CONTROLLER => self.group.push(batch, group, SPEED),
                    j1939::ELECTRICAL_POWER => self.key.push(batch, group, KEY_SWITCH),
                    _ => {}
                },
                Id::Standard(_) if answers_about_emissions(group.id) => {
                    self.answer.push(batch, group, ANSWERED_SPEED);
                }
                Id::Standard(_) => {}
            }
        }
    }

    /// Ends the fold. On a channel that does not speak SAE J1939 an identifier of 29 bits may have
    /// the number of its groups by chance, and tells nothing.
    pub fn finish(&mut self, speaks: &[J1939]) {
        self.group.forget_flashes();
        if self.group.most > FASTEST {
            self.group = Switch::default();
        }
        for switch in [&mut self.group, &mut self.key] {
            let speaks = |(channel, _): (ChannelIndex, Id)| {
                speaks.get(usize::from(channel)) == Some(&J1939::Yes)
            };
            if !switch.teller.is_some_and(speaks) {
                *switch = Switch::default();
            }
        }
    }

    /// Times in which the engine stood after it had run: from the stop to the next start, or to
    /// the end of time.
    pub fn stops(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds)> + '_ {
        self.group.off().chain(self.answer.off())
    }

    /// Times in which the key was off after it had been on.
    pub fn key_off(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds)> + '_ {
        self.key.off()
    }

    /// Times in which the engine ran, each with the identifier that tells it; the last one lasts to
    /// the end of time unless a stop was seen.
    pub fn runs(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds, ChannelIndex, Id)> + '_ {
        [&self.group, &self.answer].into_iter().flat_map(Switch::on)
    }
}

/// No engine runs for less than so many seconds: what a module sends first after its own start may
/// be left over in its memory (common practice, no source).
const FLASH: Nanoseconds = 1_000_000_000;

impl Switch {
    /// Drops times in which it was on for a moment only.
    fn forget_flashes(&mut self) {
        let mut kept: Vec<(Nanoseconds, bool)> = Vec::with_capacity(self.changes.len());
        for change in self.changes.drain(..) {
            match kept.last() {
                Some((on, true)) if !change.1 && change.0 - on < FLASH => {
                    kept.pop();
                }
                _ => kept.push(change),
            }
        }
        self.changes = kept;
    }

    fn push(&mut self, batch: &Batch, group: Group<'_>, reading: Reading) {
        let here = (group.channel, group.id);
        if self.teller.is_some_and(|teller| teller != here) {
            return;
        }
        for (time, position) in group.times.iter().zip(group.positions) {
            let (payload, length) = batch.frames[*position as usize].kind.first_eight();
            let Some(value) = (reading.value)(&payload[..length.min(8)]) else { continue };
            self.most = self.most.max(value);
            let on = match self.changes.last() {
                Some((_, true)) => value > reading.off,
                Some((_, false)) => value > reading.on,
                None => value > reading.off,
            };
            let (last, before) = self
                .changes
                .last()
                .map_or((Nanoseconds::MIN, !on), |(time, before)| (*time, *before));
            if self.teller.is_none() {
                if !on {
                    continue;
                }
                self.teller = Some(here);
            }
            if on != before && *time >= last && self.changes.len() < Engine::KEPT {
                self.changes.push((*time, on));
            }
        }
    }

    /// The changes that are known, each with the time of the next one. What came after the last
    /// that was kept is not known.
    fn spans(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds, bool)> + '_ {
        let known = self.changes.len().min(Engine::KEPT - 1);
        self.changes.iter().enumerate().take(known).map(|(at, (time, on))| {
            (*time, self.changes.get(at + 1).map_or(Nanoseconds::MAX, |next| next.0), *on)
        })
    }

    fn off(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds)> + '_ {
        self.spans().skip(1).filter(|(.., on)| !on).map(|(from, to, _)| (from, to))
    }

    fn on(&self) -> impl Iterator<Item = (Nanoseconds, Nanoseconds, ChannelIndex, Id)> + '_ {
        self.teller.into_iter().flat_map(|(channel, id)| {
            let on = self.spans().filter(|(.., on)| *on);
            on.map(move |(from, to, _)| (from, to, channel, id))
        })
    }
}

/// Engine speed (SPN 190): bytes 4 and 5, 0.125 revolutions a minute a bit; above 0xFAFF it is not
/// a value (SAE J1939-71).
fn of_j1939(data: &[u8]) -> Option<f64> {
    let raw = u16::from_le_bytes([*data.get(3)?, *data.get(4)?]);
    (raw <= 0xFAFF).then(|| f64::from(raw) * 0.125)
}

/// Keyswitch battery potential (SPN 158): bytes 7 and 8, 0.05 V a bit (SAE J1939-71). With the key
/// off it falls to nought while the battery (SPN 168, bytes 5 and 6) stays; where that is told to
/// be flat as well, nothing is said of the key. With the key on, both are one voltage: a pair that
/// differs, or that no vehicle has, is none, and says nothing either.
fn behind_key(data: &[u8]) -> Option<f64> {
    let volts = |at: usize| {
        let raw = u16::from_le_bytes([*data.get(at)?, *data.get(at + 1)?]);
        (raw <= 0xFAFF).then(|| f64::from(raw) * 0.05)
    };
    let (key, battery) = (volts(6)?, volts(4));
    let told = match key > KEY_SWITCH.off {
        true => key <= HIGHEST && battery.is_none_or(|battery| (battery - key).abs() <= DROP),
        false => battery.is_none_or(|battery| battery > KEY_SWITCH.on),
    };
    told.then_some(key)
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
