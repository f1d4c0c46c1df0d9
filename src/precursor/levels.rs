//! Levels and values of fields: is a temperature, a voltage, a speed high or low as the losses
//! begin, or has a byte a value that it seldom has?

use super::exact::low_ranks;
use super::line::Micros;
use super::recorder::Trace;
use super::search::{Candidate, Sort, Tried, is_enough};
use super::standard;
use super::target::Target;
use super::trial::Score;
use crate::analysis::just_before::{Change, Field, Part, Place};

/// A byte that changes with more than this share of the frames is a counter, a checksum or noise;
/// a level holds for a while.
const BUSY: f64 = 0.8;
/// Values of a byte up to which it can be a choice, such as a gear or a mode.
const MOST_VALUES: usize = 32;
/// A loss counts as one at a high level where the field is so high for at most this share of the
/// time around it.
const HIGH: f64 = 0.2;

/// Payloads of the blocks and of the losses.
struct Samples {
    /// The payload as each loss begins.
    at: Vec<Option<u64>>,
    /// For each loss, the place of its block in `around`.
    block: Vec<usize>,
    around: Vec<Vec<u64>>,
}

/// Tries the levels and values of all fields of an identifier.
pub fn try_all(target: &Target, own: (usize, &Trace), tried: &mut Tried) {
    let trace = own.1;
    if trace.kept.len() < 2 || trace.changed.iter().all(|count| *count == 0) {
        return;
    }
    // What a PID is, the standard says; other parts of it are none.
    let known: Vec<Field> = standard::fields(trace.id, trace.part).map(|(_, own)| own).collect();
    let mut fields = match trace.part {
        Part::Answer(_) if !known.is_empty() => Vec::new(),
        _ => fields(trace),
    };
    for field in known {
        let inside = usize::from(field.byte + field.width / 8) <= trace.length;
        if inside && !fields.contains(&field) {
            fields.push(field);
        }
    }
    if fields.is_empty() {
        return;
    }
    let samples = samples(target, trace);
    for field in fields {
        level(own, field, &samples, tried);
        if field.width == 8 {
            values(own, field, &samples, tried);
        }
    }
}

/// Bytes and pairs of bytes that hold a value for a while.
fn fields(trace: &Trace) -> Vec<Field> {
    let share = |byte: usize| trace.changed[byte] as f64 / trace.frames.max(1) as f64;
    let calm = |byte: usize| share(byte) > 0.0 && share(byte) <= BUSY;
    let length = trace.length.min(8);
    let mut out: Vec<Field> = (0..length)
        .filter(|byte| calm(*byte))
        .map(|byte| Field { byte: byte as u8, bit: None, width: 8, high_first: false })
        .collect();
    for byte in (0..length.saturating_sub(1)).step_by(2) {
        for (high_first, high, low) in [(false, byte + 1, byte), (true, byte, byte + 1)] {
            if calm(high) && share(low) > 0.0 {
                out.push(Field { byte: byte as u8, bit: None, width: 16, high_first });
            }
        }
    }
    out
}

/// The place of the kept payload that held at a moment.
fn place(trace: &Trace, at: Micros) -> usize {
    (at / trace.step).max(0) as usize
}

fn samples(target: &Target, trace: &Trace) -> Samples {
    let kept = |place: usize| trace.kept.get(place).copied().flatten();
    let at = target.episodes.iter().map(|episode| {
        let place = place(trace, episode.at);
        // Of what the lost node sends, the last before its silence.
        kept(place).or_else(|| kept(place.checked_sub(1)?))
    });
    let at = at.collect();
    // Losses of one block share its samples.
    let mut distinct: Vec<usize> = Vec::new();
    let block = target.episodes.iter().map(|own| {
        distinct.iter().position(|known| *known == own.block).unwrap_or_else(|| {
            distinct.push(own.block);
            distinct.len() - 1
        })
    });
    let block = block.collect();
    let around = distinct.iter().map(|block| {
        let parts = target.blocks[*block].parts.iter();
        let of_part = parts.map(|part| {
            let to = place(trace, part.to).saturating_add(1).min(trace.kept.len());
            &trace.kept[place(trace, part.from).min(to)..to]
        });
        of_part.flatten().copied().flatten().collect()
    });
    let around = around.collect();
    Samples { at, block, around }
}

