//! Requests and their answers: who answered, who did not, how long it took.

use std::collections::BTreeMap;
use std::collections::VecDeque;

use lostnode_parsers::Timestamp;
use lostnode_parsers::uds;

use super::hush::{ECU_RESET, Hush, Whose};
use super::{Message, Module, Party};
use crate::capture::ChannelIndex;

/// Time within which a module begins to answer, P2 (ISO 14229-2:2013, table 4; the same in ISO
/// 15765-4), in seconds.
pub const P2: f64 = 0.05;
/// Time within which a module answers after it said that the answer is pending, P2* (the same
/// table), in seconds.
pub const P2_STAR: f64 = 5.0;

/// What one module did with its requests.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Talk {
    /// Positive answers.
    pub positive: u64,
    /// Negative answers, without "answer pending", by reason.
    pub negative: BTreeMap<u8, u64>,
    /// "Answer pending" messages.
    pub pending: u64,
    /// Requests to this module alone that it did not answer.
    pub unanswered: u64,
    /// Answers that began later than P2, or later than P2* after the last "pending".
    pub late: u64,
    /// Longest time from a request to the beginning of its answer, in seconds.
    pub slowest: Option<f64>,
    /// When it was asked and did not answer, in order of time: the first [`Talk::MOST_MUTE`].
    pub mute: Vec<Mute>,
    /// When it answered.
    pub answered: Answered,
    last_answer: Option<Timestamp>,
}

/// A time in which a module was asked and did not answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mute {
    /// Its last answer before; `None` where it had not answered yet.
    pub since: Option<Timestamp>,
    /// First and last request that stayed without answer.
    pub asked: (Timestamp, Timestamp),
    /// Its first answer after; `None` where it did not answer again.
    pub until: Option<Timestamp>,
}

/// Times of answers, thinned out where there are many: of a logger that asks all day, so that
/// [`Answered::MOST`] of them cover it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answered {
    /// In order.
    pub times: Vec<Timestamp>,
    /// Nanoseconds from one that is kept to the next, at least.
    step: i64,
}

impl Answered {
    /// Times that are kept of one module, at most.
    pub const MOST: usize = 1024;
    /// The least step, in nanoseconds: what lies closer tells no more of who is there.
    const LEAST: i64 = 100_000_000;

    fn push(&mut self, time: Timestamp) {
        self.step = self.step.max(Self::LEAST);
        if self.times.last().is_some_and(|last| time.since(*last) < self.step) {
            return;
        }
        if self.times.len() >= Self::MOST {
            self.step *= 2;
            let mut even = false;
            self.times.retain(|_| {
                even = !even;
                even
            });
        }
        self.times.push(time);
    }
}

impl Talk {
    /// Times without answer that are kept of one module.
    pub const MOST_MUTE: usize = 64;

    /// Notes that it spoke.
    fn answered(&mut self, time: Option<Timestamp>) {
        let Some(time) = time else { return };
        self.last_answer = Some(time);
        self.answered.push(time);
        if let Some(mute) = self.mute.last_mut().filter(|mute| mute.until.is_none()) {
            mute.until = Some(time);
        }
    }

    /// Notes that a request of that time stayed without answer.
    fn stayed_mute(&mut self, asked: Option<Timestamp>) {
        self.unanswered += 1;
        let Some(asked) = asked else { return };
        if let Some(mute) = self.mute.last_mut().filter(|mute| mute.until.is_none()) {
            mute.asked.1 = asked;
        } else if self.mute.len() < Self::MOST_MUTE {
            self.mute.push(Mute { since: self.last_answer, asked: (asked, asked), until: None });
        }
    }
}

/// Whether a request ends the usual messages of who it is for: CommunicationControl, or a
/// programming session, in which a module runs nothing but its boot loader (ISO 14229-1:2020, 10.5
/// and 10.2; that those messages end then is common practice, no source).
fn switches_off(service: u8, data: &[u8]) -> bool {
    let sub = data.first().map(|sub| sub & 0x7F);
    // Sub-function 0 of it lets all send again.
    service == 0x28 && sub != Some(0x00) || service == 0x10 && sub == Some(0x02)
}

/// A request that waits for answers, or an answered one.
#[derive(Clone, Debug)]
pub struct Request {
    /// When it ended.
    pub time: Option<Timestamp>,
    channel: ChannelIndex,
    from: Party,
    /// Who it is for.
    pub to: Party,
    /// Its first bytes.
    pub data: Vec<u8>,
    answered: bool,
    /// Last "answer pending".
    pending: Option<Timestamp>,
    suppressed: bool,
}

