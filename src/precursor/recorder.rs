//! What is kept of the frames at the second look: when each bit changed, if it did so seldom, and a
//! payload of each identifier now and then.

use lostnode_parsers::{FrameKind, Id};

use crate::analysis::Analysis;
use crate::analysis::just_before::Part;
use crate::capture::{Batch, ChannelIndex};
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::{Map, Places};
use crate::precursor::line::{Line, Micros, Span};
use crate::precursor::{answers, standard};

/// Identifiers that are looked at.
const MOST_IDS: usize = 4096;
/// Further parts of them: what lies beyond the first eight bytes, and answers to PIDs.
const MOST_PARTS: usize = 4096;
/// Changes of one bit. One that changes oftener is no switch, and as a lead it would point at
/// nothing: of twelve losses each would have forty changes to itself.
const MOST_CHANGES: usize = 512;
/// Changes of all bits together; when there are more, the bits that change most are given up.
const MOST_OF_ALL: usize = 1 << 22;
/// Microseconds between two payloads that are kept, at first.
const STEP: Micros = 500_000;
/// Payloads kept of an identifier; when there are more, every second one is dropped.
const MOST_KEPT: usize = 2048;

/// A change of a bit: when, to what, and whether it was seen or lies somewhere in a silence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Turn(i64);

impl Turn {
    fn new(time: Micros, up: bool, seen: bool) -> Turn {
        Turn(time.clamp(-(1 << 60), 1 << 60) << 2 | i64::from(up) << 1 | i64::from(seen))
    }

    /// When.
    pub fn time(self) -> Micros {
        self.0 >> 2
    }

    /// Whether it is 1 from then on.
    pub fn up(self) -> bool {
        self.0 & 2 != 0
    }

    /// Whether it was seen when it happened.
    pub fn seen(self) -> bool {
        self.0 & 1 != 0
    }
}

/// What is kept of one identifier.
#[derive(Clone, Debug)]
pub struct Trace {
    /// Its channel, as the analysis numbers it.
    pub channel: ChannelIndex,
    /// The identifier.
    pub id: Id,
    /// Which part of what it carries.
    pub part: Part,
    /// Its first payload, the first byte lowest.
    pub first: u64,
    /// Bytes of its payload, the most that were seen.
    pub length: usize,
    /// Turns of each bit; none of those given up.
    pub turns: Vec<Vec<Turn>>,
    /// Bits that are looked at still.
    pub live: u64,
    /// Frames, and how many of them changed each byte.
    pub frames: u64,
    /// By byte.
    pub changed: [u64; 8],
    /// The payload at each multiple of the step; `None` where it was silent.
    pub kept: Vec<Option<u64>>,
    /// Microseconds between two of those.
    pub step: Micros,
    /// When its first frame came, and its last.
    pub heard: Span,
    last: u64,
    timeout: Micros,
}

/// Records the second look.
#[derive(Debug)]
pub struct Recorder {
    /// The time line.
    pub line: Line,
    places: Places,
    /// For each identifier the place of its trace.
    whole: Vec<usize>,
    /// Further parts of identifiers, by the trace of the whole.
    parts: Map<(usize, Part), usize>,
    /// One for each part of each identifier.
    pub traces: Vec<Trace>,
    limit: usize,
    total: usize,
}

/// Silence of an identifier without a rhythm after which a change is not placed in time, in
/// seconds. A frame that is sent on change is the change, so this is long.
const NO_RHYTHM: f64 = 3600.0;

/// Microseconds for which an answer to a tester holds: one that asks more seldom says too little of
/// when something changed.
const ASKED_AGAIN: Micros = 10_000_000;

impl Recorder {
    /// Before the first frame of captures that have been analysed.
    pub fn new(analysis: &Analysis) -> Recorder {
        Recorder {
            line: Line::of(analysis),
            places: Places::default(),
            whole: Vec::new(),
            parts: Map::default(),
            traces: Vec::new(),
            limit: MOST_CHANGES,
            total: 0,
        }
    }

    /// Takes the frames of a batch. `channels` are the places that the analysis has for the
    /// channels of the batch, `shift` is added to its time stamps.
    pub fn push(
        &mut self,
        batch: &Batch,
        analysis: &Analysis,
        channels: &[Option<ChannelIndex>],
        shift: Nanoseconds,
    ) {
        let mut piece = 0;
        for group in batch.grouped().iter() {
            let Some(channel) = channels.get(usize::from(group.channel)).copied().flatten() else {
                continue;
            };
            let Some(at) = self.places.of(channel, group.id, MOST_IDS) else { continue };
            if at == self.whole.len() {
                self.whole.push(self.traces.len());
                self.traces.push(Trace::new(channel, group.id, analysis));
            }
            let whole = self.whole[at];
            let answers = answers::are_of(group.id);
            for (time, position) in group.times.iter().zip(group.positions) {
                let kind = &batch.frames[*position as usize].kind;
                if matches!(kind, FrameKind::Classic(frame) if frame.is_remote()) {
                    continue;
                }
                let time = self.line.micros_near(time.saturating_add(shift), &mut piece);
                if answers && self.push_answers(whole, time, kind.bytes()) {
                    continue;
                }
                let (bytes, length) = kind.first_eight();
                let trace = &mut self.traces[whole];
                self.total += trace.push(time, u64::from_le_bytes(bytes), length, self.limit);
                if kind.bytes().len() > 8 {
                    self.push_rest(whole, time, kind.bytes());
                }
            }
        }
        while self.total > MOST_OF_ALL && self.limit > 1 {
            self.limit /= 2;
            self.give_up();
        }
    }

