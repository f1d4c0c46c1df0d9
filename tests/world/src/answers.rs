//! What units answer the tester.

use crate::frame::Frame;
use crate::sim::{Ns, Sim, ns, secs};
use crate::tester::is_diagnosis;

/// Time between frames of one answer, in seconds.
const SEPARATION: f64 = 0.003;

impl Sim<'_> {
    /// Diagnosis on a channel: units answer, the tester takes in.
    pub(crate) fn listen(&mut self, now: Ns, channel: usize, frame: Frame) {
        if !is_diagnosis(frame.id, frame.extended) {
            return;
        }
        if channel == 0 {
            self.tester_hears(now, frame);
        }
        let functional = matches!(frame.id, 0x7DF | 0x18DB_33F1);
        for place in 0..self.vehicle.nodes.len() {
            let node = &self.vehicle.nodes[place];
            let Some((request, answer)) = node.diagnosis else { continue };
            let asked = request == frame.id || (functional && node.emissions);
            if !asked || node.channel != channel || !self.hears(place, channel) {
                continue;
            }
            if !self.units[place].up {
                continue;
            }
            match frame.data[0] >> 4 {
                0 => self.asked(now, place, answer, &frame, functional),
                3 if !functional => self.go_on(now, place),
                _ => {}
            }
        }
    }

    fn asked(&mut self, now: Ns, place: usize, answer: u32, frame: &Frame, functional: bool) {
        let length = usize::from(frame.data[0] & 15).min(7);
        let payload = frame.data[1..=length].to_vec();
        let Some(bytes) = self.answer(now, place, &payload, functional) else { return };
        let node = &self.vehicle.nodes[place];
        let mut at = now + ns(node.answer_time * self.draw.between(0.8, 1.3));
        if payload.first() == Some(&0x19) && self.draw.yes(0.06) {
            let later = self.padded(answer, &[3, 0x7F, 0x19, 0x78]);
            self.send(at, place, node.channel, later);
            at += ns(self.draw.between(0.05, 0.4));
        }
        if bytes.len() < 8 {
            let mut single = vec![bytes.len() as u8];
            single.extend(&bytes);
            let single = self.padded(answer, &single);
            return self.send(at, place, node.channel, single);
        }
        let mut first = vec![0x10 | (bytes.len() >> 8) as u8, bytes.len() as u8];
        first.extend(&bytes[..6]);
        let first = self.padded(answer, &first);
        self.send(at, place, node.channel, first);
        let rest = bytes[6..].chunks(7).enumerate().map(|(turn, part)| {
            let mut next = vec![0x20 | ((turn + 1) & 15) as u8];
            next.extend(part);
            self.padded(answer, &next)
        });
        self.units[place].rest = rest.collect();
    }

    fn padded(&self, id: u32, bytes: &[u8]) -> Frame {
        let mut bytes = bytes.to_vec();
        bytes.resize(8, 0xAA);
        Frame::new(id, self.vehicle.extended, &bytes)
    }

    fn go_on(&mut self, now: Ns, place: usize) {
        let channel = self.vehicle.nodes[place].channel;
        for (turn, frame) in std::mem::take(&mut self.units[place].rest).into_iter().enumerate() {
            self.send(now + ns(SEPARATION * (turn as f64 + 1.0)), place, channel, frame);
        }
    }

    fn answer(&mut self, now: Ns, place: usize, asked: &[u8], functional: bool) -> Option<Vec<u8>> {
        let node = &self.vehicle.nodes[place];
        let engine = node.code == 0xC100;
        let service = *asked.first()?;
        Some(match (service, asked.get(1)) {
            (0x01, Some(0x42)) if engine => {
                let volts = self.vehicle.volts * self.story.supply(secs(now));
                let raw = (volts * 1000.0) as u16;
                vec![0x41, 0x42, (raw >> 8) as u8, raw as u8]
            }
            (0x09, Some(0x02)) if engine => {
                [&[0x49, 0x02, 0x01], self.vin(place).as_bytes()].concat()
            }
            (0x03, _) => self.list(place, 0x43, 0x08),
            (0x07, _) => self.list(place, 0x47, 0x04),
            (0x0A, _) => vec![0x4A, 0],
            (0x04, _) => {
                self.units[place].memory.clear();
                vec![0x44]
            }
            (0x3E, Some(0x80)) => return None,
            _ if functional => return None,
            (0x10, Some(&session)) => vec![0x50, session, 0x00, 0x32, 0x01, 0xF4],
            (0x22, _) if node.status_mask == 0x0D => vec![0x7F, 0x22, 0x31],
            (0x22, _) => [&[0x62, 0xF1, 0x90], self.vin(place).as_bytes()].concat(),
            (0x19, _) => self.report(place, *asked.get(2)?),
            (0x14, _) => {
                self.units[place].memory.clear();
                vec![0x54]
            }
            _ => vec![0x7F, service, 0x11],
        })
    }

    fn vin(&self, place: usize) -> String {
        let other = self.effects.foreign.iter().find(|(node, _)| *node == place);
        other.map_or_else(|| self.vehicle.nodes[place].vin.clone(), |(_, vin)| vin.clone())
    }

    /// Codes of an OBD list: those with a status bit.
    fn list(&self, place: usize, service: u8, bit: u8) -> Vec<u8> {
        let codes = &self.units[place].memory.codes;
        let listed: Vec<_> = codes.iter().filter(|code| code.status & bit != 0).collect();
        let mut bytes = vec![service, listed.len() as u8];
        for code in listed {
            bytes.extend(code.code.to_be_bytes());
        }
        bytes
    }

    /// Codes by status mask (0x19 02).
    fn report(&self, place: usize, mask: u8) -> Vec<u8> {
        let known = self.vehicle.nodes[place].status_mask;
        let mut bytes = vec![0x59, 0x02, known];
        for code in &self.units[place].memory.codes {
            if code.status & known & mask != 0 {
                bytes.extend(code.code.to_be_bytes());
                bytes.extend([code.failure, code.status & known]);
            }
        }
        bytes
    }
}
