//! Address claims of SAE J1939 in order of time: who starts anew, and who had to give its address
//! up. A unit claims its address when it starts, and when it is asked; of two units that want one
//! address the lower NAME keeps it, and the other takes another one or says that it has none (SAE
//! J1939-81, address claim; clauses and times from memory).

use std::collections::BTreeMap;

use lostnode_parsers::j1939::{NULL_ADDRESS, Name};

use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds};

/// Claims kept; a vehicle has some tens of units.
const MOST_CLAIMS: usize = 4096;
/// Seconds within which the loser of an address says so, or claims another: 0.25 s to answer, up to
/// 0.153 s of random delay, and what the bus takes.
const CONTENTION: f64 = 0.5;

/// A unit claims an address, or says with [`NULL_ADDRESS`] that it has none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Claim {
    /// When.
    pub time: Nanoseconds,
    /// Where.
    pub channel: ChannelIndex,
    /// The address.
    pub address: u8,
    /// Who.
    pub name: Name,
}

/// A unit had to give its address up to another one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GivenUp {
    /// When the other one claimed it.
    pub time: Nanoseconds,
    /// Where.
    pub channel: ChannelIndex,
    /// The address.
    pub address: u8,
    /// Who had it.
    pub from: Name,
    /// Who has it now.
    pub to: Name,
    /// The address that it took instead; `None` where it has none.
    pub moved: Option<u8>,
}

/// A unit that could not claim an address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unplaced {
    /// Who.
    pub name: Name,
    /// The address that it wanted, where it said so.
    pub wanted: Option<u8>,
}

/// All claims of a capture.
#[derive(Clone, Debug, Default)]
pub struct Claims {
    heard: Vec<Claim>,
}

impl Claims {
    pub(super) fn push(&mut self, claim: Claim) {
        if self.heard.len() < MOST_CLAIMS {
            self.heard.push(claim);
        }
    }

    /// Forgets those of channels that do not speak SAE J1939.
    pub(super) fn settle(&mut self, speaks: &dyn Fn(ChannelIndex) -> bool) {
        self.heard.retain(|claim| speaks(claim.channel));
    }

    /// Claims of a channel in a stretch of time, in order.
    pub fn within(
        &self,
        channel: ChannelIndex,
        stretch: Silence,
    ) -> impl Iterator<Item = &Claim> + Clone {
        let within = move |claim: &&Claim| {
            claim.channel == channel && (stretch.start..=stretch.end).contains(&claim.time)
        };
        self.heard.iter().filter(within)
    }

    /// How many addresses of a channel were ever claimed.
    pub fn addresses(&self, channel: ChannelIndex) -> usize {
        let own = self.heard.iter().filter(|claim| claim.channel == channel);
        let mut addresses: Vec<u8> = own.map(|claim| claim.address).collect();
        addresses.sort_unstable();
        addresses.dedup();
        addresses.iter().filter(|address| **address != NULL_ADDRESS).count()
    }

    /// Addresses that their units had to give up, in order of time.
    pub fn given_up(&self) -> Vec<GivenUp> {
        let mut out: Vec<GivenUp> = Vec::new();
        // Last claim of a unit, and of an address.
        let mut own: BTreeMap<(ChannelIndex, Name), Claim> = BTreeMap::new();
        let mut last: BTreeMap<(ChannelIndex, u8), Claim> = BTreeMap::new();
        for claim in &self.heard {
            let unit = (claim.channel, claim.name);
            let taken = |address: u8| {
                last.get(&(claim.channel, address)).filter(|other| {
                    other.name < claim.name
                        && claim.time - other.time <= nanoseconds(CONTENTION)
                        && address != claim.address
                })
            };
            let by = match own.get(&unit) {
                // Who claimed in vain never had it.
                Some(own) => taken(own.address)
                    .filter(|other| other.time - own.time > nanoseconds(CONTENTION)),
                // It had its address before the recording began: which, the one claim tells that
                // it must have lost to.
                None if claim.address == NULL_ADDRESS => {
                    let mut others = (0..NULL_ADDRESS).filter_map(&taken);
                    others.next().filter(|_| others.next().is_none())
                }
                None => None,
            };
            if let Some(by) = by {
                let Claim { time, channel, address, name: to } = *by;
                let moved = Some(claim.address).filter(|address| *address != NULL_ADDRESS);
                out.push(GivenUp { time, channel, address, from: claim.name, to, moved });
            }
            if claim.address == NULL_ADDRESS {
                own.remove(&unit);
            } else {
                own.insert(unit, *claim);
                last.insert((claim.channel, claim.address), *claim);
            }
        }
        out
    }

    /// How many units want an address and none gave way. Who has it answers another one's claim at
    /// once, with its own or by giving way; who does not answer was not there any more, and another
    /// unit took its place.
    pub(super) fn contested(&self, channel: ChannelIndex, address: u8) -> usize {
        let own = || self.heard.iter().filter(|own| own.channel == channel);
        let here: Vec<&Claim> = own().filter(|own| own.address == address).collect();
        let soon = |from: &Claim, to: &Claim| {
            (0..=nanoseconds(CONTENTION)).contains(&(to.time - from.time))
        };
        // From the claim that it met on: its own may be older.
        let met = |claim: &Claim, later: &Claim| {
            here.iter().any(|other| unit(other) != unit(claim) && soon(other, later))
        };
        let gave_way = |claim: &Claim| {
            own().any(|later| {
                unit(later) == unit(claim)
                    && later.address != address
                    && later.time >= claim.time
                    && met(claim, later)
            })
        };
        let mut units: Vec<Name> = here
            .iter()
            .filter(|claim| {
                let meets = |other: &&&Claim| {
                    unit(other) != unit(claim) && (soon(claim, other) || soon(other, claim))
                };
                here.iter().any(|other| meets(&other)) && !gave_way(claim)
            })
            .map(|claim| claim.name)
            .collect();
        units.sort_unstable();
        units.dedup();
        units.len()
    }

    /// Whether the last that a unit claimed is no address.
    pub(super) fn is_unplaced(&self, channel: ChannelIndex, name: Name) -> bool {
        let own = |claim: &&Claim| claim.channel == channel && unit(claim) == name;
        self.heard.iter().rev().find(own).is_none_or(|claim| claim.address == NULL_ADDRESS)
    }

    /// The address that a unit claimed last.
    pub(super) fn wanted(&self, channel: ChannelIndex, name: Name) -> Option<u8> {
        let own = |claim: &&Claim| {
            claim.channel == channel && unit(claim) == name && claim.address != NULL_ADDRESS
        };
        self.heard.iter().rev().find(own).map(|claim| claim.address)
    }
}

/// Who claims: a NAME of J1939-81 is a number, and no two units have the same.
fn unit(claim: &Claim) -> Name {
    claim.name
}
