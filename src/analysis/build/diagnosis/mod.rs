//! Codes, identity and blame, from what the folds kept of diagnostic messages.

mod codes;
mod complaints;
mod names;
mod vehicle;

use lostnode_parsers::Id;
use lostnode_parsers::dtc::Status;
use lostnode_parsers::j1939::{self, Fields};

use crate::analysis::blame::{self, Accusation, Blame, Witness};
use crate::analysis::diagnosis::{
    CodeAge, CodeEntry, Diagnosis, FreezeFrameEntry, IdentityEntry, IdentityProblem, TalkEntry,
    TestEntry,
};
use crate::analysis::{Doubt, Identifier, Node, Outage, Scope};
use crate::fold::diagnostics::{
    CodeNumber, Diagnostics, Identity, Module, has_vin_length, is_blank, is_vin,
};
use crate::fold::j1939::is_diagnosis;
use crate::fold::timing::Nanoseconds;
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;
use lostnode_parsers::dtc;
use names::Names;

/// PID of a freeze frame that holds the code it was stored with (SAE J1979, service 02).
const CODE_OF_FRAME: u8 = 0x02;

/// Draws the diagnostic part of the answer; `addresses` are the source addresses of the nodes where
/// they have one (SAE J1939), `begin` is the first time stamp, where there are any.
pub fn diagnosis(
    diagnostics: &Diagnostics,
    nodes: &[Node],
    addresses: &[Option<u8>],
    (identifiers, outages): (&[Identifier], &[Outage]),
    begin: Option<Nanoseconds>,
) -> Diagnosis {
    let names = Names::new(nodes, addresses);
    let mut codes = codes::of(diagnostics, &names, begin.is_some());
    let vehicle = diagnostics.identities.vehicle();
    let vin = vehicle.vin.as_deref();
    complaints::settle(diagnostics, vin, &mut codes);
    let (blame, accusers) = blamed(&codes, nodes, addresses, (identifiers, outages));
    Diagnosis {
        codes_read: diagnostics.codes.read().collect(),
        lists_read: diagnostics.codes.lists_read().collect(),
        identity: identities(diagnostics, vin, &codes),
        freeze_frames: freeze_frames(diagnostics),
        tests: diagnostics
            .stored
            .tests
            .iter()
            .map(|((module, ..), result)| TestEntry { module: *module, result: *result })
            .collect(),
        vehicle: vehicle::of(diagnostics, vehicle, outages, begin.is_some()),
        talks: talks(diagnostics),
        switched_off: diagnostics.exchanges.switched_off,
        blame,
        accusers,
        messages: diagnostics.messages.clone(),
        codes,
    }
}

fn identities(
    diagnostics: &Diagnostics,
    vin: Option<&str>,
    codes: &[CodeEntry],
) -> Vec<IdentityEntry> {
    let entry = |(module, identity): (&Module, &Identity)| {
        let says_so =
            |code: &CodeEntry| code.module == *module && code.unconfigured && code.gone.is_none();
        let unconfigured = codes.iter().any(says_so);
        IdentityEntry {
            module: *module,
            vin: identity.vin.clone(),
            part_number: identity.part_number.clone(),
            calibration_ids: identity.calibration_ids.clone(),
            verification_numbers: identity.verification_numbers.clone(),
            name: identity.name.clone(),
            others: identity
                .others
                .iter()
                .map(|(what, value)| ((*what).to_owned(), value.clone()))
                .collect(),
            sources: identity.sources.clone(),
            problems: problems(identity, vin, unconfigured),
        }
    };
    diagnostics.identities.modules.iter().map(entry).collect()
}

