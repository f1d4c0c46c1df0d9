//! Senders by a field of 29-bit identifiers, where clocks confirm it.
//!
//! Many makers put priority, parameter and sender into 29 bits, the sender lowest (common practice,
//! no source; SAE J1939-21 has its address there). No standard says where the field of a maker ends
//! or that it is one, so quartz clocks must: they agree within a value, and differ between most.

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use super::by_clock::Skew;
use super::clocks::{Clocks, FAR};
use super::{Basis, Node, unnamed};
use crate::capture::ChannelIndex;
use crate::fold::j1939::{self, J1939};
use crate::fold::timing::Timing;
use crate::ids::IdIndex;
use crate::silence::Losses;

/// Fewest bits of the field: 32 senders.
const FEWEST_BITS: u32 = 5;
/// So many bits above it that no identifier uses show where it ends.
const UNUSED: u32 = 0b11;
/// Bits of a source address (SAE J1939-21, 5.2).
const ADDRESS: u32 = 8;

/// Furthest that quartz is off: the usual 100 ppm, with age and heat, and as much again. What is
/// further off is a task that comes late each time, which tells nothing of the sender.
const QUARTZ: f64 = 300e-6;
/// Clocks that can be told apart only where they lie further apart than this say nothing.
const VAGUE: f64 = FAR / 2.0;
/// Two senders come as near as this by chance once in five times …
const SHARP: f64 = FAR / 5.0;
/// … so that of two values compared so sharply at least this share must differ: else one sender
/// has several of them, as on the truck of `truck-1`.
const DIFFER_SHARPLY: f64 = 0.5;

/// Senders on one bus, at most (addresses of SAE J1939-81), and identifiers of each that are
/// compared: those whose clocks are known best.
const MOST_SENDERS: usize = 254;
const MOST_OF_ONE: usize = 16;

/// Fewest pairs of identifiers of one value, and of two.
const PAIRS: [usize; 2] = [2, 3];
/// Largest share of pairs of one value whose clocks differ: measured where tasks shift with load.
const DIFFER_WITHIN: f64 = 0.15;
/// Smallest share of pairs of two values whose clocks differ …
const DIFFER_BETWEEN: f64 = 0.25;
/// … which is so many times that of one value.
const TIMES: f64 = 4.0;
/// Largest chance that the clocks of each value would agree as they do if they were of anybody.
const CHANCE: f64 = 0.01;

/// The bits of an identifier that name its sender, by channel; `None` where none do, or where an
/// address does by SAE J1939.
#[derive(Debug)]
pub(super) struct Fields(Vec<Option<u32>>);

impl Fields {
    /// Those that clocks confirm.
    pub(super) fn of(timing: &Timing, losses: &Losses, clocks: &Clocks) -> Fields {
        let speaks = j1939::of(timing);
        let field = |(channel, speaks): (usize, J1939)| {
            let mask = match speaks {
                J1939::Yes => return None,
                J1939::FormOnly => (1 << ADDRESS) - 1,
                J1939::No => lowest(&all(timing, losses, channel))?,
            };
            confirmed(timing, clocks, &carried(timing, channel as ChannelIndex, mask))
                .then_some(mask)
        };
        Fields(speaks.into_iter().enumerate().map(field).collect())
    }

    /// What an identifier has in the field.
    pub(super) fn value(&self, channel: ChannelIndex, id: Id) -> Option<u32> {
        let mask = (*self.0.get(usize::from(channel))?)?;
        data(id).map(|raw| raw & mask)
    }

    /// Senders of what several identifiers have in the field. One that has a value to itself is
    /// left to clocks and silences: frames of network management are often numbered otherwise.
    pub(super) fn nodes(&self, timing: &Timing) -> Vec<Node> {
        let carried = self.0.iter().enumerate().filter_map(|(channel, mask)| {
            Some(carried(timing, channel as ChannelIndex, (*mask)?).into_values())
        });
        // Measured: of the values that were accepted none mixed two senders; less than a standard.
        let node = |ids| unnamed(timing, ids, Basis::Field, 0.9);
        carried.flatten().map(node).collect()
    }
}

/// The bits of a data identifier of 29 bits; diagnosis by address has fields of its own
/// (ISO 15765-2).
fn data(id: Id) -> Option<u32> {
    let Id::Extended(id) = id else { return None };
    Some(id.as_raw()).filter(|raw| !j1939::is_diagnosis(*raw))
}

