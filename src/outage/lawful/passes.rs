//! What is said of a silence once more, when the others of its channel, and those of all channels,
//! are judged too. Passes in order: what a later one says of a silence stands. docs/outages.md,
//! "Passes", has them in this order, and `tests/house_rules.rs` holds the page against these lists.

use std::collections::BTreeSet;

use super::super::{Observed, claims};
use super::scene::Scene;
use super::{Doubt, Judged, Verdict, Why, codes, other_bus, tester, with_key};
use crate::ids::{IdIndex, NodeIndex};

/// Returns with a claim of the address that tell a unit that starts anew (invented vehicles of
/// three authors: of those with two 5 of 5 were lost, of those with one 3 of 12).
const CLAIMS: usize = 2;

/// A pass by its name.
type Pass<Run> = (&'static str, Run);

/// What a channel's key-offs are, and what the rest is.
pub(super) struct Parted {
    pub key_offs: Vec<Judged>,
    pub others: Vec<Judged>,
}

/// A pass over these.
type OfAChannel<'a> = fn(&Scene<'a>, &mut Parted);

/// Passes over one channel.
fn of_a_channel<'a>() -> [Pass<OfAChannel<'a>>; 7] {
    [
        // A loss, or a doubt, becomes a part of a key-off.
        ("after-runs", Scene::after_runs),
        // A loss becomes a key-off.
        ("same steps", Scene::same_again),
        // A part of a key-off becomes a loss or a doubt.
        ("late returns", Scene::late_returns),
        // A key-off loses its doubt.
        ("same order", Scene::prove_by_order),
        // A loss, or a doubt, becomes a pause.
        ("the starter", Scene::blame_the_starter),
        // A part of a key-off becomes a loss or a doubt.
        ("never back", Scene::blame_the_absent),
        // A loss becomes a doubt.
        ("chopped recordings", leave_the_chopped),
    ]
}