fn candidate((at, trace): (usize, &Trace), field: Field, change: Change) -> Candidate {
    Candidate {
        place: Place { channel: trace.channel, id: trace.id, part: trace.part, field },
        trace: at,
        change,
        window: 0,
        least: 0,
        sort: Sort::Level,
        hit: 0,
        p: 1.0,
    }
}

/// By rank in its block, each loss for itself: a level that drifts over the drive is compared with
/// what it was around that loss.
fn level(own: (usize, &Trace), field: Field, samples: &Samples, tried: &mut Tried) {
    tried.note_even(2);
    let values: Vec<Option<u64>> =
        samples.at.iter().map(|payload| payload.map(|payload| field.value(payload))).collect();
    let (mut above, mut below) = (Vec::new(), Vec::new());
    for (value, block) in values.iter().zip(&samples.block) {
        let around = &samples.around[*block];
        let (mut high, mut low) = (0_usize, 0_usize);
        for payload in around {
            let other = field.value(*payload);
            high += usize::from(value.is_some_and(|value| other >= value));
            low += usize::from(value.is_some_and(|value| other <= value));
        }
        let rank = |count: usize| match value {
            // What is not known speaks against nothing and for nothing.
            None => 1.0,
            Some(_) => (count.max(1) as f64 / around.len().max(1) as f64).min(1.0),
        };
        above.push(rank(high));
        below.push(rank(low));
    }
    for (ranks, is_above) in [(above, true), (below, false)] {
        let hit = ranks.iter().enumerate().filter(|(_, rank)| **rank <= HIGH);
        let hit: Vec<usize> = hit.map(|(at, _)| at).collect();
        if !is_enough(hit.len(), ranks.len()) {
            continue;
        }
        let of_hits = || hit.iter().filter_map(|at| values[*at]);
        let change = match is_above {
            true => Change::Above(of_hits().min().unwrap_or(0)),
            false => Change::Below(of_hits().max().unwrap_or(0)),
        };
        let mask = hit.iter().fold(0, |mask, at| mask | 1 << at);
        let p = low_ranks(&ranks);
        tried.keep(Candidate { hit: mask, p, ..candidate(own, field, change) });
    }
}

/// A value that a byte has as the losses begin, and seldom otherwise.
fn values(own: (usize, &Trace), field: Field, samples: &Samples, tried: &mut Tried) {
    let mut counts: Vec<Box<[u32; 256]>> = Vec::new();
    let mut present = [false; 256];
    for around in &samples.around {
        let mut own = Box::new([0; 256]);
        for payload in around {
            let value = field.value(*payload) as usize & 0xFF;
            own[value] += 1;
            present[value] = true;
        }
        counts.push(own);
    }
    let count = present.iter().filter(|seen| **seen).count();
    // Of two values one bit tells as much.
    if !(3..=MOST_VALUES).contains(&count) {
        return;
    }
    for value in (0..256).filter(|value| present[*value]) {
        let mut score = Score { hit: 0, chances: Vec::new() };
        for (at, (payload, block)) in samples.at.iter().zip(&samples.block).enumerate() {
            let is_hit = payload.is_some_and(|own| field.value(own) == value as u64);
            score.hit |= u64::from(is_hit) << at;
            let all = samples.around[*block].len().max(1) as f64;
            score.chances.push((f64::from(counts[*block][value]).max(1.0) / all).min(1.0));
        }
        let change = Change::Is(value as u64);
        tried.note(Sort::Value, &[score], |_| candidate(own, field, change));
    }
}

/// How a level or a value that is given does.
pub fn score_again(target: &Target, trace: &Trace, field: Field, change: Change) -> Score {
    let samples = samples(target, trace);
    let holds = |payload: u64| match (change, field.value(payload)) {
        (Change::Above(least), value) => value >= least,
        (Change::Below(most), value) => value <= most,
        (Change::Is(own), value) => value == own,
        _ => false,
    };
    let mut score = Score { hit: 0, chances: Vec::new() };
    for (at, (payload, block)) in samples.at.iter().zip(&samples.block).enumerate() {
        score.hit |= u64::from(payload.is_some_and(holds)) << at;
        let around = &samples.around[*block];
        let count = around.iter().filter(|payload| holds(**payload)).count();
        score.chances.push((count.max(1) as f64 / around.len().max(1) as f64).min(1.0));
    }
    score
}
