//! What the roster expects and nobody sent.

use super::{Cause, Doubt, Evidence, Observed, Outage, Scope};
use crate::fold::timing::{Silence, seconds};
use crate::network::{self, MissingHere, MissingOf};

/// One outage over the whole capture for each group of what was never heard.
pub(super) fn find(observed: &Observed<'_>) -> Vec<Outage> {
    observed.network.missing.iter().map(|missing| outage(observed, missing)).collect()
}

/// Fewer nodes that were never heard are no half of a vehicle.
const SEVERAL: usize = 2;

/// Named nodes of which nothing was heard are left to the key where half of what the roster expects
/// or more is missing, nothing tells the key, nothing else happened, and nobody misses them now: a
/// car that is parked, charged or listened to keeps half its modules asleep (of four such of
/// invented vehicles none was of a fault, sets of six worlds by others).
pub(super) fn leave_open(observed: &Observed<'_>, others: &[Outage], never_heard: &mut [Outage]) {
    let happened = |outage: &Outage| !outage.benign || outage.scope >= Scope::Bus;
    let open = |outage: &&mut Outage| {
        outage.scope == Scope::Node
            && outage.doubt.is_none()
            && outage.channel.is_some_and(|channel| {
                network::perhaps_key_off(&observed.losses.channels[usize::from(channel)].roll)
            })
    };
    let named = never_heard.iter_mut().filter(open).count();
    if named < SEVERAL || others.iter().any(happened) || observed.missed_at.is_some() {
        return;
    }
    for outage in never_heard.iter_mut().filter(open) {
        outage.cause = Cause::SwitchedOff;
        outage.benign = true;
        outage.doubt = Some(Doubt::KeyOrSupply);
    }
}

fn outage(observed: &Observed<'_>, missing: &MissingHere) -> Outage {
    let (start, end) = observed.timing.span.unwrap_or((0, 0));
    let scope = match missing.of {
        MissingOf::Whole => Scope::Node,
        MissingOf::Together { .. } if missing.ids.len() > 1 => Scope::Node,
        MissingOf::Part | MissingOf::Together { .. } => Scope::Identifier,
    };
    // All of them may have been waiting for the key.
    let waits = matches!(missing.of, MissingOf::Together { perhaps_key_off: true, .. });
    Outage {
        cause: if waits { Cause::SwitchedOff } else { Cause::Unknown },
        benign: waits,
        doubt: waits.then_some(Doubt::KeyOrSupply),
        channel: Some(missing.channel),
        nodes: vec![missing.node],
        never_heard: missing.ids.clone(),
        ongoing: true,
        evidence: evidence(observed, missing),
        ..Outage::of(scope, Silence { start, end })
    }
}

fn evidence(observed: &Observed<'_>, missing: &MissingHere) -> Vec<Evidence> {
    let awake = seconds(observed.timing.channels[usize::from(missing.channel)].awake);
    let mut out = vec![Evidence::NeverHeard { due: missing.due, most: missing.most, awake }];
    out.extend(missing.sometimes.then_some(Evidence::SentSometimes));
    if let MissingOf::Together { expected, perhaps_key_off } = missing.of {
        let identifiers = missing.ids.len();
        out.push(Evidence::ProbablyOneNode { identifiers, expected, perhaps_key_off });
    }
    out
}