/// A pass over all channels.
type OfAll = fn(&Observed<'_>, &mut [Judged]);

/// Passes over all channels. Of those that blame, the surest come first: one code, or one module
/// that was lost, is then not taken for two.
const OF_ALL: [Pass<OfAll>; 13] = [
    // A key-off with a doubt becomes a loss.
    ("gone elsewhere", other_bus::blame_what_carries),
    // A loss becomes a key-off with a doubt.
    ("key elsewhere", with_key::excuse),
    // A loss becomes a key-off with a doubt.
    ("key followed", with_key::excuse_followers),
    // A loss becomes a pause.
    ("tester's word", tester::excuse),
    // A loss, or a doubt, becomes a pause.
    ("told alone", tester::excuse_one),
    // A loss becomes a pause.
    ("told reset", tester::excuse_resets),
    // Whatever is none becomes a loss.
    ("address lost", blame_by_claim),
    // A pause becomes a loss.
    ("address again", blame_by_claims_again),
    // A key-off with a doubt becomes a loss.
    ("codes began", codes::blame),
    // A pause with a doubt becomes a loss.
    ("lost before", blame_again),
    // A pause with a doubt becomes a loss, where there is no other.
    ("only one", blame_by_code),
    // A loss becomes a pause.
    ("dead bus", other_bus::excuse),
    // A loss becomes a pause.
    ("carried over", other_bus::leave_echoes),
];

/// Judges the silences of one channel again.
pub(super) fn over_a_channel(scene: &Scene<'_>, judged: Vec<Judged>) -> Vec<Judged> {
    let by_key = |judged: &Judged| judged.verdict == Verdict::SwitchedOff;
    let (key_offs, others) = judged.into_iter().partition(by_key);
    let mut parted = Parted { key_offs, others };
    for (_, pass) in of_a_channel() {
        pass(scene, &mut parted);
    }
    parted.others.into_iter().chain(parted.key_offs).collect()
}

/// Judges the silences of all channels again.
pub(super) fn over_all(observed: &Observed<'_>, judged: &mut [Judged]) {
    for (_, pass) in OF_ALL {
        pass(observed, judged);
    }
}

/// In pieces of a recording that pauses again and again nothing shows but what lasts.
fn leave_the_chopped(scene: &Scene<'_>, parted: &mut Parted) {
    if !scene.chopped {
        return;
    }
    let untold = |judged: &&mut Judged| {
        judged.verdict == Verdict::Lost && !scene.lasts_between_pauses(&judged.events)
    };
    for judged in parted.key_offs.iter_mut().chain(&mut parted.others).filter(untold) {
        judged.verdict = Verdict::Pauses;
        judged.doubt = Some(Doubt::RecordingChopped);
    }
}

/// What was lost once is all that a module sends, or hangs on a bad contact: where it falls silent
/// again, and nothing tells why, it is lost again.
fn blame_again(observed: &Observed<'_>, judged: &mut [Judged]) {
    // What left with others, as with the starter, says nothing of a message.
    let by_itself = |judged: &&Judged| {
        let ids = judged.ids();
        let sender = |id: &IdIndex| observed.network.node_of[*id];
        judged.verdict == Verdict::Lost
            && (ids.len() == 1
                || sender(&ids[0]).is_some() && ids.iter().all(|id| sender(id) == sender(&ids[0])))
    };
    let lost: BTreeSet<IdIndex> = judged.iter().filter(by_itself).flat_map(Judged::ids).collect();
    let open = |judged: &&mut Judged| judged.verdict == Verdict::Pauses && judged.may_be_a_module();
    for judged in judged.iter_mut().filter(open) {
        if judged.ids().iter().all(|id| lost.contains(id)) {
            (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::LostBefore);
        }
    }
}

/// A module that is missed sends nothing; where all that fell silent is one identifier of an
/// unknown sender, it is that module's. Two such identifiers would be a guess, and so is one where
/// the roster has a module that was never heard: that is the one that is missed.
fn blame_by_code(observed: &Observed<'_>, judged: &mut [Judged]) {
    let open = |judged: &&mut Judged| judged.may_be_a_module();
    let lost = judged.iter().any(|judged| judged.verdict == Verdict::Lost);
    let mut ids: Vec<_> =
        judged.iter().filter(|judged| judged.may_be_a_module()).flat_map(Judged::ids).collect();
    ids.sort_unstable();
    ids.dedup();
    let begin = judged.iter_mut().filter(open).map(|judged| judged.onset()).min();
    let missed = begin.is_some_and(|begin| observed.misses_a_module_since(begin));
    if !missed || lost || observed.lacks_a_module() || ids.len() != 1 {
        return;
    }
    for judged in judged.iter_mut().filter(open) {
        (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::CodeMisses);
    }
}

/// Who lost its address to another unit was not switched off, though it may end as one that was.
fn blame_by_claim(observed: &Observed<'_>, judged: &mut [Judged]) {
    for judged in judged.iter_mut().filter(|judged| judged.verdict != Verdict::Lost) {
        let ids = judged.ids();
        let onset = judged.onset();
        if claims::given_up(observed, &ids, onset).is_some() {
            (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::GaveUpAddress);
        }
    }
}

/// An address that is silent as a whole, and claims itself again each time that it is back, is a
/// unit that starts anew: no message of a unit that runs has it claim its address. Once may be a
/// unit that was switched on.
fn blame_by_claims_again(observed: &Observed<'_>, judged: &mut [Judged]) {
    let unit = |judged: &Judged| {
        let event = judged.events.first().filter(|_| judged.verdict == Verdict::Pauses)?;
        let node = observed.network.node_of[event.losses.first()?.id]?;
        claims::starts_anew(observed, node, event).then_some(node)
    };
    let units: Vec<Option<NodeIndex>> = judged.iter().map(unit).collect();
    for (judged, own) in judged.iter_mut().zip(&units) {
        if own.is_some() && units.iter().filter(|other| *other == own).count() >= CLAIMS {
            (judged.verdict, judged.doubt, judged.why) = (Verdict::Lost, None, Why::Restarted);
        }
    }
}
