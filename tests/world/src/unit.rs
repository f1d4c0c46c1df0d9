//! What a unit does: it starts, sends its messages, misses others.

use crate::codes::Code;
use crate::frame::Frame;
use crate::sim::{Ns, Sim, What, ns, secs};
use crate::vehicle::{Boot, Cadence, Holds, Message};

/// After its own start a unit misses nobody for so long, seconds (common practice, no source).
const BLIND: f64 = 3.0;
/// Nor so long after key-on and after cranking, when others still start, seconds.
const SETTLED: f64 = 6.0;
/// Below this share of the nominal supply nobody stores a lost communication (common practice:
/// 9 to 10 V).
const LOW_SUPPLY: f64 = 0.8;
/// "Control module communication bus A off", with failure type 88, bus off.
const BUS_OFF: (u16, u8) = (0xC073, 0x88);

impl Sim<'_> {
    /// A unit's program begins: its messages get their first times, its counters their start.
    pub(crate) fn up(&mut self, now: Ns, place: usize, life: u32) {
        if self.units[place].life != life || !self.units[place].on {
            return;
        }
        let node = &self.vehicle.nodes[place];
        self.units[place].up = true;
        self.units[place].started = now;
        for heard in &mut self.units[place].heard {
            *heard = (now, false);
        }
        for (number, message) in node.messages.iter().enumerate() {
            if let Some(start) = message.counter.and_then(|counter| counter.start) {
                self.units[place].counts[number] = start;
            }
            let wait = on_grid(self.first_wait(node.boot, message), node.clock.grid);
            self.units[place].ideal[number] = (now + ns(wait)) as f64;
            self.at(now + ns(wait), What::Due(place, number, life));
        }
        if let Some(mean) = node.watchdog {
            let wait = self.draw.wait(mean);
            self.at(now + ns(wait.max(5.0)), What::Off(place, false));
            self.at(now + ns(wait.max(5.0) + 0.01), What::On(place));
        }
    }

    fn first_wait(&mut self, boot: Boot, message: &Message) -> f64 {
        if let Cadence::Event(mean, _) = message.cadence {
            return self.draw.wait(mean);
        }
        match boot {
            Boot::Together => 0.0,
            Boot::Bursts => (message.period * 0.1).min(0.1),
            Boot::Staggered(spread) => message.late * spread,
        }
    }

    /// A message is due: it is made, handed to the buffer, and the next one planned.
    pub(crate) fn due(&mut self, now: Ns, place: usize, number: usize, life: u32) {
        let unit = &self.units[place];
        if unit.life != life || !unit.up {
            return;
        }
        let node = &self.vehicle.nodes[place];
        let message = &node.messages[number];
        if !self.effects.hangs_at(place, secs(now)) && !self.pauses(now, message) {
            if message.holds == Holds::Troubles {
                self.troubles(now, place, message.id);
            } else {
                let frame = self.payload(now, place, number);
                self.enqueue(now, place, node.channel, frame);
            }
        }
        let next = self.next_due(now, place, number);
        self.at(next, What::Due(place, number, life));
    }

    fn pauses(&self, now: Ns, message: &Message) -> bool {
        match message.cadence {
            Cadence::Pausing(every, long) => (secs(now) + message.late * every) % every < long,
            _ => false,
        }
    }

    fn next_due(&mut self, now: Ns, place: usize, number: usize) -> Ns {
        let node = &self.vehicle.nodes[place];
        let message = &node.messages[number];
        if message.cadence == Cadence::Once {
            return now + ns(1e6);
        }
        if let Cadence::Event(mean, repeats) = message.cadence {
            // Sent several times in a row when something happens, then not for long.
            let again = self.draw.yes(1.0 - 1.0 / repeats as f64);
            let wait =
                if again { message.period } else { self.draw.wait(mean).max(message.period) };
            return now + ns(wait);
        }
        let clock = node.clock;
        let turn = std::f64::consts::TAU * secs(now) / clock.pace;
        let skew = (clock.skew + clock.wander * turn.sin()) * 1e-6;
        let ideal = &mut self.units[place].ideal[number];
        *ideal += message.period * 1e9 * (1.0 + skew);
        let ideal = *ideal;
        let late = self.draw.normal(0.0, clock.jitter).abs();
        (ideal as Ns + ns(late)).max(now + 1000)
    }

    fn payload(&mut self, now: Ns, place: usize, number: usize) -> Frame {
        let node = &self.vehicle.nodes[place];
        let message = &node.messages[number];
        let mut data = message.fixed;
        for byte in 0..8 {
            if message.moving >> byte & 1 == 1 {
                let swing = (secs(now) / (1.0 + f64::from(byte))).sin() * 40.0;
                data[byte as usize] = data[byte as usize].wrapping_add(swing as i8 as u8);
            }
        }
        match message.holds {
            Holds::Management => {
                data = [0; 8];
                (data[0], data[1]) = (place as u8, 0x10);
            }
            Holds::Speed => {
                let running = self.story.key(secs(now)) && !self.story.cranking(secs(now));
                let speed = if running { 5200 + (secs(now).sin() * 800.0) as i32 } else { 0 };
                data[3] = speed as u8;
                data[4] = (speed >> 8) as u8;
            }
            Holds::Volts => {
                let volts = self.vehicle.volts * self.story.supply(secs(now));
                let raw = (volts / 0.05) as u16;
                data[4] = raw as u8;
                data[5] = (raw >> 8) as u8;
            }
            _ => {}
        }
        if let Some(counter) = message.counter {
            let mask = (((1u16 << counter.width) - 1) as u8) << counter.shift;
            let value = (self.units[place].counts[number] as u8) << counter.shift;
            data[counter.byte] = data[counter.byte] & !mask | value & mask;
            let count = &mut self.units[place].counts[number];
            *count = (*count + 1) % counter.modulo;
        }
        if message.check {
            let last = message.length - 1;
            data[last] = data[..last].iter().fold(message.id as u8, |sum, b| sum.wrapping_add(*b));
        }
        Frame::new(message.id, self.vehicle.extended, &data[..message.length])
    }

    /// Active trouble codes of SAE J1939-73: one in a frame, several by broadcast transport.
    fn troubles(&mut self, now: Ns, place: usize, id: u32) {
        let address = id & 0xFF;
        let channel = self.vehicle.nodes[place].channel;
        let active: Vec<Code> = self.units[place]
            .memory
            .codes
            .iter()
            .filter(|code| code.status & 1 == 1)
            .take(6)
            .copied()
            .collect();
        let mut bytes = vec![if active.is_empty() { 0x00 } else { 0x04 }, 0xFF];
        for code in &active {
            bytes.extend(suspect(code));
        }
        if active.len() < 2 {
            bytes.resize(6, 0);
            bytes.resize(8, 0xFF);
            return self.enqueue(now, place, channel, Frame::new(id, true, &bytes));
        }
        let packets = bytes.len().div_ceil(7);
        let size = bytes.len() as u16;
        let head = [0x20, size as u8, (size >> 8) as u8, packets as u8, 0xFF, 0xCA, 0xFE, 0];
        self.send(now, place, channel, Frame::new(0x1CEC_FF00 | address, true, &head));
        for (turn, part) in bytes.chunks(7).enumerate() {
            let mut data = [0xFF; 8];
            data[0] = turn as u8 + 1;
            data[1..=part.len()].copy_from_slice(part);
            let frame = Frame::new(0x1CEB_FF00 | address, true, &data);
            self.send(now + 60_000_000 * (turn as Ns + 1), place, channel, frame);
        }
    }

    /// Whom a unit misses now; it looks every tenth of a second.
    pub(crate) fn watch(&mut self, now: Ns, place: usize) {
        let at = secs(now);
        let node = &self.vehicle.nodes[place];
        let blind = !self.story.settled(at, SETTLED)
            || self.story.supply(at) < LOW_SUPPLY
            || at - secs(self.units[place].started) < BLIND;
        if !self.units[place].up {
            return;
        }
        for &(own, code, from) in &self.effects.codes {
            if own == place && at >= from && self.story.key(at) {
                self.units[place].memory.fail(code.code, code.failure);
            }
        }
        let parted = self.units[place].open[node.channel] > 0
            || self.effects.down_at(node.channel, at).is_some();
        for (number, monitor) in node.monitors.iter().enumerate() {
            let (heard, missed) = self.units[place].heard[number];
            let missed_code = (self.vehicle.nodes[monitor.of].code, node.failure_type);
            let code = if parted && node.mute_when_off { BUS_OFF } else { missed_code };
            let silent = secs(now.saturating_sub(heard)) > monitor.timeout;
            let unit = &mut self.units[place];
            if blind && !missed {
                unit.heard[number].0 = now;
            } else if silent && !missed && !blind {
                unit.heard[number].1 = true;
                unit.memory.fail(code.0, code.1);
            } else if !silent && missed {
                unit.heard[number].1 = false;
                unit.memory.pass(missed_code.0, missed_code.1);
                unit.memory.pass(BUS_OFF.0, BUS_OFF.1);
            }
        }
    }

    /// The next frame of a flood.
    pub(crate) fn flood(&mut self, now: Ns, number: usize) {
        let flood = self.effects.floods[number];
        if secs(now) > flood.to {
            return;
        }
        let frame = Frame::new(flood.id, self.vehicle.extended, &[0xFF; 8]);
        let channel = self.vehicle.nodes[flood.node].channel;
        if self.units[flood.node].up
            && !self.units[flood.node].queue.iter().any(|p| p.frame == frame)
        {
            self.units[flood.node]
                .queue
                .insert(0, crate::sim::Pending { frame, channel, since: now });
        }
        self.at(now + ns(flood.gap), What::Flood(number));
    }
}

/// Tasks of one unit run on its tick: what is due at once goes out in one burst.
fn on_grid(wait: f64, grid: f64) -> f64 {
    if grid > 0.0 { (wait / grid).round() * grid } else { wait }
}

/// A code as suspect parameter number, failure mode and count (J1939-73); numbers from memory:
/// 639 is the network, 168 the battery voltage, 110 the coolant temperature.
fn suspect(code: &Code) -> [u8; 4] {
    let (number, mode): (u32, u8) = match code.code {
        0xC000..=0xCFFF => (639, 9),
        0xF000..=0xFFFF => (168, 4),
        other => (110 + u32::from(other & 0x3F), 3),
    };
    [number as u8, (number >> 8) as u8, (number >> 16 << 5) as u8 | mode, 1]
}
