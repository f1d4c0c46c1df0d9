//! Address claims of SAE J1939 that explain a loss, or how it ended.

use super::causes::ReturnSign;
use super::facts::{fastest, was_silent};
use super::{Nanoseconds, Observed};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::claims::GivenUp;
use crate::fold::timing::{Silence, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::source_address;
use crate::silence::{Event, QUEUE};

/// Seconds around the claim of another unit within which the loser falls silent: it answers within
/// 0.25 s, and its own messages may have been a period or two from being due.
const TIED: f64 = 1.0;
/// Seconds after the first frame within which a unit that started has claimed its address.
const CLAIMED: f64 = 0.5;
/// A claim tells that a unit started anew where no more than so many seconds lie between it and the
/// first frame.
const NEAR: f64 = 0.6;
/// A claim makes it so many times likelier that a unit started anew. A unit claims its address
/// before it sends anything else (SAE J1939-81, from memory), and nobody
/// claims it again in the middle of a drive unless it is asked. Of 119 losses of invented vehicles
/// with such a claim 114 were of a unit that started anew (a set of a world by others).
pub(super) const CLAIM_SPEAKS: f64 = 60.0;

/// The address that these identifiers are sent from was given up to another unit around a time.
pub(super) fn given_up(
    observed: &Observed<'_>,
    ids: &[IdIndex],
    time: Nanoseconds,
) -> Option<GivenUp> {
    let (channel, address) = place(observed, ids)?;
    let tied = |given_up: &&GivenUp| {
        given_up.channel == channel
            && given_up.address == address
            && (given_up.time - time).abs() <= nanoseconds(TIED)
    };
    observed.given_up.iter().find(tied).copied()
}

/// The claim with which a node came back, where nobody asked all units for theirs: then the others
/// answer too, those that went on.
pub(super) fn at_return(
    observed: &Observed<'_>,
    nodes: &[&[IdIndex]],
    ids: &[IdIndex],
    silence: Silence,
) -> Option<ReturnSign> {
    let (channel, address) = place(observed, ids)?;
    let end = silence.end.saturating_add(nanoseconds(CLAIMED));
    let window = Silence { start: silence.start, end };
    let claims = observed.claims.within(channel, window);
    let own = claims.clone().filter(|claim| claim.address == address).last()?;
    let gone: Vec<u8> = nodes.iter().filter_map(|ids| Some(place(observed, ids)?.1)).collect();
    let mut others: Vec<u8> =
        claims.map(|claim| claim.address).filter(|other| !gone.contains(other)).collect();
    others.sort_unstable();
    others.dedup();
    let all = observed.claims.addresses(channel).saturating_sub(gone.len());
    let asked = !others.is_empty() && others.len() * 2 >= all;
    let after = seconds(own.time - silence.end);
    (!asked).then_some(ReturnSign::AddressClaimed { address, after })
}

/// Whether nothing of a unit was heard in an event, and it claimed its address at its end, where
/// nobody asked for that.
pub(super) fn starts_anew(observed: &Observed<'_>, node: NodeIndex, event: &Event) -> bool {
    let ids = observed.network.nodes[node].ids.as_slice();
    let own: Vec<IdIndex> = event.losses.iter().map(|loss| loss.id).collect();
    let silence = Silence { start: event.onset, end: event.back.max(event.onset) };
    let slack = nanoseconds(fastest(observed.losses, &own) + QUEUE);
    let back = || at_return(observed, &[ids], ids, silence);
    !event.ongoing
        && own.iter().all(|id| ids.contains(id))
        && ids.iter().all(|id| was_silent(observed, *id, silence, slack))
        && matches!(back(), Some(ReturnSign::AddressClaimed { after, .. }) if after.abs() <= NEAR)
}

fn place(observed: &Observed<'_>, ids: &[IdIndex]) -> Option<(ChannelIndex, u8)> {
    let channel = observed.timing.ids[*ids.first()?].key.channel;
    Some((channel, source_address(observed.timing, ids)?))
}
