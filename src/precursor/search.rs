//! All that is tried: turns of bits before and after the losses, states of bits, levels and values
//! of fields.

use std::cmp::Ordering;
use std::sync::atomic::{AtomicUsize, Ordering as AtomicOrdering};
use std::thread;

use super::exact::{Family, tails};
use super::levels;
use super::line::{Micros, Span};
use super::recorder::{Recorder, Trace};
use super::target::{Episode, FEWEST_LOSSES, LONGEST, Target};
use super::trial::{Score, after_times, before_times, nearest, score, scores};
use crate::analysis::just_before::{Change, Field, Place};

/// How long before a loss, or after it, something happens, in microseconds. Each is about half as
/// long again as the one before it, so that hardly more chance is let in than the lead needs; as
/// each lies in the next, many of them cost little ([`Family::corrected`]).
const WINDOWS: [Micros; 13] = [
    100_000, 150_000, 200_000, 300_000, 500_000, 700_000, 1_000_000, 1_500_000, 2_000_000,
    3_000_000, 5_000_000, 7_000_000, LONGEST,
];
/// Stretches before a loss that end before it, in microseconds: a relay, a pump or a door that runs
/// takes its time, and that is much the same each time. From 1 s up, about to a third: what comes
/// sooner surprises as it is.
const BANDS: [(Micros, Micros); 7] = [
    (300_000, 1_000_000),
    (500_000, 1_500_000),
    (700_000, 2_000_000),
    (1_000_000, 3_000_000),
    (1_500_000, 5_000_000),
    (2_000_000, 7_000_000),
    (3_000_000, LONGEST),
];
/// A candidate less surprising than this, before any correction, is no lead.
const SURPRISES: f64 = 1e-3;
/// Candidates kept, the most surprising ones.
const MOST_CANDIDATES: usize = 256;

/// What kinds of candidates there are. The risk of a false lead is shared out among them, so that
/// many of one kind do not drown those of another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sort {
    /// A bit turns before the losses.
    Turn,
    /// A bit stands at a value as they begin.
    State,
    /// A field is high or low.
    Level,
    /// A field has one of its rare values.
    Value,
    /// A bit turns after the losses; asked by itself.
    After,
}

impl Sort {
    const ALL: [Sort; 5] = [Sort::Turn, Sort::State, Sort::Level, Sort::Value, Sort::After];

    /// Its share of the risk. Switches and what they switch are what triggers most losses that a
    /// driver can provoke, so turns have the largest. What is left is that of times since something
    /// ([`super::since`]).
    pub fn share(self) -> f64 {
        match self {
            Sort::Turn => 0.57,
            Sort::State | Sort::Level => 0.15,
            Sort::Value => 0.1,
            Sort::After => 1.0,
        }
    }
}

/// A candidate that surprises.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// Where.
    pub place: Place,
    /// Place of its identifier among the traces.
    pub trace: usize,
    /// What it does.
    pub change: Change,
    /// Microseconds before the loss, after it where negative; 0 for what holds.
    pub window: Micros,
    /// And no less than so many.
    pub least: Micros,
    /// What kind of candidate.
    pub sort: Sort,
    /// Which losses are hits.
    pub hit: u64,
    /// How probable so many hits are by chance, for this candidate alone.
    pub p: f64,
}

/// All that was tried for one target.
#[derive(Debug, Default)]
pub struct Tried {
    families: [Family; Sort::ALL.len()],
    /// Those that surprise, the most surprising first.
    pub best: Vec<Candidate>,
}

impl Tried {
    /// Notes a candidate with each of its windows, the shortest first, and keeps what surprises;
    /// how many of them could.
    pub fn note(
        &mut self,
        sort: Sort,
        windows: &[Score],
        keep: impl Fn(usize) -> Candidate,
    ) -> usize {
        let family = &mut self.families[sort as usize];
        // Where all losses were hits it could still be chance: most windows end here, and with each
        // all that are longer.
        let all = |score: &Score| score.chances.iter().product::<f64>();
        let could = windows.partition_point(|score| all(score) <= SURPRISES);
        family.tried += windows.len() - could;
        let windows = &windows[..could];
        let Some(first) = windows.first() else { return 0 };
        let of: Vec<Vec<f64>> = windows.iter().map(|score| tails(&score.chances)).collect();
        family.add(&of, enough(first.chances.len()));
        for (at, (score, tails)) in windows.iter().zip(&of).enumerate() {
            let p = tails[score.hits()];
            if p <= SURPRISES && is_enough(score.hits(), score.chances.len()) {
                self.keep(Candidate { sort, hit: score.hit, p, ..keep(at) });
            }
        }
        could
    }