/// Requests waiting at once; older ones count as unanswered.
const MOST_WAITING: usize = 64;
/// Modules told apart.
const MOST_MODULES: usize = 4096;

/// Adds to a list of which the last [`Hush::MOST`] are kept.
fn keep_last<T>(list: &mut Vec<T>, one: T) {
    if list.len() >= Hush::MOST {
        list.remove(0);
    }
    list.push(one);
}

/// All exchanges of a capture.
#[derive(Clone, Debug, Default)]
pub struct Exchanges {
    waiting: VecDeque<Request>,
    /// What each module did.
    pub talks: BTreeMap<Module, Talk>,
    /// A tester asked for something that ends the usual messages of a module.
    pub switched_off: bool,
    /// Modules that it told one by one to be silent in the last seconds, and when.
    told_one_by_one: Vec<(Timestamp, Party)>,
    /// When it had modules be silent, or start anew; the last [`Hush::MOST`] times.
    pub hushes: Vec<Hush>,
    /// When one module said that it starts anew as it was told; the last [`Hush::MOST`] times.
    pub resets: Vec<Reset>,
}

/// A module was told to start anew, and said that it does (ISO 14229-1:2020, 10.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reset {
    /// Which.
    pub module: Module,
    /// When it was told so.
    pub asked: Timestamp,
    /// When it answered.
    pub said: Timestamp,
}

impl Exchanges {
    /// Takes a whole message; for an answer, the request it answers.
    pub fn push(&mut self, message: &Message<'_>) -> Option<Request> {
        if !message.from_module {
            self.ask(message);
            return None;
        }
        let (service, negative) = match uds::Message::parse(message.data) {
            uds::Message::Positive { service, .. } => (service.id, None),
            uds::Message::Negative { service, reason } => (service, Some(reason)),
            _ => return None,
        };
        let asked = self.waiting.iter_mut().rev().find(|request| {
            request.channel == message.channel
                && request.data.first() == Some(&service)
                && (request.to == Party::Everyone || request.to == message.from)
        });
        // `None` for an answer to nothing that was asked in the capture.
        let asked = asked?;
        let since =
            asked.pending.filter(|_| negative != Some(uds::RESPONSE_PENDING)).or(asked.time);
        let limit = if asked.pending.is_some() { P2_STAR } else { P2 };
        let waited = match (message.begun, since) {
            (Some(begun), Some(since)) => Some(begun.since(since) as f64 / 1e9),
            _ => None,
        };
        asked.answered = true;
        if negative == Some(uds::RESPONSE_PENDING) {
            asked.pending = message.time;
        }
        let request = asked.clone();
        let resets = service == ECU_RESET && negative.is_none() && request.to != Party::Everyone;
        if let Some(said) = message.time.filter(|_| resets) {
            let asked = request.time.unwrap_or(said);
            let module = Module { channel: message.channel, party: message.from };
            keep_last(&mut self.resets, Reset { module, asked, said });
        }
        if let Some(said) = message.time.filter(|_| negative.is_none()) {
            self.obeys(message, &request, said);
        }
        if let Some(talk) = self.talk(Module { channel: message.channel, party: message.from }) {
            talk.answered(message.time);
            match negative {
                None => talk.positive += 1,
                Some(uds::RESPONSE_PENDING) => talk.pending += 1,
                Some(reason) => *talk.negative.entry(reason).or_default() += 1,
            }
            if let Some(waited) = waited.filter(|waited| *waited >= 0.0) {
                talk.late += u64::from(waited > limit);
                talk.slowest = Some(talk.slowest.map_or(waited, |slowest| slowest.max(waited)));
            }
        }
        Some(request)
    }

    /// An answer began and did not come whole: the module was not silent.
    pub(super) fn broken(&mut self, message: &Message<'_>) {
        let answers = |request: &&mut Request| {
            request.channel == message.channel
                && (request.to == Party::Everyone || request.to == message.from)
        };
        if let Some(request) =
            self.waiting.iter_mut().rev().find(answers).filter(|_| message.from_module)
        {
            request.answered = true;
            let module = Module { channel: message.channel, party: message.from };
            if let Some(talk) = self.talks.get_mut(&module) {
                talk.answered(message.time);
            }
        }
    }