fn problems(identity: &Identity, vin: Option<&str>, unconfigured: bool) -> Vec<IdentityProblem> {
    let vin = match (identity.vin.as_deref(), vin) {
        (Some(own), _) if is_blank(own) => Some(IdentityProblem::BlankVin),
        (Some(own), Some(vehicle)) if own != vehicle && is_vin(own) => {
            Some(IdentityProblem::OtherVin(own.to_owned()))
        }
        (Some(own), Some(vehicle)) if own != vehicle && has_vin_length(own) => {
            Some(IdentityProblem::NoVin(own.to_owned()))
        }
        (Some(own), None) if is_vin(own) => Some(IdentityProblem::TiedVin(own.to_owned())),
        _ => None,
    };
    let Identity { contested, gave_up_address, cannot_claim, .. } = identity;
    let conflict = *contested > 1 && gave_up_address.is_none();
    let gave_up = gave_up_address.map(|own| IdentityProblem::GaveUpAddress { to: own.moved });
    let cannot = || IdentityProblem::CannotClaim(cannot_claim.clone());
    [
        vin,
        unconfigured.then_some(IdentityProblem::Unconfigured),
        conflict.then_some(IdentityProblem::AddressClaims(*contested)),
        gave_up,
        (!cannot_claim.is_empty()).then(cannot),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn freeze_frames(diagnostics: &Diagnostics) -> Vec<FreezeFrameEntry> {
    let frames = diagnostics.stored.freeze_frames.iter();
    frames
        .map(|((module, frame), values)| FreezeFrameEntry {
            module: *module,
            frame: *frame,
            code: values.get(&CODE_OF_FRAME).and_then(|bytes| dtc::two_byte_codes(bytes).next()),
            values: values
                .iter()
                .filter(|(pid, _)| **pid != CODE_OF_FRAME)
                .map(|(pid, bytes)| (*pid, bytes.clone()))
                .collect(),
        })
        .collect()
}

fn talks(diagnostics: &Diagnostics) -> Vec<TalkEntry> {
    let talks = diagnostics.exchanges.talks.iter();
    talks
        .map(|(module, talk)| TalkEntry {
            module: *module,
            positive: talk.positive,
            negative: talk.negative.iter().map(|(reason, count)| (*reason, *count)).collect(),
            unanswered: talk.unanswered,
            pending: talk.pending,
            late: talk.late,
            slowest: talk.slowest,
            mute: talk.mute.clone(),
            answered: talk.answered.times.iter().map(|time| time.nanoseconds()).collect(),
        })
        .collect()
}

/// Who is missed by whom, and whether the frames confirm it.
pub(super) fn blamed(
    codes: &[CodeEntry],
    nodes: &[Node],
    addresses: &[Option<u8>],
    (identifiers, outages): (&[Identifier], &[Outage]),
) -> (Vec<Blame>, Vec<(Module, usize)>) {
    let mut accusations: Vec<Accusation> = codes
        .iter()
        // What an event of low supply left behind accuses nobody.
        .filter(|code| code.event.is_none())
        .filter_map(|code| {
            Some(Accusation {
                reporter: code.module,
                missed: code.missed.clone()?,
                code: code.number,
                address: code.missed_address.map(|address| (code.module.channel, address)),
                age: code.age,
                this_cycle: failed_this_cycle(code),
                appeared: code.appeared,
                read: code.seen.map(|(_, last)| last),
                stayed_away: code.stayed_away.filter(|_| code.tested != Some(false)),
            })
        })
        .collect();
    let period = |id: &IdIndex| Some(identifiers[*id].rhythm?.period);
    let witness = |(at, node): (usize, &Node)| {
        let hit = |outage: &&Outage| {
            let whole = matches!(outage.scope, Scope::Node | Scope::Branch)
                || (!outage.never_heard.is_empty() && !node.heard);
            whole && outage.is_loss() && outage.nodes.contains(&NodeIndex(at))
        };
        let silences = outages.iter().filter(hit).map(Outage::silence).collect();
        let perhaps_off = |outage: &&Outage| {
            outage.doubt == Some(Doubt::KeyOrSupply) && outage.nodes.contains(&NodeIndex(at))
        };
        Witness {
            name: node.name.clone(),
            missed_as: node.missed_as.clone(),
            address: addresses[at].map(|address| (node.channel, address)),
            silences,
            perhaps_off: outages.iter().filter(perhaps_off).map(Outage::silence).collect(),
            only_answers: node.heard
                && addresses[at].is_some()
                && are_answers(node.ids.iter().map(|id| identifiers[*id].id)),
            perhaps_several: node.basis == [Basis::SharedSilence],
            fastest: node.ids.iter().filter_map(period).reduce(f64::min),
        }
    };
    let witnesses: Vec<Witness> = nodes.iter().enumerate().map(witness).collect();
    // Data in error came, and a module that sends them is no missing one; with a silence of that
    // module they are of it, and so they are where nobody has that address: who sends nothing sends
    // no bad data.
    let heard = |own: &Accusation| {
        let named = |other: &Witness| other.address == own.address && other.silences.is_empty();
        witnesses.iter().any(named)
    };
    accusations.retain(|own| {
        let in_error = matches!(own.code, CodeNumber::SpnFmi { fmi: names::IN_ERROR, .. });
        !in_error || own.address.is_some() && !heard(own)
    });
    blame::matrix(&accusations, &witnesses)
}

/// Whether an address sent nothing but what a tester asked it for, as far as these tell: answers
/// by address, old codes, acknowledgements (SAE J1939-21 and -73, from memory). An acknowledgement
/// alone tells of no tester.
fn are_answers(ids: impl Iterator<Item = Id>) -> bool {
    let mut answered = false;
    for id in ids {
        let Id::Extended(id) = id else { return false };
        match Fields::of(id).pgn {
            _ if is_diagnosis(id.as_raw()) => answered = true,
            j1939::DM2 => answered = true,
            j1939::ACKNOWLEDGEMENT => {}
            _ => return false,
        }
    }
    answered
}

/// Whether a code failed in this operation cycle, or came in this capture. What OBD lists as
/// pending failed in this cycle or the last (SAE J1979, service 07), so it may have.
fn failed_this_cycle(code: &CodeEntry) -> bool {
    code.age == CodeAge::Failing
        || code.age == CodeAge::Recent && code.status.is_none()
        || code.appeared.is_some()
        || code.returned
        || code.failed_before_the_clear
        || code.status.is_some_and(|status| status.0 & Status::FAILED_THIS_CYCLE != 0)
}
