//! The tester: scans in order, asks again where nothing comes, clears or not. OBD services of
//! SAE J1979, UDS of ISO 14229-1, transport of ISO 15765-2.

use std::collections::VecDeque;

use crate::draw::Draw;
use crate::family::Shape;
use crate::frame::Frame;
use crate::sim::{Ns, Sim, What, ns};
use crate::vehicle::Vehicle;

/// One request of the tester.
#[derive(Clone, Debug)]
pub struct Step {
    /// Not before, in nanoseconds.
    pub not_before: Ns,
    /// Request identifier.
    pub request: u32,
    /// Answer identifier; None: whoever feels asked.
    pub answer: Option<u32>,
    /// Payload.
    pub payload: Vec<u8>,
    /// How often it is asked in all.
    pub tries: u32,
}

/// The tester and what it waits for.
#[derive(Clone, Debug, Default)]
pub struct Tester {
    steps: VecDeque<Step>,
    deadline: Option<Ns>,
    left: i32,
    wait: f64,
    padding: u8,
    /// Frames have 8 bytes always.
    padded: bool,
    extended: bool,
}

/// Whether an identifier carries diagnosis.
pub fn is_diagnosis(id: u32, extended: bool) -> bool {
    if extended { matches!(id >> 16 & 0xFF, 0xDA | 0xDB) } else { (0x700..0x800).contains(&id) }
}

/// Whom a functional request goes to.
fn everyone(extended: bool) -> u32 {
    if extended { 0x18DB_33F1 } else { 0x7DF }
}

/// When the tester scans and clears, in seconds.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// Times of scans.
    pub scans: Vec<f64>,
    /// Time of a clear.
    pub clear: Option<f64>,
}

impl Tester {
    /// A tester that follows a plan.
    pub fn new(vehicle: &Vehicle, plan: &Plan, shape: &Shape, draw: &mut Draw) -> Self {
        let mut tester = Self {
            wait: draw.log(0.06, 0.5),
            padding: draw.pick(&[0x00, 0x55, 0xAA, 0xCC]),
            padded: draw.yes(0.85),
            extended: vehicle.extended,
            ..Self::default()
        };
        let habit = draw.weigh(&shape.scans);
        let tries = draw.pick(&[1, 2, 2, 3]);
        let mask = draw.pick(&[0xFF, 0xFF, 0x2F, 0x09, 0x0D]);
        let session = draw.yes(0.4);
        let present = draw.yes(shape.present);
        let mut times: Vec<(f64, bool)> = plan.scans.iter().map(|&at| (at, false)).collect();
        times.extend(plan.clear.map(|at| (at, true)));
        times.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (at, clears) in times {
            if habit != 1 {
                tester.functional(at, clears);
            }
            if habit != 0 {
                tester.physical(vehicle, at, clears, tries, mask, session);
            }
            if present {
                tester.keep_up(at);
            }
        }
        tester
    }

    fn functional(&mut self, at: f64, clears: bool) {
        let lists: &[&[u8]] = if clears {
            &[&[0x04]]
        } else {
            &[&[0x01, 0x42], &[0x09, 0x02], &[0x03], &[0x07], &[0x0A]]
        };
        for payload in lists {
            self.steps.push_back(Step {
                not_before: ns(at),
                request: everyone(self.extended),
                answer: None,
                payload: payload.to_vec(),
                tries: 1,
            });
        }
    }

    /// "Tester present", which nobody answers, every two seconds.
    fn keep_up(&mut self, at: f64) {
        for turn in 1..6 {
            self.steps.push_back(Step {
                not_before: ns(at + 2.0 * f64::from(turn)),
                request: everyone(self.extended),
                answer: None,
                payload: vec![0x3E, 0x80],
                tries: 1,
            });
        }
    }

