//! A bus bit by bit, to know what an error destroyed: frames are built and stuffed here,
//! arbitration is a wired AND over the bits of all that begin together, and whoever lost or was
//! destroyed begins again behind the next intermission. It shares no code with the library nor
//! with its simulator.
//! All numbers are invented.

use std::fmt::Write;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What is to be made.
#[derive(Clone, Copy)]
pub struct Setup {
    pub seed: u64,
    pub seconds: f64,
    pub bit_rate: f64,
    /// Share of the time that frames take.
    pub load: f64,
    /// Whether the controller says where in the frame an error was.
    pub located: bool,
    /// Latest delay of a time stamp, in seconds.
    pub noise: f64,
}

/// An error report.
#[derive(Clone, Copy, Debug)]
pub struct Destroyed {
    /// The frame that was destroyed; in the arbitration, of those begun the one that wins.
    pub id: u32,
    /// Whether the arbitration was over.
    pub behind_arbitration: bool,
}

/// A message and its sender's timer.
struct Message {
    id: u32,
    /// Seconds on the sender's own clock; none where it comes by chance.
    period: f64,
    by_chance: bool,
    jitter: f64,
    /// When it is due without jitter, and with it.
    grid: f64,
    due: f64,
    counter: u8,
    /// Waits for the bus: its bits.
    waiting: Option<Frame>,
}

struct Frame {
    data: [u8; 8],
    /// As on the wire up to the checksum, stuffed; then the tail without stuff bits.
    bits: Vec<bool>,
    /// By bit: its place without stuff bits.
    places: Vec<usize>,
}

/// Bits of the tail: checksum delimiter, acknowledgement and its delimiter, end of frame.
const TAIL: usize = 10;

fn frame(id: u32, data: [u8; 8]) -> Frame {
    let mut plain = vec![false];
    plain.extend((0..11).rev().map(|bit| id >> bit & 1 == 1));
    // Remote bit, identifier extension, reserved; eight bytes.
    plain.extend([false, false, false, true, false, false, false]);
    plain.extend(data.iter().flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1 == 1)));
    let mut checksum = 0_u16;
    for bit in &plain {
        let carry = *bit != (checksum >> 14 & 1 == 1);
        checksum = checksum << 1 & 0x7FFF;
        if carry {
            checksum ^= 0x4599;
        }
    }
    plain.extend((0..15).rev().map(|bit| checksum >> bit & 1 == 1));
    let (mut bits, mut places, mut run) = (Vec::new(), Vec::new(), 0);
    for (place, bit) in plain.iter().enumerate() {
        run = if bits.last() == Some(bit) { run + 1 } else { 1 };
        bits.push(*bit);
        places.push(place);
        if run == 5 {
            bits.push(!*bit);
            places.push(place);
            run = 1;
        }
    }
    // All recessive but the acknowledgement.
    bits.extend((0..TAIL).map(|bit| bit != 1));
    places.extend((0..TAIL).map(|bit| plain.len() + bit));
    Frame { data, bits, places }
}

/// Bits of identifier and remote bit with the start of the frame: arbitration.
const ARBITRATION: usize = 13;

/// The code of linux/can/error.h for a place in a frame.
fn location(place: usize) -> u8 {
    match place {
        0 => 0x03,
        1..=8 => 0x02,
        9..=11 => 0x06,
        12 => 0x04,
        13 => 0x05,
        14 => 0x09,
        15..=18 => 0x0B,
        19..=82 => 0x0A,
        83..=97 => 0x08,
        98 => 0x18,
        99 => 0x19,
        100 => 0x1B,
        _ => 0x1A,
    }
}

fn messages(setup: &Setup, random: &mut ChaCha8Rng) -> Vec<Message> {
    let (mut out, mut load): (Vec<Message>, f64) = (Vec::new(), 0.0);
    while load < setup.load {
        let id = random.random_range(0x080..0x700);
        if out.iter().any(|other| other.id == id) {
            continue;
        }
        let nominal = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5][random.random_range(0..6_usize)];
        let period = nominal * (1.0 + random.random_range(-1e-4..1e-4));
        let grid = random.random_range(0.0..nominal);
        out.push(Message {
            id,
            period,
            // On an occasion nothing is sent so often (common practice, no source).
            by_chance: nominal >= 0.1 && random.random_bool(0.15),
            jitter: random.random_range(20e-6..300e-6),
            grid,
            due: grid,
            counter: 0,
            waiting: None,
        });
        load += 122.0 / setup.bit_rate / nominal;
    }
    out
}