/// Data identifiers of a channel, also those that the roster misses.
fn all(timing: &Timing, losses: &Losses, channel: usize) -> Vec<u32> {
    let heard = timing.ids.iter().filter(|id| usize::from(id.key.channel) == channel);
    let missing = losses.channels.get(channel).into_iter().flat_map(|own| &own.roll.missing);
    heard.map(|id| id.key.id).chain(missing.map(|own| own.id)).filter_map(data).collect()
}

/// The lowest bits, up to those that nobody uses.
fn lowest(all: &[u32]) -> Option<u32> {
    let used = all.iter().fold(0, |used, raw| used | raw);
    let ends = |bits: &u32| used >> bits & UNUSED == 0 && used >> bits != 0;
    (FEWEST_BITS..29).find(ends).map(|bits| (1 << bits) - 1)
}

/// Identifiers by value, where a value has several.
fn carried(timing: &Timing, channel: ChannelIndex, mask: u32) -> BTreeMap<u32, Vec<IdIndex>> {
    let mut out: BTreeMap<u32, Vec<IdIndex>> = BTreeMap::new();
    let own = timing.ids.iter().enumerate().filter(|(_, id)| id.key.channel == channel);
    for (at, id) in own {
        if let Some(raw) = data(id.key.id) {
            out.entry(raw & mask).or_default().push(IdIndex(at));
        }
    }
    out.retain(|_, ids| ids.len() > 1);
    out
}

/// Pairs of clocks, and how many of them differ.
#[derive(Default)]
struct Pairs {
    all: usize,
    differ: usize,
}

impl Pairs {
    fn add(&mut self, differs: bool) {
        self.all += 1;
        self.differ += usize::from(differs);
    }

    fn share(&self) -> f64 {
        self.differ as f64 / self.all.max(1) as f64
    }
}

/// Whether the clocks of these values are those of as many senders.
fn confirmed(timing: &Timing, clocks: &Clocks, carried: &BTreeMap<u32, Vec<IdIndex>>) -> bool {
    if carried.len() > MOST_SENDERS {
        return false;
    }
    let of_value = |ids: &Vec<IdIndex>| {
        let told = ids.iter().filter_map(|id| Skew::of(timing, clocks, *id));
        let mut told: Vec<Skew> = told.filter(|own| own.skew.abs() <= QUARTZ).collect();
        // In order of identifier where errors are the same.
        told.sort_by(|a, b| a.error.total_cmp(&b.error));
        told.truncate(MOST_OF_ONE);
        told
    };
    let told: Vec<Vec<Skew>> = carried.values().map(of_value).collect();
    let compared = |a: &Skew, b: &Skew| {
        Some(a.compared(b)).filter(|(_, window)| *window <= VAGUE).map(|(apart, w)| (w, apart > w))
    };
    let (mut within, mut between, mut sharp) =
        (Pairs::default(), Pairs::default(), Pairs::default());
    let mut chance = 1.0;
    for (at, own) in told.iter().enumerate() {
        for (place, a) in own.iter().enumerate() {
            for (other, b) in own[..place].iter().enumerate() {
                let Some((window, differs)) = compared(a, b) else { continue };
                within.add(differs);
                // The clock that is known best stands for its value.
                if other == 0 && !differs {
                    chance *= (2.0 * window / FAR).min(1.0);
                }
            }
        }
        for others in &told[..at] {
            let pairs = own.iter().flat_map(|a| others.iter().filter_map(|b| compared(a, b)));
            let pairs: Vec<(f64, bool)> = pairs.collect();
            pairs.iter().for_each(|(_, differs)| between.add(*differs));
            let sharpest = pairs.iter().min_by(|(a, _), (b, _)| a.total_cmp(b));
            sharpest.filter(|(w, _)| *w <= SHARP).inspect(|(_, differs)| sharp.add(*differs));
        }
    }
    within.all >= PAIRS[0]
        && between.all >= PAIRS[1]
        && within.share() <= DIFFER_WITHIN
        && between.share() >= DIFFER_BETWEEN
        && between.share() > TIMES * within.share()
        && (sharp.all == 0 || sharp.share() >= DIFFER_SHARPLY)
        && chance <= CHANCE
}