    /// Takes an answer to PIDs, one trace for each; whether it is one.
    fn push_answers(&mut self, whole: usize, time: Micros, payload: &[u8]) -> bool {
        let to = |pid, data: &[u8]| self.push_part(whole, Part::Answer(pid), time, data);
        answers::each(payload, to)
    }

    /// Takes what lies beyond the first eight bytes.
    fn push_rest(&mut self, whole: usize, time: Micros, payload: &[u8]) {
        for (at, bytes) in payload.chunks(8).enumerate().skip(1) {
            self.push_part(whole, Part::Payload(at as u8 * 8), time, bytes);
        }
    }

    fn push_part(&mut self, whole: usize, part: Part, time: Micros, bytes: &[u8]) {
        let at = match self.parts.get(&(whole, part)) {
            Some(at) => *at,
            None if self.parts.len() >= MOST_PARTS => return,
            None => {
                let at = self.traces.len();
                self.parts.insert((whole, part), at);
                self.traces.push(self.traces[whole].of_part(part));
                at
            }
        };
        let (length, mut payload) = (bytes.len().min(8), [0; 8]);
        payload[..length].copy_from_slice(&bytes[..length]);
        let payload = u64::from_le_bytes(payload);
        self.total += self.traces[at].push(time, payload, length, self.limit);
    }

    /// Gives up the bits that changed oftener than the limit.
    fn give_up(&mut self) {
        self.total = 0;
        for trace in &mut self.traces {
            for (bit, turns) in trace.turns.iter_mut().enumerate() {
                if turns.len() > self.limit {
                    trace.live &= !(1 << bit);
                    *turns = Vec::new();
                }
                self.total += turns.len();
            }
        }
    }

    /// Puts what came out of order into order, when all has been read.
    pub fn finish(&mut self) {
        for turns in self.traces.iter_mut().flat_map(|trace| &mut trace.turns) {
            if !turns.is_sorted() {
                turns.sort_unstable();
            }
        }
    }
}

impl Trace {
    fn new(channel: ChannelIndex, id: Id, analysis: &Analysis) -> Trace {
        let known = analysis.place_of(channel, id).map(|at| &analysis.identifiers[at]);
        // A counter turns by itself.
        let counter = known.and_then(|own| own.counter).map_or(0, |counter| {
            let mask = ((1_u64 << counter.width) - 1) << counter.bit;
            mask << (u32::from(counter.byte) * 8)
        });
        let timeout = known.and_then(|own| own.timeout).unwrap_or(NO_RHYTHM);
        let whole = Part::Payload(0);
        Trace::empty(channel, id, whole, !counter, nanoseconds(timeout) / 1000)
    }

    /// For another part of the same identifier.
    fn of_part(&self, part: Part) -> Trace {
        let timeout = match part {
            Part::Payload(_) => self.timeout,
            Part::Answer(_) => ASKED_AGAIN,
        };
        // The bits of a number are no switches.
        let live = if standard::fields(self.id, part).next().is_some() { 0 } else { !0 };
        Trace::empty(self.channel, self.id, part, live, timeout)
    }

    fn empty(channel: ChannelIndex, id: Id, part: Part, live: u64, timeout: Micros) -> Trace {
        Trace {
            channel,
            id,
            part,
            first: 0,
            length: 0,
            turns: vec![Vec::new(); 64],
            live,
            frames: 0,
            changed: [0; 8],
            kept: Vec::new(),
            step: STEP,
            heard: Span { from: 0, to: 0 },
            last: 0,
            timeout,
        }
    }

    /// Mean microseconds from one of its frames to the next.
    pub fn gap(&self) -> Micros {
        self.heard.length() / (self.frames.max(2) - 1) as Micros
    }

    /// Takes a payload; how many more turns are kept.
    fn push(&mut self, time: Micros, payload: u64, length: usize, limit: usize) -> usize {
        self.frames += 1;
        self.length = self.length.max(length);
        if self.frames == 1 {
            (self.first, self.last) = (payload, payload);
            self.heard = Span { from: time, to: time };
            return 0;
        }
        let seen = time.saturating_sub(self.heard.to) <= self.timeout;
        self.keep(time, seen);
        let mut all = payload ^ self.last;
        let mut added = 0;
        if all != 0 {
            for byte in 0..8 {
                self.changed[byte] += u64::from(all >> (8 * byte) & 0xFF != 0);
            }
            all &= self.live;
            while all != 0 {
                let bit = all.trailing_zeros() as usize;
                all &= all - 1;
                let turns = &mut self.turns[bit];
                if turns.len() >= limit {
                    self.live &= !(1 << bit);
                    *turns = Vec::new();
                } else {
                    turns.push(Turn::new(time, payload >> bit & 1 == 1, seen));
                    added += 1;
                }
            }
        }
        (self.last, self.heard.to) = (payload, time);
        added
    }

    /// Keeps the payload that held until now, at each step since the last one.
    #[inline]
    fn keep(&mut self, time: Micros, seen: bool) {
        if time < 0 || (self.kept.len() as Micros).saturating_mul(self.step) >= time {
            return;
        }
        self.keep_on(time, seen);
    }

    #[cold]
    fn keep_on(&mut self, time: Micros, seen: bool) {
        while (self.kept.len() as Micros).saturating_mul(self.step) < time {
            if self.kept.len() >= MOST_KEPT {
                let mut at = 0;
                self.kept.retain(|_| {
                    at += 1;
                    at % 2 == 1
                });
                self.step = self.step.saturating_mul(2);
                continue;
            }
            let at = self.kept.len() as Micros * self.step;
            let holds = seen && at >= self.heard.to;
            self.kept.push(holds.then_some(self.last));
        }
    }
}
