//! A channel: who may send next, what is destroyed, who hears it. Rules of ISO 11898-1: the
//! lowest identifier wins, an error frame ends a frame, and the frame is sent again as soon as
//! arbitration lets it; 8 errors more than successes by 32 take a unit off the bus.

use crate::frame::Frame;
use crate::sim::{Ns, Sim, ns, secs};
use crate::story::Span;
use crate::vehicle::Buffer;

/// Bits of an error frame with the pause after it: flag of 6 to 12, delimiter of 8, pause of 3.
const ERROR_BITS: u64 = 20;
/// Bits of the pause between frames.
const PAUSE_BITS: u64 = 3;

/// Why a frame was destroyed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Why {
    /// Disturbed on the line.
    Disturbed,
    /// Its sender went in the middle of it.
    Torn,
    /// Nobody acknowledged it.
    Alone,
}

/// What a recorder could hear.
#[derive(Clone, Copy, Debug)]
pub enum Heard {
    /// A frame: end of frame, channel.
    Frame(Ns, usize, Frame),
    /// An error frame: time, channel, the destroyed identifier, still in arbitration, reason.
    Error(Ns, usize, u32, bool, Why),
}

impl Sim<'_> {
    /// The earliest moment a frame can begin, and its channel.
    pub(crate) fn next_start(&self) -> (Ns, usize) {
        let mut best = (Ns::MAX, 0);
        for (place, unit) in self.units.iter().enumerate() {
            for (turn, pending) in unit.queue.iter().enumerate() {
                if self.may_send(place, pending.channel) {
                    let start = self.free[pending.channel].max(pending.since).max(unit.off_until);
                    best = best.min((start, pending.channel));
                }
                if turn == 0 && self.in_turn(place) && self.vehicle.gateway != Some(place) {
                    break;
                }
            }
        }
        best
    }

    fn in_turn(&self, place: usize) -> bool {
        self.vehicle.nodes.get(place).is_none_or(|node| matches!(node.buffer, Buffer::Queue(_)))
    }

    fn may_send(&self, place: usize, channel: usize) -> bool {
        let unit = &self.units[place];
        unit.up && unit.open[channel] == 0
    }

    /// The frame that wins at `start`: unit and place in its queue.
    fn winner(&self, channel: usize, start: Ns) -> Option<(usize, usize)> {
        let mut best: Option<(u32, usize, usize)> = None;
        for (place, unit) in self.units.iter().enumerate() {
            if unit.off_until > start || !self.may_send(place, channel) {
                continue;
            }
            let mine = unit.queue.iter().enumerate().filter(|(_, p)| p.channel == channel);
            let one = self.in_turn(place);
            for (turn, pending) in mine {
                let rank = pending.frame.rank();
                if pending.since <= start && best.is_none_or(|(least, ..)| rank < least) {
                    best = Some((rank, place, turn));
                }
                if one {
                    break;
                }
            }
        }
        best.map(|(_, place, turn)| (place, turn))
    }

    /// Sends one frame, or destroys it.
    pub(crate) fn transmit(&mut self, channel: usize, start: Ns) {
        let Some((place, turn)) = self.winner(channel, start) else {
            self.free[channel] = start + 1000;
            return;
        };
        let frame = self.units[place].queue[turn].frame;
        let bit = (1e9 / self.vehicle.rates[channel]) as Ns;
        let length = Ns::from(frame.wire_bits()) * bit;
        let now = secs(start);
        if let Some(visible) = self.effects.down_at(channel, now) {
            return self.fail_down(channel, start, place, bit, visible);
        }
        if let Some(gone) = self.gone_between(place, channel, start, start + length) {
            self.free[channel] = gone + (6 + ERROR_BITS) * bit;
            self.busy[channel] += gone - start;
            self.out.push(Heard::Error(gone + 6 * bit, channel, frame.id, false, Why::Torn));
            self.units[place].errors += 8;
            // Whoever went does not send the rest at once: its buffer keeps what its manner keeps.
            return;
        }
        if !self.acknowledged(place, channel) {
            return self.destroy(channel, start, place, frame, length - 9 * bit, false, Why::Alone);
        }
        let (chance, early) = self.effects.noise_at(channel, place, now);
        if chance > 0.0 && self.draw.yes(chance) {
            let early = self.draw.yes(early);
            let share =
                if early { self.draw.between(0.02, 0.1) } else { self.draw.between(0.35, 0.97) };
            let until = (length as f64 * share) as Ns;
            return self.destroy(channel, start, place, frame, until, early, Why::Disturbed);
        }
        self.units[place].queue.remove(turn);
        self.units[place].errors = self.units[place].errors.saturating_sub(1);
        self.free[channel] = start + length + PAUSE_BITS * bit;
        self.busy[channel] += length + PAUSE_BITS * bit;
        self.delivered(start + length, channel, place, frame);
    }

    #[allow(clippy::too_many_arguments)]
    fn destroy(
        &mut self,
        channel: usize,
        start: Ns,
        place: usize,
        frame: Frame,
        until: Ns,
        early: bool,
        why: Why,
    ) {
        let bit = (1e9 / self.vehicle.rates[channel]) as Ns;
        // A unit alone and error-passive holds back a little (suspend transmission, 8 bits).
        let passive = self.units[place].errors > 127;
        let wait = match why {
            Why::Alone if passive => 10_000_000,
            _ if passive => 8 * bit,
            _ => 0,
        };
        self.free[channel] = start + until + ERROR_BITS * bit + wait;
        self.busy[channel] += until + ERROR_BITS * bit;
        if !(why == Why::Alone && passive) {
            self.out.push(Heard::Error(start + until + 6 * bit, channel, frame.id, early, why));
            self.count_error(place, start);
        }
    }

    /// Eight more in the error counter; at 256 off the bus, and what waits is lost.
    fn count_error(&mut self, place: usize, now: Ns) {
        let unit = &mut self.units[place];
        unit.errors += 8;
        if unit.errors >= 256 {
            unit.errors = 0;
            unit.queue.clear();
            let wait = self.vehicle.nodes.get(place).map_or(0.02, |node| node.recovery);
            unit.off_until = now + ns(wait);
        }
    }

    fn fail_down(&mut self, channel: usize, start: Ns, place: usize, bit: Ns, visible: bool) {
        self.free[channel] = start + 30 * bit;
        // A controller that meets nothing but errors goes passive, then off, and reports few.
        self.storm += 1;
        if visible && (self.storm % 4096 < 40 || self.draw.yes(0.005)) {
            let id = self.units[place].queue.first().map_or(0, |pending| pending.frame.id);
            self.out.push(Heard::Error(start + 12 * bit, channel, id, true, Why::Disturbed));
        }
        self.count_error(place, start);
    }

    /// Another unit that runs, or a recorder that acknowledges, is on the channel.
    fn acknowledged(&self, place: usize, channel: usize) -> bool {
        self.acknowledges
            || (0..self.vehicle.nodes.len())
                .any(|other| other != place && self.hears(other, channel) && self.units[other].up)
    }

    /// When within a frame its sender's wires part or its power is cut.
    fn gone_between(&self, place: usize, channel: usize, from: Ns, to: Ns) -> Option<Ns> {
        let within = |at: f64| (from < ns(at) && ns(at) < to).then(|| ns(at));
        let cut = |span: &Span| if span.orderly { None } else { within(span.to) };
        let spans = self.spans.get(place)?;
        spans.iter().find_map(cut).or_else(|| {
            self.effects
                .opens
                .iter()
                .filter(|open| open.channel == channel && open.nodes.contains(&place))
                .find_map(|open| within(open.from))
        })
    }

    fn delivered(&mut self, end: Ns, channel: usize, place: usize, frame: Frame) {
        self.out.push(Heard::Frame(end, channel, frame));
        let sender = self.owners.get(&frame.id).map_or(place, |(owner, _)| *owner);
        for listener in 0..self.vehicle.nodes.len() {
            if !self.hears(listener, channel) {
                continue;
            }
            let monitors = &self.vehicle.nodes[listener].monitors;
            for (number, monitor) in monitors.iter().enumerate() {
                if monitor.of == sender {
                    self.units[listener].heard[number].0 = end;
                }
            }
        }
        self.route(end, channel, place, frame);
        self.listen(end, channel, frame);
    }

    /// The gateway carries over what it is told to, and all diagnosis. It is a node of both its
    /// buses: what it has to say beyond, it sends there too. Else those beyond would miss it for
    /// ever, in a vehicle that is called sound.
    fn route(&mut self, end: Ns, channel: usize, place: usize, frame: Frame) {
        let Some(gateway) = self.vehicle.gateway else { return };
        let owner = self.owners.get(&frame.id);
        let carried = match owner {
            Some(&(owner, message)) => self.vehicle.nodes[owner].messages[message].routed,
            None => crate::tester::is_diagnosis(frame.id, frame.extended),
        };
        let own = owner.is_some_and(|(owner, _)| *owner == gateway)
            && channel == self.vehicle.nodes[gateway].channel;
        let able = self.units[gateway].up && self.hears(gateway, channel);
        if carried && able && (place != gateway || own) && !self.effects.unrouted_at(secs(end)) {
            let wait = ns(self.draw.between(0.0003, 0.003));
            self.send(end + wait, gateway, 1 - channel, frame);
        }
    }
}