    fn ask(&mut self, message: &Message<'_>) {
        let uds::Message::Request { service, data } = uds::Message::parse(message.data) else {
            return;
        };
        self.switched_off |= switches_off(service.id, data);
        match message.time {
            Some(time) if message.to == Party::Everyone => self.hush(service.id, data, time),
            Some(time) => {
                let module = Module { channel: message.channel, party: message.to };
                self.let_speak(module, service.id, data, time);
                self.hush_one(message.to, service.id, data, time);
            }
            None => {}
        }
        // The tester asks the next question when it has waited long enough for the last.
        let over = |request: &Request| {
            request.channel == message.channel
                && request.from == message.from
                && (request.to == message.to || request.to == Party::Everyone)
        };
        while let Some(at) = self.waiting.iter().position(over) {
            self.close(at);
        }
        if self.waiting.len() == MOST_WAITING {
            self.close(0);
        }
        let suppressed =
            uds::has_sub_function(service.id) && data.first().is_some_and(|sub| sub & 0x80 != 0);
        self.waiting.push_back(Request {
            time: message.time,
            channel: message.channel,
            from: message.from,
            to: message.to,
            data: message.data[..message.data.len().min(8)].to_vec(),
            answered: false,
            pending: None,
            suppressed,
        });
    }

    /// Notes that all modules were told to be silent, or to send again.
    fn hush(&mut self, service: u8, data: &[u8], time: Timestamp) {
        if Hush::is_over(service, data) {
            let open = self.hushes.iter_mut().filter(|hush| hush.until.is_none());
            open.for_each(|hush| hush.until = Some(time));
        }
        if let Some(hush) = Hush::of(service, data, time) {
            keep_last(&mut self.hushes, hush);
        }
    }

    /// Notes that one module says that it will be silent, as it was asked to: that is proof.
    fn obeys(&mut self, message: &Message<'_>, request: &Request, said: Timestamp) {
        let [service, data @ ..] = request.data.as_slice() else { return };
        let one = request.to != Party::Everyone;
        let hush = Hush::of(*service, data, said).filter(|hush| one && !hush.resets);
        if let Some(hush) = hush {
            let whose = Whose::Module(Module { channel: message.channel, party: message.from });
            keep_last(&mut self.hushes, Hush { whose, ..hush });
        }
    }

    /// Notes that one module was told to send again, or to start anew.
    fn let_speak(&mut self, module: Module, service: u8, data: &[u8], time: Timestamp) {
        if Hush::is_over(service, data) || service == ECU_RESET {
            let own =
                |hush: &&mut Hush| hush.until.is_none() && hush.whose == Whose::Module(module);
            self.hushes.iter_mut().filter(own).for_each(|hush| hush.until = Some(time));
        }
    }

    /// Notes that one module was told so: some testers go from one to the next.
    fn hush_one(&mut self, to: Party, service: u8, data: &[u8], time: Timestamp) {
        let told = self.told_one_by_one.len();
        if told >= Hush::ONE_BY_ONE && service != 0x10 && Hush::is_over(service, data) {
            self.told_one_by_one.clear();
            self.hush(service, data, time);
        }
        if Hush::of(service, data, time).is_none_or(|hush| hush.resets) {
            return;
        }
        let soon = |before: Timestamp| time.since(before) <= Hush::NEXT_ONE;
        self.told_one_by_one.retain(|(before, party)| soon(*before) && *party != to);
        self.told_one_by_one.push((time, to));
        if self.told_one_by_one.len() >= Hush::ONE_BY_ONE {
            self.hush(service, data, time);
        }
    }

    fn close(&mut self, at: usize) {
        let Some(request) = self.waiting.remove(at) else { return };
        if !request.answered && !request.suppressed && request.to != Party::Everyone {
            let module = Module { channel: request.channel, party: request.to };
            if let Some(talk) = self.talk(module) {
                talk.stayed_mute(request.time);
            }
        }
    }

    fn talk(&mut self, module: Module) -> Option<&mut Talk> {
        if self.talks.len() >= MOST_MODULES && !self.talks.contains_key(&module) {
            return None;
        }
        Some(self.talks.entry(module).or_default())
    }

    /// Counts what still waits.
    pub fn finish(&mut self) {
        while !self.waiting.is_empty() {
            self.close(0);
        }
    }
}