    /// Notes candidates of which the probability is even by chance.
    pub fn note_even(&mut self, count: usize) {
        self.families[Sort::Level as usize].add_even(count);
    }

    /// Keeps a candidate, if it is among the most surprising ones.
    pub fn keep(&mut self, candidate: Candidate) {
        if candidate.p > SURPRISES {
            return;
        }
        self.best.push(candidate);
        if self.best.len() >= 2 * MOST_CANDIDATES {
            self.sort();
            self.best.truncate(MOST_CANDIDATES);
        }
    }

    fn sort(&mut self) {
        self.best.sort_by(by_surprise);
    }

    /// The probability that anything that was tried surprises as much by chance.
    pub fn corrected(&self, candidate: &Candidate, targets: usize) -> f64 {
        let family = &self.families[candidate.sort as usize];
        (family.corrected(candidate.p) / candidate.sort.share() * targets as f64).min(1.0)
    }

    /// Those whose corrected probability is at most `risk`, the most surprising first.
    pub fn sure(&self, risk: f64, targets: usize) -> Vec<&Candidate> {
        let mut out: Vec<&Candidate> = Vec::new();
        for sort in Sort::ALL {
            // In order, and the correction grows with what is corrected.
            let own: Vec<&Candidate> = self.best.iter().filter(|own| own.sort == sort).collect();
            let sure = own.partition_point(|own| self.corrected(own, targets) <= risk);
            out.extend(&own[..sure]);
        }
        out.sort_by(|a, b| by_surprise(a, b));
        out
    }

    /// How much was tried before the losses.
    pub fn count(&self) -> usize {
        self.families[..Sort::After as usize].iter().map(|family| family.tried).sum()
    }

    /// Turns that were tried.
    pub fn turns(&self) -> usize {
        self.families[Sort::Turn as usize].tried
    }
}

fn by_surprise(a: &Candidate, b: &Candidate) -> Ordering {
    let key = |own: &Candidate| (own.window.abs(), own.place, own.change);
    a.p.total_cmp(&b.p).then_with(|| key(a).cmp(&key(b)))
}

/// Whether so many losses of all make a lead: three, and half of them.
pub fn is_enough(hits: usize, losses: usize) -> bool {
    hits >= enough(losses)
}

/// From how many hits on.
pub fn enough(losses: usize) -> usize {
    FEWEST_LOSSES.max(losses.div_ceil(2))
}

/// Traces that a thread takes at a time.
const SHARE: usize = 16;

