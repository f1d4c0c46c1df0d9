//! What happened just before the losses, as JSON.

use schemars::JsonSchema;
use serde::Serialize;

use super::names;
use crate::analysis::Analysis;
use crate::analysis::just_before::{Change, Lead, Timed};
use crate::analysis::subject::Subject;
use crate::words::just_before as words;
use crate::words::{terms::id_label, who};

#[derive(JsonSchema, Serialize)]
pub(super) struct PrecursorJson {
    node: Option<String>,
    nodes: Vec<String>,
    channel: String,
    id: String,
    pid: Option<u8>,
    byte: u8,
    bit: Option<u8>,
    width: u8,
    high_first: Option<bool>,
    #[schemars(with = "names::Change")]
    change: &'static str,
    value: Option<u64>,
    within_s: f64,
    losses_with: usize,
    losses: usize,
    elsewhere: usize,
    apart_s: [f64; 3],
    p: f64,
    #[schemars(with = "names::LeadKind")]
    kind: &'static str,
    together: Vec<PlaceJson>,
    confirmed: Option<ConfirmedJson>,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
struct PlaceJson {
    channel: String,
    id: String,
    pid: Option<u8>,
    byte: u8,
    bit: Option<u8>,
    width: u8,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct LossTimeJson {
    node: Option<String>,
    nodes: Vec<String>,
    #[schemars(with = "names::CountedFrom")]
    since: &'static str,
    after_s: [f64; 2],
    losses_with: usize,
    losses: usize,
    p: f64,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
struct ConfirmedJson {
    losses_with: usize,
    losses: usize,
    p: f64,
    holds: bool,
}

pub(super) fn precursors(analysis: &Analysis) -> Vec<PrecursorJson> {
    analysis.just_before.leads.iter().map(|lead| precursor(analysis, lead)).collect()
}

/// One name for what was lost, and the names of all of it.
fn names_of(analysis: &Analysis, of: &Subject) -> (Option<String>, Vec<String>) {
    let nodes: Vec<String> = of.nodes().iter().map(|at| analysis.node_name(*at)).collect();
    let node = match nodes.as_slice() {
        [one] => Some(one.clone()),
        [] => None,
        _ => Some(who::subject(analysis, of)),
    };
    (node, nodes)
}

pub(super) fn loss_times(analysis: &Analysis) -> Vec<LossTimeJson> {
    let one = |own: &Timed| {
        let (node, nodes) = names_of(analysis, &own.of);
        LossTimeJson {
            node,
            nodes,
            since: names::counted_from(own.since),
            after_s: [own.after.0, own.after.1],
            losses_with: own.losses_with,
            losses: own.losses,
            p: own.p,
            sentence: words::timed(analysis, own),
        }
    };
    analysis.just_before.timed.iter().map(one).collect()
}

fn precursor(analysis: &Analysis, lead: &Lead) -> PrecursorJson {
    let (node, nodes) = names_of(analysis, &lead.of);
    let value = match lead.change {
        Change::Rises | Change::Falls => None,
        Change::Is(value) | Change::Above(value) | Change::Below(value) => Some(value),
    };
    let channel = |at| analysis.channel(at).name.clone();
    let field = lead.place.field;
    PrecursorJson {
        node,
        nodes,
        channel: channel(lead.place.channel),
        id: id_label(lead.place.id),
        pid: lead.place.pid(),
        byte: lead.place.byte(),
        bit: field.bit,
        width: field.width,
        high_first: (field.width > 8).then_some(field.high_first),
        change: names::change(lead.change),
        value,
        within_s: lead.within,
        losses_with: lead.losses_with,
        losses: lead.losses,
        elsewhere: lead.elsewhere,
        apart_s: [lead.apart.0, lead.apart.1, lead.apart.2],
        p: lead.p,
        kind: names::lead_kind(lead.kind),
        together: lead
            .together
            .iter()
            .map(|own| PlaceJson {
                channel: channel(own.channel),
                id: id_label(own.id),
                pid: own.pid(),
                byte: own.byte(),
                bit: own.field.bit,
                width: own.field.width,
            })
            .collect(),
        confirmed: lead.confirmed.map(|own| ConfirmedJson {
            losses_with: own.losses_with,
            losses: own.losses,
            p: own.p,
            holds: own.holds(),
        }),
        sentence: words::sentence(analysis, lead),
    }
}
