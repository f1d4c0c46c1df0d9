//! Whether the captures of a comparison belong together: one vehicle, in order of time, at one
//! place of it; and which channel of one is which of another.

use std::borrow::Cow;
use std::collections::BTreeSet;

use lostnode_parsers::Id;

use super::comparison::Notice;
use crate::analysis::Analysis;
use crate::fold::timing::Nanoseconds;
use crate::roster_file::channels::{self, IN_COMMON, LEAST, Sent};

/// Before September 2001 a stamp is no date: the clock counts from the start, or was never set.
pub const A_DATE: Nanoseconds = 1_000_000_000 * 1_000_000_000;

/// What begins so little earlier was recorded at the same time.
const AT_ONCE: Nanoseconds = 1_000_000_000;

/// What makes it doubtful that `after` is `before` at a later time; `path` is that of `after`.
pub fn doubts(path: &str, before: &Analysis, after: &Analysis) -> Vec<Notice> {
    let path = || path.to_owned();
    let vin = |analysis: &Analysis| analysis.diagnosis.vehicle.vin.clone();
    let other = match (vin(before), vin(after)) {
        (Some(was), Some(is)) if was != is => Some(Notice::OtherVehicle(path(), is, was)),
        _ => None,
    };
    let begin = |analysis: &Analysis| analysis.span.map(|(start, _)| start);
    let last = before.each_drive().filter_map(begin).max();
    let older = match (last, begin(after)) {
        (Some(was), Some(is)) if is < was.saturating_sub(AT_ONCE) && is >= A_DATE => {
            Some(Notice::Older(path()))
        }
        _ => None,
    };
    let little = little_in_common(before, after)
        .map(|(both, smaller)| Notice::LittleInCommon(path(), both, smaller));
    other.into_iter().chain(older).chain(little).collect()
}

/// How many identifiers two captures share, and how many the smaller of them has, where those are
/// so few that they are of different vehicles or buses.
pub fn little_in_common(one: &Analysis, other: &Analysis) -> Option<(usize, usize)> {
    let (was, is) = (broadcast(one), broadcast(other));
    let (both, smaller) = (was.intersection(&is).count(), was.len().min(is.len()));
    let apart = smaller >= LEAST && (both as f64) < IN_COMMON * smaller as f64;
    apart.then_some((both, smaller))
}

/// What is sent unasked.
fn broadcast(analysis: &Analysis) -> BTreeSet<Id> {
    analysis.identifiers.iter().filter(|id| !id.diagnostic).map(|id| id.id).collect()
}

fn sent(analysis: &Analysis) -> Vec<Sent> {
    let mut out: Vec<Sent> = analysis
        .channels
        .iter()
        .map(|channel| Sent { name: channel.name.clone(), ids: BTreeSet::new() })
        .collect();
    for own in analysis.identifiers.iter().filter(|own| !own.diagnostic && own.frames > 0) {
        out[usize::from(own.channel)].ids.insert(own.id);
    }
    out
}

/// A capture whose channels have the names that they have in another one.
#[derive(Debug)]
pub struct Fitted<'a> {
    /// The capture.
    pub analysis: Cow<'a, Analysis>,
    /// Channels that have another name in it: that, and the name in the other capture.
    pub moved: Vec<(String, String)>,
}

/// Gives the channels of `own` the names that they have in `known`, by what is sent on them. One
/// that is in `own` only keeps its name, but for a mark where another channel of `known` has it.
pub fn fitted<'a>(known: &Analysis, own: &'a Analysis) -> Fitted<'a> {
    let (were, are) = (sent(known), sent(own));
    let pairs = channels::paired(&were, &are);
    let name = |(is, pair): (&Sent, &Option<usize>)| match pair {
        Some(at) => were[*at].name.clone(),
        None if were.iter().any(|was| was.name == is.name) => format!("{}′", is.name),
        None => is.name.clone(),
    };
    let names: Vec<String> = are.iter().zip(&pairs).map(name).collect();
    let known: Vec<bool> = pairs.iter().map(Option::is_some).collect();
    renamed(own, &names, &known)
}

/// The same only where it is clear, for captures that are merged: all others keep their names.
pub fn clearly_fitted<'a>(known: &Analysis, own: &'a Analysis) -> Fitted<'a> {
    let (were, are) = (sent(known), sent(own));
    let pairs = channels::clear(&were, &are);
    let name = |(is, pair): (&Sent, &Option<usize>)| {
        pair.map_or_else(|| is.name.clone(), |at| were[at].name.clone())
    };
    let names: Vec<String> = are.iter().zip(&pairs).map(name).collect();
    let apart: BTreeSet<&String> = names.iter().collect();
    match apart.len() == names.len() {
        true => renamed(own, &names, &vec![true; names.len()]),
        false => Fitted { analysis: Cow::Borrowed(own), moved: Vec::new() },
    }
}

/// A capture with other names for its channels; those that are `known` are told where they differ.
fn renamed<'a>(own: &'a Analysis, names: &[String], known: &[bool]) -> Fitted<'a> {
    let were: Vec<String> = own.channels.iter().map(|channel| channel.name.clone()).collect();
    if were == names {
        return Fitted { analysis: Cow::Borrowed(own), moved: Vec::new() };
    }
    let rename = |analysis: &mut Analysis| {
        for channel in &mut analysis.channels {
            if let Some(at) = were.iter().position(|was| *was == channel.name) {
                channel.name.clone_from(&names[at]);
            }
        }
    };
    let mut analysis = own.clone();
    rename(&mut analysis);
    analysis.drives.iter_mut().for_each(|drive| rename(&mut drive.analysis));
    let moved = were.iter().zip(names).zip(known);
    let moved = moved.filter(|((was, name), known)| **known && was != name);
    let moved = moved.map(|((was, name), _)| (was.clone(), name.clone())).collect();
    Fitted { analysis: Cow::Owned(analysis), moved }
}