/// Tries all that was recorded, on so many threads; the result does not depend on that.
pub fn search(target: &Target, recorder: &Recorder, threads: usize) -> Tried {
    let shares = recorder.traces.len().div_ceil(SHARE);
    let next = AtomicUsize::new(0);
    let work = || {
        let shares = std::iter::repeat_with(|| next.fetch_add(1, AtomicOrdering::Relaxed))
            .take_while(|share| *share < shares);
        shares.map(|share| (share, try_share(target, recorder, share * SHARE))).collect::<Vec<_>>()
    };
    let mut parts = thread::scope(|scope| {
        let others: Vec<_> = (1..threads.min(shares)).map(|_| scope.spawn(work)).collect();
        let mut parts = work();
        for other in others {
            parts.extend(other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        parts
    });
    parts.sort_by_key(|(share, _)| *share);
    let mut tried = Tried::default();
    for (_, part) in parts {
        tried.families.iter_mut().zip(part.families).for_each(|(own, more)| own.append(more));
        tried.best.extend(part.best);
    }
    tried.sort();
    tried.best.truncate(MOST_CANDIDATES);
    tried
}

fn try_share(target: &Target, recorder: &Recorder, first: usize) -> Tried {
    let mut tried = Tried::default();
    for (at, trace) in recorder.traces.iter().enumerate().skip(first).take(SHARE) {
        for bit in 0..64 {
            if !trace.turns[bit].is_empty() {
                turns(target, (at, trace), bit, &mut tried);
                states(target, (at, trace), bit, &mut tried);
            }
        }
        levels::try_all(target, (at, trace), &mut tried);
    }
    tried
}

/// When a bit turned up, or down, as far as that was seen.
pub fn onsets(trace: &Trace, bit: usize, up: bool) -> Vec<Micros> {
    let own = trace.turns[bit].iter().filter(|turn| turn.seen() && turn.up() == up);
    own.map(|turn| turn.time()).collect()
}

fn candidate(
    (at, trace): (usize, &Trace),
    bit: usize,
    change: Change,
    window: Micros,
) -> Candidate {
    let field = Field::bit(bit as u8);
    Candidate {
        place: Place { channel: trace.channel, id: trace.id, part: trace.part, field },
        trace: at,
        change,
        window,
        least: 0,
        sort: Sort::Turn,
        hit: 0,
        p: 1.0,
    }
}

fn turns(target: &Target, own: (usize, &Trace), bit: usize, tried: &mut Tried) {
    // What a lost node itself says after its return says nothing of who misses it.
    let is_own = target.own.contains(&(own.1.channel, own.1.id));
    for (up, change) in [(true, Change::Rises), (false, Change::Falls)] {
        let times = onsets(own.1, bit, up);
        if times.len() < FEWEST_LOSSES {
            continue;
        }
        let before = turn_scores(target, &times);
        tried.note(Sort::Turn, &before, |at| candidate(own, bit, change, WINDOWS[at]));
        for (at, (least, window)) in BANDS.into_iter().enumerate() {
            let of_band = band_score(target, &times, least, window);
            let new = |_| Candidate { least, ..candidate(own, bit, change, window) };
            if tried.note(Sort::Turn, &[of_band], new) == 0 {
                // Each is wider than the one before.
                tried.families[Sort::Turn as usize].tried += BANDS.len() - at - 1;
                break;
            }
        }
        if !is_own {
            let back = onsets(own.1, bit, !up);
            let after = after_scores(target, &times, &back, WINDOWS);
            tried.note(Sort::After, &after, |at| candidate(own, bit, change, -WINDOWS[at]));
        }
    }
}

/// How a turn within each of the windows before the losses does.
fn turn_scores(target: &Target, times: &[Micros]) -> [Score; WINDOWS.len()] {
    let hit = |episode: &Episode| {
        let last = nearest(times, LONGEST, episode.at);
        WINDOWS.map(|window| last.is_some_and(|last| episode.at - last < window))
    };
    scores(target, hit, |span| after_times(times, WINDOWS, span))
}

/// How a turn between so long and so long before the losses does.
pub fn band_score(target: &Target, times: &[Micros], least: Micros, most: Micros) -> Score {
    let sooner = |time: Micros| time.saturating_sub(least);
    let hit = |episode: &Episode| [nearest(times, most - least, sooner(episode.at)).is_some()];
    let [own] = scores(target, hit, |span| {
        let span = Span { from: sooner(span.from), to: sooner(span.to) };
        after_times(times, [most - least], span)
    });
    own
}

/// How a turn within each of some windows after the losses does, `back` being the turns the other
/// way. What had turned shortly before a loss and turns back after it is a switch that was let go
/// of, or a knock that is over: no consequence, for it began before the loss.
pub fn after_scores<const N: usize>(
    target: &Target,
    times: &[Micros],
    back: &[Micros],
    windows: [Micros; N],
) -> [Score; N] {
    let hit = |episode: &Episode| {
        let next = nearest(times, -LONGEST, episode.at)
            .filter(|_| nearest(back, LONGEST, episode.at).is_none());
        windows.map(|window| next.is_some_and(|next| next - episode.at < window))
    };
    scores(target, hit, |span| before_times(times, windows, span))
}

fn states(target: &Target, own: (usize, &Trace), bit: usize, tried: &mut Tried) {
    for value in [1, 0] {
        let spans = standing(own.1, bit, value == 1);
        let now = state_score(target, &spans);
        tried.note(Sort::State, &[now], |_| candidate(own, bit, Change::Is(value), 0));
    }
}

/// When a bit stood at a value.
pub fn standing(trace: &Trace, bit: usize, up: bool) -> Vec<Span> {
    let mut out = Vec::new();
    let mut since = ((trace.first >> bit & 1 == 1) == up).then_some(Micros::MIN);
    for turn in &trace.turns[bit] {
        match since {
            Some(from) if turn.up() != up => {
                out.push(Span { from, to: turn.time() });
                since = None;
            }
            None if turn.up() == up => since = Some(turn.time()),
            _ => {}
        }
    }
    out.extend(since.map(|from| Span { from, to: Micros::MAX }));
    out
}

/// How a state as the losses begin does.
pub fn state_score(target: &Target, spans: &[Span]) -> Score {
    let hit = |episode: &Episode| {
        let next = spans.partition_point(|span| span.to <= episode.at);
        spans.get(next).is_some_and(|span| span.from <= episode.at)
    };
    let covered = |part: Span| {
        let first = spans.partition_point(|span| span.to <= part.from);
        let own = spans[first..].iter().take_while(|span| span.from < part.to);
        own.map(|span| span.within(part).length()).sum()
    };
    score(target, hit, covered)
}
