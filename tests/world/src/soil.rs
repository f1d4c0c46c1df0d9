//! What a fault is planted in, and what several faults do alike.

use crate::codes::{Code, REMEMBERED};
use crate::draw::Draw;
use crate::effects::{Effects, Noise, Open};
use crate::episodes::{Times, episodes};
use crate::story::Story;
use crate::vehicle::{Cadence, Vehicle};

/// What a case must have so that the fault can be seen.
#[derive(Clone, Copy, Default, Debug)]
pub struct Needs {
    /// A tester that asks each unit.
    pub scan: bool,
    /// A tester that clears and reads again.
    pub clear: bool,
    /// A roster.
    pub roster: bool,
    /// A recorder that writes error frames.
    pub errors: bool,
}

/// Everything a fault is planted with.
pub struct Soil<'a> {
    /// The vehicle.
    pub vehicle: &'a Vehicle,
    /// The story.
    pub story: &'a Story,
    /// Channels that are recorded.
    pub recorded: &'a [usize],
    /// What faults do so far.
    pub effects: &'a mut Effects,
    /// Units that have a fault already.
    pub taken: &'a mut Vec<usize>,
    /// What the case must have.
    pub needs: &'a mut Needs,
    /// Probability that a failing supply chatters.
    pub chatter: f64,
}

impl Soil<'_> {
    /// Units whose silence of a second or two can be seen: recorded, with a fast message.
    pub fn visible(&self) -> Vec<usize> {
        let seen = |place: &usize| {
            let node = &self.vehicle.nodes[*place];
            let fast =
                node.messages.iter().any(|m| m.cadence == Cadence::Periodic && m.period <= 0.25);
            fast && self.recorded.contains(&node.channel)
                && Some(*place) != self.vehicle.gateway
                && !self.taken.contains(place)
        };
        (0..self.vehicle.nodes.len()).filter(seen).collect()
    }

    /// Any visible unit, taken.
    pub fn one(&mut self, draw: &mut Draw) -> Option<usize> {
        let visible = self.visible();
        let place = (!visible.is_empty()).then(|| draw.pick(&visible))?;
        self.taken.push(place);
        Some(place)
    }

    /// Any group whose units are all visible, taken.
    pub fn group(&mut self, groups: &[Vec<usize>], draw: &mut Draw) -> Option<Vec<usize>> {
        let visible = self.visible();
        let fitting: Vec<&Vec<usize>> = groups
            .iter()
            .filter(|group| group.len() > 1 && group.iter().all(|place| visible.contains(place)))
            .collect();
        let group = (!fitting.is_empty()).then(|| draw.pick(&fitting).clone())?;
        self.taken.extend(&group);
        Some(group)
    }

    /// The supply of units fails, cleanly or with chatter before and after.
    pub fn cut(&mut self, places: &[usize], times: &Times, draw: &mut Draw) {
        let chatters = draw.yes(self.chatter);
        let mut all: Times = times.clone();
        for &(from, to) in times.iter().filter(|_| chatters) {
            for _ in 0..draw.whole(1, 4) {
                let at = if draw.yes(0.5) {
                    from - draw.log(0.05, 0.8)
                } else {
                    to + draw.log(0.02, 0.6)
                };
                all.push((at, at + draw.log(0.01, 0.15)));
            }
        }
        for (from, to) in all {
            for &place in places {
                let (from, to) = (from + draw.between(0.0, 0.002), to + draw.between(0.0, 0.004));
                self.effects.cuts.push((place, from, to));
            }
        }
    }

    /// A time after the recording.
    pub fn end(&self) -> f64 {
        self.story.record.1 + 9.0
    }
}

/// The bus wires of units are open at times.
pub fn open(soil: &mut Soil, nodes: &[usize], times: &Times, together: bool) {
    let channel = soil.vehicle.nodes[nodes[0]].channel;
    for &(from, to) in times {
        let nodes = nodes.to_vec();
        soil.effects.opens.push(Open { nodes, channel, from, to, together });
    }
}

/// Two parts of a bus that both talk meet in the middle of frames: some break.
pub fn join(soil: &mut Soil, place: usize, times: &Times) {
    let channel = soil.vehicle.nodes[place].channel;
    for &(_, to) in times {
        let noise =
            Noise { channel, sender: None, from: to, to: to + 0.002, chance: 0.4, early: 0.4 };
        soil.effects.noise.push(noise);
    }
}

/// Episodes, or silent for good from the middle or the start.
pub fn times_or_for_good(soil: &mut Soil, draw: &mut Draw) -> Option<Times> {
    match draw.weigh(&[0.65, 0.25, 0.10]) {
        0 => episodes(soil.story, 0.15, 20.0, draw),
        1 => {
            let times = episodes(soil.story, 1.0, 2.0, draw)?;
            Some(vec![(times[0].0, soil.end())])
        }
        _ => {
            soil.needs.roster = true;
            Some(vec![(0.0, soil.end())])
        }
    }
}

/// What an intermittent fault left in others' memories before this recording.
pub fn history(soil: &mut Soil, nodes: &[usize], draw: &mut Draw) {
    if !draw.yes(0.35) {
        return;
    }
    for (listener, node) in soil.vehicle.nodes.iter().enumerate() {
        for monitor in &node.monitors {
            if nodes.contains(&monitor.of) && draw.yes(0.6) {
                let code = soil.vehicle.nodes[monitor.of].code;
                let code = Code { code, failure: node.failure_type, status: REMEMBERED };
                soil.effects.old.push((listener, code));
            }
        }
    }
}