    fn physical(
        &mut self,
        vehicle: &Vehicle,
        at: f64,
        clears: bool,
        tries: u32,
        mask: u8,
        session: bool,
    ) {
        for (request, answer) in vehicle.nodes.iter().filter_map(|node| node.diagnosis) {
            let mut lists: Vec<Vec<u8>> = Vec::new();
            if session {
                lists.push(vec![0x10, 0x03]);
            }
            if clears {
                lists.push(vec![0x14, 0xFF, 0xFF, 0xFF]);
            } else {
                lists.push(vec![0x22, 0xF1, 0x90]);
                lists.push(vec![0x19, 0x02, mask]);
            }
            for payload in lists {
                self.steps.push_back(Step {
                    not_before: ns(at),
                    request,
                    answer: Some(answer),
                    payload,
                    tries,
                });
            }
        }
    }

    /// When it begins.
    pub fn first(&self) -> Option<Ns> {
        self.steps.front().map(|step| step.not_before)
    }

    fn frame(&self, id: u32, bytes: &[u8]) -> Frame {
        let mut bytes = bytes.to_vec();
        if self.padded {
            bytes.resize(8, self.padding);
        }
        Frame::new(id, self.extended, &bytes)
    }
}

impl Sim<'_> {
    /// The tester asks, asks again, or goes on.
    pub(crate) fn tester_turn(&mut self, now: Ns) {
        if self.tester.deadline.is_some_and(|deadline| now < deadline) {
            return;
        }
        if self.tester.deadline.take().is_some() {
            let again = self.tester.steps.front_mut().is_some_and(|step| {
                step.tries = step.tries.saturating_sub(1);
                step.tries > 0 && step.answer.is_some()
            });
            if !again {
                self.tester.steps.pop_front();
            }
        }
        let Some(step) = self.tester.steps.front().cloned() else { return };
        if step.not_before > now {
            return self.at(step.not_before, What::Tester);
        }
        let mut bytes = vec![step.payload.len() as u8];
        bytes.extend(&step.payload);
        let frame = self.tester.frame(step.request, &bytes);
        let place = self.units.len() - 1;
        self.enqueue(now, place, 0, frame);
        self.tester.left = 0;
        self.wait_for(now, self.tester.wait);
    }

    fn wait_for(&mut self, now: Ns, seconds: f64) {
        let deadline = now + ns(seconds);
        self.tester.deadline = Some(deadline);
        self.at(deadline, What::Tester);
    }

    /// The tester takes in a frame from its channel.
    pub(crate) fn tester_hears(&mut self, now: Ns, frame: Frame) {
        let Some(step) = self.tester.steps.front().cloned() else { return };
        if self.tester.deadline.is_none() {
            return;
        }
        let asked = self.vehicle.nodes.iter().filter_map(|node| node.diagnosis);
        let Some((request, _)) = asked.clone().find(|(_, answer)| *answer == frame.id) else {
            return;
        };
        if step.answer.is_some_and(|answer| answer != frame.id) {
            return;
        }
        match frame.data[0] >> 4 {
            0 if frame.data[1] == 0x7F && frame.data[3] == 0x78 => self.wait_for(now, 5.0),
            0 if step.answer.is_some() => self.answered(now),
            1 => {
                self.tester.left =
                    (i32::from(frame.data[0] & 15) << 8) + i32::from(frame.data[1]) - 6;
                let wait = ns(self.draw.between(0.0005, 0.003));
                let leave = self.tester.frame(request, &[0x30, 0, 0]);
                let place = self.units.len() - 1;
                self.send(now + wait, place, 0, leave);
                self.wait_for(now, 1.0);
            }
            2 => {
                self.tester.left -= 7;
                if self.tester.left <= 0 && step.answer.is_some() {
                    self.answered(now);
                }
            }
            _ => {}
        }
    }

    /// An answer is whole: the next request follows after a little.
    fn answered(&mut self, now: Ns) {
        self.tester.deadline = None;
        self.tester.steps.pop_front();
        let wait = ns(self.draw.between(0.002, 0.06));
        self.at(now + wait, What::Tester);
    }
}