impl Message {
    /// Puts what is due into its mailbox; what still waits there is overwritten.
    fn tick(&mut self, now: f64, random: &mut ChaCha8Rng) {
        while self.due <= now {
            self.counter = self.counter.wrapping_add(1);
            let mut data: [u8; 8] = random.random();
            data[0] = self.counter;
            self.waiting = Some(frame(self.id, data));
            let step = match self.by_chance {
                true => -self.period * (1.0 - random.random::<f64>()).ln(),
                false => self.period,
            };
            self.grid += step;
            self.due = self.grid + self.jitter * random.random::<f64>();
        }
    }
}

/// Who goes on alone, and in how many bits that is decided: the AND of all bits, in which whoever
/// sends a recessive bit and sees a dominant one falls back.
fn arbitrate(messages: &[Message]) -> usize {
    let mut left: Vec<usize> =
        (0..messages.len()).filter(|at| messages[*at].waiting.is_some()).collect();
    let bit =
        |at: usize, place: usize| messages[at].waiting.as_ref().is_some_and(|f| f.bits[place]);
    let mut place = 0;
    while left.len() > 1 {
        let bus = left.iter().all(|at| bit(*at, place));
        left.retain(|at| bit(*at, place) == bus);
        place += 1;
    }
    left[0]
}

/// The log text and what each of its error reports destroyed.
pub fn run(setup: &Setup) -> (String, Vec<Destroyed>) {
    let mut random = ChaCha8Rng::seed_from_u64(setup.seed);
    let mut messages = messages(setup, &mut random);
    let bit = 1.0 / setup.bit_rate;
    let (mut now, mut log, mut truth) = (0.0_f64, String::new(), Vec::new());
    let (mut stamped, mut next_error) = (0.0_f64, 0.05 * setup.seconds);
    let mut noise = ChaCha8Rng::seed_from_u64(!setup.seed);
    while now < setup.seconds {
        messages.iter_mut().for_each(|message| message.tick(now, &mut random));
        if messages.iter().all(|message| message.waiting.is_none()) {
            let next = messages.iter().map(|message| message.due).fold(f64::INFINITY, f64::min);
            now = ((next / bit).ceil() * bit).max(now + bit);
            continue;
        }
        let winner = arbitrate(&messages);
        let own = messages[winner].waiting.as_ref().unwrap();
        let length = own.bits.len();
        let mut stamp = |time: f64| {
            stamped = stamped.max(time + setup.noise * noise.random::<f64>());
            1.79e9 + stamped
        };
        let end = now + length as f64 * bit;
        if next_error < end {
            // What strikes an idle bus, strikes anywhere in the next frame instead.
            let wrong = match next_error < now {
                true => random.random_range(0..length),
                false => (((next_error - now) / bit) as usize).min(length - 1),
            };
            let place = own.places[wrong];
            let time = stamp(now + (wrong + 1) as f64 * bit);
            let code = if setup.located { location(place) } else { 0 };
            let _ = writeln!(log, "({time:.6}) can0 20000088#000004{code:02X}00000000");
            let behind_arbitration = place >= ARBITRATION;
            truth.push(Destroyed { id: messages[winner].id, behind_arbitration });
            // Flag, the echoes of others, delimiter, intermission.
            let echo = random.random_range(0..=6_usize);
            now += (wrong + 1 + 6 + echo + 8 + 3) as f64 * bit;
            // Now and then the frame is hit again.
            let soon = random.random_bool(0.2);
            next_error = now + random.random_range(0.0..if soon { 150.0 * bit } else { 0.4 });
            continue;
        }
        let time = stamp(end);
        let _ = write!(log, "({time:.6}) can0 {:03X}#", messages[winner].id);
        for byte in own.data {
            let _ = write!(log, "{byte:02X}");
        }
        log.push('\n');
        messages[winner].waiting = None;
        now = end + 3.0 * bit;
    }
    (log, truth)
}
